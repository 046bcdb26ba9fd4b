//! Fault codes: 18, 17 and 14 (SSF 14230-3 8.2, 8.3 and 8.5).

use core::iter::FusedIterator;

use nom::Parser;
use nom::bytes::streaming::take;
use nom::combinator::{rest, success};
use nom::number::streaming::{be_u16, u8 as byte};

use crate::layout::{self, Emit, LayoutError, ResponseError, Writer};
use crate::{FaultCode, ServiceId};

/// Which fault codes are asked for, by their state (SSF 14230-3 table 8.2.3.1.1).
#[derive(Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash, Debug)]
pub struct StatusRequest(pub u8);

impl StatusRequest {
    /// Stored ones.
    pub const STORED: Self = Self(0x02);
    /// All that the unit can report.
    pub const ALL: Self = Self(0x03);
    /// Pending ones of this driving cycle.
    pub const PENDING: Self = Self(0x11);
    /// None: which bits of the status byte the unit has.
    pub const SUPPORTED_BITS: Self = Self(0xFF);
}

/// One fault code, or a group of them.
#[derive(Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash, Debug)]
pub struct Group(pub u16);

impl Group {
    /// All powertrain codes (ISO 14230-3, from memory).
    pub const POWERTRAIN: Self = Self(0x0000);
    /// All chassis codes (ISO 14230-3, from memory).
    pub const CHASSIS: Self = Self(0x4000);
    /// All body codes (ISO 14230-3, from memory).
    pub const BODY: Self = Self(0x8000);
    /// All network codes (ISO 14230-3, from memory).
    pub const NETWORK: Self = Self(0xC000);
    /// All codes (ISO 14230-3, from memory).
    pub const ALL: Self = Self(0xFF00);
    /// All codes (SSF 14230-3 8.2.3).
    pub const ALL_SSF: Self = Self(0xFFFF);

    /// This code alone.
    pub const fn of(code: FaultCode) -> Self {
        Self(code.code)
    }
}

/// Asks for fault codes and their states: `18 status group`.
///
/// ```
/// use tickover_services::kwp::{Group, ReadDtcByStatus, StatusRequest};
///
/// let read = ReadDtcByStatus { status: StatusRequest::STORED, group: Group::POWERTRAIN };
/// let faults = read.faults(&[0x58, 0x02, 0x01, 0x30, 0xA7, 0x01, 0x20, 0xE7])?;
/// assert!(faults.iter().map(|fault| fault.code.to_string()).eq(["P0130", "P0120"]));
/// # Ok::<(), tickover_services::ResponseError>(())
/// ```
#[derive(Clone, Copy, PartialEq, Eq, Debug)]
pub struct ReadDtcByStatus {
    /// Which, by state.
    pub status: StatusRequest,
    /// Which, by group.
    pub group: Group,
}

impl ReadDtcByStatus {
    /// 18.
    pub const SERVICE: ServiceId = ServiceId::READ_DTC_BY_STATUS;

    /// Reads a request.
    ///
    /// # Errors
    /// Another service, or not one byte of status and two of group.
    pub fn parse(message: &[u8]) -> Result<Self, LayoutError> {
        let (status, group) = layout::whole(1, layout::parameters(message, Self::SERVICE)?, (byte, be_u16))?;
        Ok(Self { status: StatusRequest(status), group: Group(group) })
    }

    /// The fault codes in a response, `58 count {code status}..`. An answer in several messages goes through
    /// [`Segments`](super::Segments) first.
    ///
    /// # Errors
    /// The unit refused, answered to something else, or sent more or fewer codes than it counted.
    pub fn faults<'a>(&self, message: &'a [u8]) -> Result<FaultList<'a>, ResponseError> {
        let (count, list) = layout::whole(1, layout::response(message, Self::SERVICE, &[])?, (byte, rest))?;
        let entries = layout::whole(2, list, take(usize::from(count) * FaultEntry::LEN))?;
        Ok(FaultList { entries })
    }
}

impl Emit for ReadDtcByStatus {
    fn write(&self, to: &mut Writer<'_>) {
        to.bytes(&[Self::SERVICE.0, self.status.0]);
        to.bytes(&self.group.0.to_be_bytes());
    }
}

