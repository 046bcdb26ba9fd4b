//! Lists of fault codes: 19 with 01, 02 and 0A.

use core::iter::FusedIterator;

use nom::combinator::{rest, success};
use nom::number::streaming::{be_u16, u8 as byte};

use super::fault_status::FaultStatus;
use crate::layout::{self, Emit, LayoutError, ResponseError, Writer};
use crate::{FaultCode, ServiceId};

/// Length on the line of a fault code with its state.
const ENTRY: usize = 4;

/// A fault code of three bytes and its state.
#[derive(Clone, Copy, PartialEq, Eq, Hash, Debug)]
pub struct DtcEntry {
    /// Code and failure type.
    pub code: FaultCode,
    /// Its state.
    pub status: FaultStatus,
}

/// Three bytes of a code, as on the line; a code without a failure type has 00 there.
pub(crate) fn code_bytes(code: FaultCode) -> [u8; 3] {
    let [high, low] = code.code.to_be_bytes();
    [high, low, code.failure_type.unwrap_or(0x00)]
}

/// Asks how many faults are in one of these states: `19 01 mask`.
///
/// ```
/// use tickover_services::uds::{FaultStatus, ReadDtcCountByStatusMask};
///
/// let read = ReadDtcCountByStatusMask { mask: FaultStatus::CONFIRMED };
/// assert_eq!(read.count(&[0x59, 0x01, 0x2F, 0x01, 0x00, 0x02])?.count, 2);
/// # Ok::<(), tickover_services::ResponseError>(())
/// ```
#[derive(Clone, Copy, PartialEq, Eq, Debug)]
pub struct ReadDtcCountByStatusMask {
    /// Any of these.
    pub mask: FaultStatus,
}

impl ReadDtcCountByStatusMask {
    /// 19.
    pub const SERVICE: ServiceId = ServiceId::READ_DTC_INFORMATION;
    /// reportNumberOfDTCByStatusMask.
    pub const SUB_FUNCTION: u8 = 0x01;

    /// Reads a request.
    ///
    /// # Errors
    /// Another service or sub-function, or not one mask.
    pub fn parse(message: &[u8]) -> Result<Self, LayoutError> {
        Ok(Self {
            mask: FaultStatus::from_bits_retain(layout::whole(2, parameters(message, Self::SUB_FUNCTION)?, byte)?),
        })
    }

    /// The number in a response (notes on ISO 14229-1:2013 table 271).
    ///
    /// # Errors
    /// The unit refused, or answered to something else.
    pub fn count(&self, message: &[u8]) -> Result<DtcCount, ResponseError> {
        let data = layout::response(message, Self::SERVICE, &[Self::SUB_FUNCTION])?;
        let (available, format, count) = layout::whole(2, data, (byte, byte, be_u16))?;
        Ok(DtcCount { available: FaultStatus::from_bits_retain(available), format: DtcFormat(format), count })
    }
}

impl Emit for ReadDtcCountByStatusMask {
    fn write(&self, to: &mut Writer<'_>) {
        to.bytes(&[Self::SERVICE.0, Self::SUB_FUNCTION, self.mask.bits()]);
    }
}

/// How fault codes of a unit are made (notes on ISO 14229-1:2013 table 271).
#[derive(Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash, Debug)]
pub struct DtcFormat(pub u8);

impl DtcFormat {
    /// SAE J2012-DA, DTC format 00.
    pub const SAE_J2012_DA_00: Self = Self(0x00);
    /// ISO 14229-1.
    pub const ISO_14229_1: Self = Self(0x01);
    /// SAE J1939-73.
    pub const SAE_J1939_73: Self = Self(0x02);
    /// ISO 11992-4.
    pub const ISO_11992_4: Self = Self(0x03);
    /// SAE J2012-DA, DTC format 04.
    pub const SAE_J2012_DA_04: Self = Self(0x04);
}

/// The unit's answer to [`ReadDtcCountByStatusMask`].
#[derive(Clone, Copy, PartialEq, Eq, Debug)]
pub struct DtcCount {
    /// Bits that the unit's states have.
    pub available: FaultStatus,
    /// How its codes are made.
    pub format: DtcFormat,
    /// How many there are.
    pub count: u16,
}

impl Emit for DtcCount {
    fn write(&self, to: &mut Writer<'_>) {
        let (service, sub_function) = (ReadDtcCountByStatusMask::SERVICE, ReadDtcCountByStatusMask::SUB_FUNCTION);
        to.bytes(&[service.response().0, sub_function, self.available.bits(), self.format.0]);
        to.bytes(&self.count.to_be_bytes());
    }
}

