//! Faults, procedures and groups.

use core::time::Duration;

use tickover_services::Effect;
pub use tickover_services::StatusCoding;

use super::{Expr, List, Pattern, Text};
use crate::value::{ChannelId, RecordId};

/// Channels that belong together.
#[derive(Clone, PartialEq, Debug)]
pub struct Group {
    /// Its name.
    pub name: Text,
    /// For people.
    pub title: Text,
    /// Elements of arrays one by one.
    pub channels: List<ChannelId>,
}

/// How many identifiers of one service a request may ask for.
#[derive(Clone, Copy, PartialEq, Eq, Debug)]
pub struct Several {
    /// Which service.
    pub of: SeveralOf,
    /// Most identifiers in one request.
    pub count: u8,
    /// Most data bytes in one answer, without echoes.
    pub longest: u16,
}

/// A service that may take several identifiers.
#[derive(Clone, Copy, PartialEq, Eq, Debug)]
#[non_exhaustive]
pub enum SeveralOf {
    /// ISO 14230-3 service 21.
    LocalIdentifier,
    /// ISO 14230-3 service 22.
    CommonIdentifier,
    /// ISO 14229-1 service 22.
    DataIdentifier,
    /// SAE J1979 service 01.
    Pid,
}

/// How fault codes are read and cleared.
#[derive(Clone, PartialEq, Debug)]
pub struct Faults {
    /// How they are read; `None`: from conditions alone.
    pub read: Option<FaultRead>,
    /// How a status byte is coded.
    pub status: Option<StatusCoding>,
    /// Steps that clear them.
    pub clear: List<Step>,
    /// A record whose request holds `{code}`.
    pub freeze: Option<RecordId>,
    /// Codes that the definition explains.
    pub known: List<Fault>,
}

/// How fault codes are read.
#[derive(Clone, Copy, PartialEq, Eq, Debug)]
#[non_exhaustive]
pub enum FaultRead {
    /// ISO 14230-3 service 18.
    DtcByStatus {
        /// Which codes.
        status: u8,
        /// Group of codes.
        group: u16,
    },
    /// ISO 14229-1 service 19 02.
    DtcByStatusMask {
        /// Which codes.
        mask: u8,
    },
    /// SAE J1979 services 03, 07 and 0A.
    EmissionDtc(EmissionDtc),
}

/// Which emission-related codes.
#[derive(Clone, Copy, PartialEq, Eq, Debug)]
pub enum EmissionDtc {
    /// Service 03.
    Stored,
    /// Service 07.
    Pending,
    /// Service 0A.
    Permanent,
}

/// A fault code that the definition explains.
#[derive(Clone, PartialEq, Debug)]
pub struct Fault {
    /// `P0102`, or a name of the definition's own.
    pub code: Text,
    /// For people.
    pub text: Text,
    /// Present when this holds, instead of a place in a list of codes.
    pub when: Option<Expr>,
    /// Channels that this code alone carries.
    pub with: List<ChannelId>,
}

/// Something that can be asked of the unit with a permit.
#[derive(Clone, PartialEq, Debug)]
pub struct Procedure {
    /// Its name.
    pub name: Text,
    /// For people.
    pub title: Text,
    /// What it does to the unit.
    pub effect: Effect,
    /// Shown before it is permitted.
    pub caution: Text,
    /// Must hold before it starts.
    pub needs: Option<Expr>,
    /// What is sent.
    pub steps: List<Step>,
    /// Sent however the steps ended.
    pub finally: List<Step>,
    /// Group read afterwards.
    pub then_read: Option<Text>,
}

/// One step of a procedure.
#[derive(Clone, PartialEq, Debug)]
pub enum Step {
    /// A request and what its answer must start with.
    Send {
        /// The request.
        send: List<u8>,
        /// What the answer starts with.
        expect: Pattern,
        /// Repeated until it fits, at most this long.
        within: Option<Duration>,
    },
    /// Nothing for this long.
    Wait(Duration),
}