/// A fault code and its status byte, which [`Status`](crate::Status) puts into words.
#[derive(Clone, Copy, PartialEq, Eq, Hash, Debug)]
pub struct FaultEntry {
    /// The code.
    pub code: FaultCode,
    /// Its state; the coding is the unit's.
    pub status: u8,
}

impl FaultEntry {
    /// Bytes on the line.
    const LEN: usize = 3;
}

/// Fault codes as they stand in a response, in the unit's order.
#[derive(Clone, Copy, PartialEq, Eq, Debug)]
pub struct FaultList<'a> {
    entries: &'a [u8],
}

impl<'a> FaultList<'a> {
    /// How many.
    pub const fn len(&self) -> usize {
        self.entries.len() / FaultEntry::LEN
    }

    /// Whether there is none.
    pub const fn is_empty(&self) -> bool {
        self.entries.is_empty()
    }

    /// One after the other.
    pub fn iter(&self) -> impl ExactSizeIterator<Item = FaultEntry> + FusedIterator + use<'a> {
        let (entries, _) = self.entries.as_chunks::<{ FaultEntry::LEN }>();
        entries.iter().map(|[high, low, status]| FaultEntry { code: FaultCode::from([*high, *low]), status: *status })
    }
}

/// The unit's answer to [`ReadDtcByStatus`].
#[derive(Clone, Copy, PartialEq, Eq, Debug)]
pub struct FaultReport<'a> {
    faults: &'a [FaultEntry],
    count: u8,
}

impl<'a> FaultReport<'a> {
    /// `None` for more than the 255 codes that can be counted.
    pub fn new(faults: &'a [FaultEntry]) -> Option<Self> {
        Some(Self { faults, count: u8::try_from(faults.len()).ok()? })
    }
}

impl Emit for FaultReport<'_> {
    fn write(&self, to: &mut Writer<'_>) {
        to.bytes(&[ReadDtcByStatus::SERVICE.response().0, self.count]);
        for fault in self.faults {
            to.bytes(&fault.code.code.to_be_bytes());
            to.bytes(&[fault.status]);
        }
    }
}

/// Asks for all that the unit knows about one fault code: `17 code`.
#[derive(Clone, Copy, PartialEq, Eq, Debug)]
pub struct ReadStatusOfDtc {
    /// Which.
    pub group: Group,
}

impl ReadStatusOfDtc {
    /// 17.
    pub const SERVICE: ServiceId = ServiceId::READ_STATUS_OF_DTC;

    /// Reads a request.
    ///
    /// # Errors
    /// Another service, or not two bytes.
    pub fn parse(message: &[u8]) -> Result<Self, LayoutError> {
        let parameters = layout::parameters(message, Self::SERVICE)?;
        layout::whole(1, parameters, be_u16.map(|group| Self { group: Group(group) }))
    }

    /// The status in a response about one code, `57 01 code status ..`; `None` if the unit does not have it.
    ///
    /// # Errors
    /// The unit refused, answered to something else, or about several codes: where one ends the standard
    /// leaves to the maker.
    pub fn status<'a>(&self, message: &'a [u8]) -> Result<Option<FaultStatus<'a>>, ResponseError> {
        let (count, list) = layout::whole(1, layout::response(message, Self::SERVICE, &[])?, (byte, rest))?;
        match count {
            0 => Ok(layout::whole(2, list, success(None))?),
            1 => {
                let (code, status, details) = layout::whole(2, list, (be_u16, byte, rest))?;
                let code = FaultCode { code, failure_type: None };
                Ok(Some(FaultStatus { fault: FaultEntry { code, status }, details }))
            }
            found => Err(LayoutError::Value { offset: 1, found }.into()),
        }
    }
}

impl Emit for ReadStatusOfDtc {
    fn write(&self, to: &mut Writer<'_>) {
        to.bytes(&[Self::SERVICE.0]);
        to.bytes(&self.group.0.to_be_bytes());
    }
}