/// Asks for the fault codes in one of these states: `19 02 mask`.
///
/// ```
/// use tickover_services::uds::{FaultStatus, ReadDtcByStatusMask};
///
/// let read = ReadDtcByStatusMask { mask: FaultStatus::from_bits_retain(0x84) };
/// let faults = read.faults(&[0x59, 0x02, 0x7F, 0x0A, 0x9B, 0x17, 0x24, 0x08, 0x05, 0x11, 0x2F])?;
/// assert!(faults.iter().map(|fault| fault.code.to_string()).eq(["P0A9B-17", "P0805-11"]));
/// # Ok::<(), tickover_services::ResponseError>(())
/// ```
#[derive(Clone, Copy, PartialEq, Eq, Debug)]
pub struct ReadDtcByStatusMask {
    /// Any of these.
    pub mask: FaultStatus,
}

impl ReadDtcByStatusMask {
    /// 19.
    pub const SERVICE: ServiceId = ServiceId::READ_DTC_INFORMATION;
    /// reportDTCByStatusMask.
    pub const SUB_FUNCTION: u8 = 0x02;

    /// Reads a request.
    ///
    /// # Errors
    /// Another service or sub-function, or not one mask.
    pub fn parse(message: &[u8]) -> Result<Self, LayoutError> {
        Ok(Self {
            mask: FaultStatus::from_bits_retain(layout::whole(2, parameters(message, Self::SUB_FUNCTION)?, byte)?),
        })
    }

    /// The fault codes in a response, `59 02 available {code status}..`.
    ///
    /// # Errors
    /// The unit refused, answered to something else, or the message ends inside a code.
    pub fn faults<'a>(&self, message: &'a [u8]) -> Result<DtcList<'a>, ResponseError> {
        DtcList::parse(message, Self::SUB_FUNCTION)
    }

    /// The unit's answer.
    pub const fn answer<'a>(self, available: FaultStatus, faults: &'a [DtcEntry]) -> DtcReport<'a> {
        DtcReport { sub_function: Self::SUB_FUNCTION, available, faults }
    }
}

impl Emit for ReadDtcByStatusMask {
    fn write(&self, to: &mut Writer<'_>) {
        to.bytes(&[Self::SERVICE.0, Self::SUB_FUNCTION, self.mask.bits()]);
    }
}

/// Asks for all fault codes that the unit can report, with their states: `19 0A`.
#[derive(Clone, Copy, PartialEq, Eq, Debug)]
pub struct ReadSupportedDtc;

impl ReadSupportedDtc {
    /// 19.
    pub const SERVICE: ServiceId = ServiceId::READ_DTC_INFORMATION;
    /// reportSupportedDTC.
    pub const SUB_FUNCTION: u8 = 0x0A;

    /// Reads a request.
    ///
    /// # Errors
    /// Another service or sub-function, or a parameter.
    pub fn parse(message: &[u8]) -> Result<Self, LayoutError> {
        layout::whole(2, parameters(message, Self::SUB_FUNCTION)?, success(Self))
    }

    /// The fault codes in a response, `59 0A available {code status}..`.
    ///
    /// # Errors
    /// The unit refused, answered to something else, or the message ends inside a code.
    pub fn faults<'a>(&self, message: &'a [u8]) -> Result<DtcList<'a>, ResponseError> {
        DtcList::parse(message, Self::SUB_FUNCTION)
    }

    /// The unit's answer.
    pub const fn answer<'a>(self, available: FaultStatus, faults: &'a [DtcEntry]) -> DtcReport<'a> {
        DtcReport { sub_function: Self::SUB_FUNCTION, available, faults }
    }
}

impl Emit for ReadSupportedDtc {
    fn write(&self, to: &mut Writer<'_>) {
        to.bytes(&[Self::SERVICE.0, Self::SUB_FUNCTION]);
    }
}

/// What stands after service and sub-function of a request. The answer to 19 is what it is for: none suppresses it.
pub(crate) fn parameters(message: &[u8], sub_function: u8) -> Result<&[u8], LayoutError> {
    match layout::parameters(message, ServiceId::READ_DTC_INFORMATION)? {
        [] => Err(LayoutError::Short { expected: 2, found: 1 }),
        [found, rest @ ..] if *found == sub_function => Ok(rest),
        [found, ..] => Err(LayoutError::Byte { offset: 1, expected: sub_function, found: *found }),
    }
}

/// Fault codes as they stand in a response, in the unit's order.
#[derive(Clone, Copy, PartialEq, Eq, Debug)]
pub struct DtcList<'a> {
    /// Bits that the unit's states have.
    pub available: FaultStatus,
    entries: &'a [[u8; ENTRY]],
}

impl<'a> DtcList<'a> {
    fn parse(message: &'a [u8], sub_function: u8) -> Result<Self, ResponseError> {
        let data = layout::response(message, ServiceId::READ_DTC_INFORMATION, &[sub_function])?;
        let (available, list) = layout::whole(2, data, (byte, rest))?;
        let (entries, cut) = list.as_chunks::<ENTRY>();
        if !cut.is_empty() {
            let found = message.len();
            return Err(LayoutError::Short { expected: found + ENTRY - cut.len(), found }.into());
        }
        Ok(Self { available: FaultStatus::from_bits_retain(available), entries })
    }

