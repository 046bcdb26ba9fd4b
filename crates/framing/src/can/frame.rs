//! A CAN frame by value.

use core::fmt;

use super::Id;
use crate::contract::{Chunk, Hex};

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

impl Frame {
    /// A classic frame; `None` if there are more than 8 bytes or the identifier leaves its width.
    ///
    /// ```
    /// use tickover_framing::can::{Frame, Id};
    /// let frame = Frame::classic(Id::Standard(0x7E0), &[0x02, 0x10, 0x03]).unwrap();
    /// assert_eq!(frame.to_string(), "7E0 [3] 02 10 03");
    /// assert!(Frame::classic(Id::Standard(0x800), &[]).is_none());
    /// ```
    pub fn classic(id: Id, data: &[u8]) -> Option<Self> {
        (data.len() <= 8).then_some(())?;
        Self::new(id, FrameKind::Classic, data)
    }

    /// An FD frame; `None` if the bytes have no [length of an FD frame](Self::length_for) or the identifier leaves
    /// its width.
    pub fn fd(id: Id, data: &[u8], switch_rate: bool) -> Option<Self> {
        (Self::length_for(data.len())? == data.len()).then_some(())?;
        Self::new(id, FrameKind::Fd { switch_rate }, data)
    }

    /// A remote request; `None` if the identifier leaves its width.
    pub fn remote(id: Id) -> Option<Self> {
        Self::new(id, FrameKind::Remote, &[])
    }

    /// The shortest FD frame that holds so many bytes: 0 to 8, 12, 16, 20, 24, 32, 48 or 64; `None` above
    /// (ISO 11898-1:2015 table 5).
    pub const fn length_for(bytes: usize) -> Option<usize> {
        Some(match bytes {
            0..=8 => bytes,
            9..=12 => 12,
            13..=16 => 16,
            17..=20 => 20,
            21..=24 => 24,
            25..=32 => 32,
            33..=48 => 48,
            49..=64 => 64,
            _ => return None,
        })
    }

    fn new(id: Id, kind: FrameKind, data: &[u8]) -> Option<Self> {
        id.is_in_width().then_some(())?;
        Some(Self { id, kind, data: Chunk::new(data)? })
    }
}

/// `7E0 [3] 02 10 03`; `[R]` for a remote request, `[12 FD]` for FD frames.
impl fmt::Display for Frame {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        let data = self.data.as_slice();
        match self.kind {
            FrameKind::Remote => write!(f, "{} [R]", self.id),
            FrameKind::Classic => write!(f, "{} [{}]", self.id, data.len()),
            FrameKind::Fd { .. } => write!(f, "{} [{} FD]", self.id, data.len()),
        }?;
        if data.is_empty() { Ok(()) } else { write!(f, " {}", Hex(data)) }
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use std::string::ToString;

    /// ISO 11898-1:2015 table 5: 9 to 15 in the DLC are 12, 16, 20, 24, 32, 48 and 64 bytes, in FD frames only.
    #[test]
    fn a_frame_has_one_of_the_lengths_of_the_standard() {
        let id = Id::Standard(0x123);
        let lengths: std::vec::Vec<usize> =
            (0..=64).filter(|len| Frame::fd(id, &[0; 64][..*len], true).is_some()).collect();
        assert_eq!(lengths, [0, 1, 2, 3, 4, 5, 6, 7, 8, 12, 16, 20, 24, 32, 48, 64]);
        assert!(Frame::classic(id, &[0; 8]).is_some());
        assert!(Frame::classic(id, &[0; 9]).is_none());
        assert_eq!(Frame::length_for(65), None);
    }

    #[test]
    fn an_identifier_out_of_its_width_makes_no_frame() {
        assert!(Frame::classic(Id::Standard(0x800), &[]).is_none());
        assert!(Frame::remote(Id::Extended(0x2000_0000)).is_none());
        assert_eq!(Frame::remote(Id::Extended(0x123)).unwrap().to_string(), "00000123 [R]");
        assert_eq!(Frame::fd(Id::Standard(1), &[7; 1], false).unwrap().to_string(), "001 [1 FD] 07");
    }
}