/// What a unit knows about one fault code.
#[derive(Clone, Copy, PartialEq, Eq, Debug)]
pub struct FaultStatus<'a> {
    /// Code and state.
    pub fault: FaultEntry,
    /// The supplier's own; the standard recommends a counter of occurrences as the first byte.
    pub details: &'a [u8],
}

/// Asks the unit to forget fault codes: `14 group`.
#[derive(Clone, Copy, PartialEq, Eq, Debug)]
pub struct ClearDiagnosticInformation {
    /// Which.
    pub group: Group,
}

impl ClearDiagnosticInformation {
    /// 14.
    pub const SERVICE: ServiceId = ServiceId::CLEAR_DIAGNOSTIC_INFORMATION;

    /// Reads a request.
    ///
    /// # Errors
    /// Another service, or not two bytes of group.
    pub fn parse(message: &[u8]) -> Result<Self, LayoutError> {
        let parameters = layout::parameters(message, Self::SERVICE)?;
        layout::whole(1, parameters, be_u16.map(|group| Self { group: Group(group) }))
    }

    /// Checks the response, which repeats the group and adds nothing.
    ///
    /// # Errors
    /// The unit refused, or answered to something else.
    pub fn check(&self, message: &[u8]) -> Result<(), ResponseError> {
        let data = layout::response(message, Self::SERVICE, &self.group.0.to_be_bytes())?;
        Ok(layout::whole(3, data, success(()))?)
    }
}

impl Emit for ClearDiagnosticInformation {
    fn write(&self, to: &mut Writer<'_>) {
        to.bytes(&[Self::SERVICE.0]);
        to.bytes(&self.group.0.to_be_bytes());
    }
}

#[cfg(test)]
mod tests {
    use std::vec::Vec;

    use proptest::prelude::*;

    use super::*;

    const READ: ReadDtcByStatus = ReadDtcByStatus { status: StatusRequest::STORED, group: Group::ALL };

    #[test]
    fn the_count_and_the_codes_must_agree() {
        assert_eq!(READ.faults(&[0x58, 0x00]).map(|list| list.is_empty()), Ok(true));
        assert_eq!(READ.faults(&[0x58, 0x01, 0x01, 0x30]), Err(LayoutError::Short { expected: 5, found: 4 }.into()));
        assert_eq!(READ.faults(&[0x58, 0x00, 0x01]), Err(LayoutError::Long { expected: 2, found: 3 }.into()));
    }

    #[test]
    fn the_status_of_several_codes_is_not_guessed_apart() {
        let read = ReadStatusOfDtc { group: Group::ALL };
        assert_eq!(read.status(&[0x57, 0x00]), Ok(None));
        let two = [0x57, 0x02, 0x01, 0x20, 0xE2, 0x01, 0x30, 0xE2];
        assert_eq!(read.status(&two), Err(LayoutError::Value { offset: 1, found: 2 }.into()));
    }

    proptest! {
        #[test]
        fn a_report_is_read_back(faults in proptest::collection::vec((any::<u16>(), any::<u8>()), 0..84)) {
            let faults: Vec<_> = faults
                .into_iter()
                .map(|(code, status)| FaultEntry { code: FaultCode { code, failure_type: None }, status })
                .collect();
            let mut buffer = [0; 255];
            let message = FaultReport::new(&faults).unwrap().emit(&mut buffer).unwrap();
            prop_assert!(READ.faults(message).unwrap().iter().eq(faults.iter().copied()));
        }

        #[test]
        fn requests_are_read_back(status: u8, group: u16) {
            let (status, group, mut buffer) = (StatusRequest(status), Group(group), [0; 4]);
            let read = ReadDtcByStatus { status, group };
            prop_assert_eq!(ReadDtcByStatus::parse(read.emit(&mut buffer).unwrap()), Ok(read));
            let status_of = ReadStatusOfDtc { group };
            prop_assert_eq!(ReadStatusOfDtc::parse(status_of.emit(&mut buffer).unwrap()), Ok(status_of));
            let clear = ClearDiagnosticInformation { group };
            prop_assert_eq!(ClearDiagnosticInformation::parse(clear.emit(&mut buffer).unwrap()), Ok(clear));
        }
    }
}