    /// How many.
    pub const fn len(&self) -> usize {
        self.entries.len()
    }

    /// Whether there is none.
    pub const fn is_empty(&self) -> bool {
        self.entries.is_empty()
    }

    /// One after the other.
    pub fn iter(&self) -> impl ExactSizeIterator<Item = DtcEntry> + FusedIterator + use<'a> {
        self.entries.iter().map(|[high, low, failure_type, status]| DtcEntry {
            code: FaultCode::from([*high, *low, *failure_type]),
            status: FaultStatus::from_bits_retain(*status),
        })
    }
}

/// The unit's answer with fault codes.
#[derive(Clone, Copy, PartialEq, Eq, Debug)]
pub struct DtcReport<'a> {
    sub_function: u8,
    available: FaultStatus,
    faults: &'a [DtcEntry],
}

impl Emit for DtcReport<'_> {
    fn write(&self, to: &mut Writer<'_>) {
        to.bytes(&[ServiceId::READ_DTC_INFORMATION.response().0, self.sub_function, self.available.bits()]);
        for DtcEntry { code, status } in self.faults {
            to.bytes(&code_bytes(*code));
            to.bytes(&[status.bits()]);
        }
    }
}

#[cfg(test)]
mod tests {
    use std::vec::Vec;

    use proptest::prelude::*;

    use super::*;

    const READ: ReadDtcByStatusMask = ReadDtcByStatusMask { mask: FaultStatus::all() };

    #[test]
    fn no_code_is_cut() {
        assert_eq!(READ.faults(&[0x59, 0x02, 0xFF]).map(|list| (list.len(), list.is_empty())), Ok((0, true)));
        assert_eq!(READ.faults(&[0x59, 0x02]), Err(LayoutError::Short { expected: 3, found: 2 }.into()));
        let cut = LayoutError::Short { expected: 7, found: 5 };
        assert_eq!(READ.faults(&[0x59, 0x02, 0xFF, 0x01, 0x02]), Err(cut.into()));
    }

    #[test]
    fn another_report_is_no_answer() {
        let other = LayoutError::Byte { offset: 1, expected: 0x02, found: 0x0A };
        assert_eq!(READ.faults(&[0x59, 0x0A, 0xFF]), Err(other.into()));
        assert_eq!(ReadDtcByStatusMask::parse(&[0x19, 0x0A]), Err(other));
        assert_eq!(ReadDtcByStatusMask::parse(&[0x19]), Err(LayoutError::Short { expected: 2, found: 1 }));
    }

    proptest! {
        #[test]
        fn lists_and_counts_are_read_back(
            faults in proptest::collection::vec((any::<[u8; 3]>(), any::<u8>()), 0..60),
            (available, format, count) in any::<(u8, u8, u16)>(),
        ) {
            let available = FaultStatus::from_bits_retain(available);
            let faults: Vec<_> = faults
                .into_iter()
                .map(|(code, status)| DtcEntry { code: FaultCode::from(code), status: FaultStatus::from_bits_retain(status) })
                .collect();
            let mut buffer = [0; 255];
            let list = READ.faults(READ.answer(available, &faults).emit(&mut buffer).unwrap()).unwrap();
            prop_assert_eq!(list.available, available);
            prop_assert!(list.iter().eq(faults.iter().copied()));
            let message = ReadSupportedDtc.answer(available, &faults).emit(&mut buffer).unwrap();
            prop_assert!(ReadSupportedDtc.faults(message).unwrap().iter().eq(faults.iter().copied()));
            let count = DtcCount { available, format: DtcFormat(format), count };
            let read = ReadDtcCountByStatusMask { mask: available };
            prop_assert_eq!(read.count(count.emit(&mut buffer).unwrap()), Ok(count));
        }

        #[test]
        fn requests_are_read_back(mask: u8) {
            let (mask, mut buffer) = (FaultStatus::from_bits_retain(mask), [0; 5]);
            let count = ReadDtcCountByStatusMask { mask };
            prop_assert_eq!(ReadDtcCountByStatusMask::parse(count.emit(&mut buffer).unwrap()), Ok(count));
            let read = ReadDtcByStatusMask { mask };
            prop_assert_eq!(ReadDtcByStatusMask::parse(read.emit(&mut buffer).unwrap()), Ok(read));
            prop_assert_eq!(ReadSupportedDtc::parse(ReadSupportedDtc.emit(&mut buffer).unwrap()), Ok(ReadSupportedDtc));
        }

        #[test]
        fn no_bytes_make_it_panic(message: Vec<u8>) {
            let _ = READ.faults(&message).map(|list| list.iter().len());
            let _ = ReadSupportedDtc.faults(&message).map(|list| list.iter().len());
            let _ = ReadDtcCountByStatusMask { mask: FaultStatus::all() }.count(&message);
        }
    }
}
