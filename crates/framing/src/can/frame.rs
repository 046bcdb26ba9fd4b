//! A CAN frame by value.

use super::Id;
use crate::contract::Chunk;

/// What kind of frame carries the data.
#[derive(Clone, Copy, PartialEq, Eq, Debug)]
pub enum FrameKind {
    /// Classic CAN, up to 8 bytes.
    Classic,
    /// A remote request; carries no data.
    Remote,
    /// CAN FD, up to 64 bytes.
    Fd {
        /// Whether the data phase runs at the faster rate.
        switch_rate: bool,
    },
}

/// One frame: identifier, kind and data.
#[derive(Clone, Copy, PartialEq, Eq, Debug)]
pub struct Frame {
    /// Who it is for.
    pub id: Id,
    /// Classic, remote or FD.
    pub kind: FrameKind,
    /// 0 to 8 bytes, with FD to 64.
    pub data: Chunk,
}
