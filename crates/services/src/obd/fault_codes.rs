//! Fault codes: 03, 07 and 0A; clearing them: 04.

use core::iter::FusedIterator;

use nom::bytes::streaming::take;
use nom::combinator::{rest, success};
use nom::number::streaming::u8 as byte;

use crate::layout::{self, Emit, LayoutError, ResponseError, Writer};
use crate::{FaultCode, ServiceId};

/// Which fault codes.
#[derive(Clone, Copy, PartialEq, Eq, Hash, Debug)]
pub enum FaultMemory {
    /// Confirmed ones: the lamp may be on (03).
    Confirmed,
    /// Seen in this driving cycle or the one before, not yet confirmed (07).
    Pending,
    /// Those that clearing does not erase: the unit drops them itself when its tests pass (0A; not on the K-line).
    Permanent,
}

/// Asks for fault codes: `03`, `07` or `0A`.
///
/// ```
/// use tickover_services::obd::{FaultMemory, ReadFaultCodes};
///
/// let read = ReadFaultCodes { memory: FaultMemory::Confirmed };
/// let on_can = read.codes_on_can(&[0x43, 0x01, 0x01, 0x43])?;
/// assert!(on_can.iter().map(|code| code.to_string()).eq(["P0143"]));
/// let on_k_line = read.codes_on_k_line(&[0x43, 0x01, 0x43, 0x00, 0x00, 0x00, 0x00])?;
/// assert!(on_k_line.iter().eq(on_can.iter()));
/// # Ok::<(), tickover_services::ResponseError>(())
/// ```
#[derive(Clone, Copy, PartialEq, Eq, Debug)]
pub struct ReadFaultCodes {
    /// Which.
    pub memory: FaultMemory,
}

impl ReadFaultCodes {
    /// 03, 07 or 0A.
    pub const fn service(self) -> ServiceId {
        match self.memory {
            FaultMemory::Confirmed => ServiceId::EMISSION_DTC,
            FaultMemory::Pending => ServiceId::PENDING_EMISSION_DTC,
            FaultMemory::Permanent => ServiceId::PERMANENT_EMISSION_DTC,
        }
    }

    /// Reads a request.
    ///
    /// # Errors
    /// Another service, or a parameter.
    pub fn parse(message: &[u8]) -> Result<Self, LayoutError> {
        let found = message.first().copied().ok_or(LayoutError::Short { expected: 1, found: 0 })?;
        let memory = match ServiceId(found) {
            ServiceId::EMISSION_DTC => FaultMemory::Confirmed,
            ServiceId::PENDING_EMISSION_DTC => FaultMemory::Pending,
            ServiceId::PERMANENT_EMISSION_DTC => FaultMemory::Permanent,
            _ => return Err(LayoutError::Value { offset: 0, found }),
        };
        let read = Self { memory };
        layout::whole(1, layout::parameters(message, read.service())?, success(read))
    }

    /// The codes in a response on CAN: `43 count code..` (count: a tutorial that quotes ISO 15031-5; 47 and 4A from
    /// memory).
    ///
    /// # Errors
    /// The unit refused, answered to something else, or sent more or fewer codes than it counted.
    pub fn codes_on_can<'a>(&self, message: &'a [u8]) -> Result<FaultCodes<'a>, ResponseError> {
        let (count, list) = layout::whole(1, layout::response(message, self.service(), &[])?, (byte, rest))?;
        let codes = layout::whole(2, list, take(usize::from(count) * 2))?;
        Ok(FaultCodes { codes: codes.as_chunks().0 })
    }

    /// The codes in a response on the K-line: `43` and three codes, 0000 where there is none. More codes come in more
    /// messages; [`Segments`](crate::kwp::Segments) puts them together to one (SAE J1979: an encyclopaedia's table).
    ///
    /// # Errors
    /// The unit refused, answered to something else, or not with three codes a message.
    pub fn codes_on_k_line<'a>(&self, message: &'a [u8]) -> Result<FaultCodes<'a>, ResponseError> {
        let codes = layout::response(message, self.service(), &[])?;
        let messages = codes.len().div_ceil(K_LINE_CODES * 2).max(1);
        let codes = layout::whole(1, codes, take(messages * K_LINE_CODES * 2))?;
        Ok(FaultCodes { codes: codes.as_chunks().0 })
    }
}

/// Codes in one message on the K-line.
const K_LINE_CODES: usize = 3;

impl Emit for ReadFaultCodes {
    fn write(&self, to: &mut Writer<'_>) {
        to.bytes(&[self.service().0]);
    }
}

/// Fault codes as they stand in a response, in the unit's order.
#[derive(Clone, Copy, PartialEq, Eq, Debug)]
pub struct FaultCodes<'a> {
    codes: &'a [[u8; 2]],
}

impl<'a> FaultCodes<'a> {
    /// One after the other; 0000 is none.
    pub fn iter(&self) -> impl FusedIterator<Item = FaultCode> + Clone + use<'a> {
        self.codes.iter().filter(|code| **code != [0, 0]).map(|code| FaultCode::from(*code))
    }
}

/// The unit's answer to [`ReadFaultCodes`].
#[derive(Clone, Copy, PartialEq, Eq, Debug)]
pub struct FaultReport<'a> {
    service: ServiceId,
    count: Option<u8>,
    codes: &'a [FaultCode],
}

impl<'a> FaultReport<'a> {
    /// On CAN, one message. `None` for more than the 255 codes that can be counted.
    pub fn on_can(read: ReadFaultCodes, codes: &'a [FaultCode]) -> Option<Self> {
        Some(Self { service: read.service(), count: Some(u8::try_from(codes.len()).ok()?), codes })
    }

    /// On the K-line: three codes a message, and one message where there is no code.
    pub fn on_k_line(read: ReadFaultCodes, codes: &'a [FaultCode]) -> impl Iterator<Item = Self> + use<'a> {
        let message = move |codes| Self { service: read.service(), count: None, codes };
        let none = codes.is_empty().then(|| message(&[]));
        none.into_iter().chain(codes.chunks(K_LINE_CODES).map(message))
    }
}

impl Emit for FaultReport<'_> {
    fn write(&self, to: &mut Writer<'_>) {
        to.bytes(&[self.service.response().0]);
        if let Some(count) = self.count {
            to.bytes(&[count]);
        }
        self.codes.iter().for_each(|code| to.bytes(&code.code.to_be_bytes()));
        if self.count.is_none() {
            (self.codes.len()..K_LINE_CODES).for_each(|_| to.bytes(&[0, 0]));
        }
    }
}

/// Asks the units to forget fault codes, freeze frames, test results and readiness: `04`.
///
/// Afterwards the monitors must run again, which takes a drive of their own kind.
#[derive(Clone, Copy, PartialEq, Eq, Debug)]
pub struct ClearFaultCodes;

impl ClearFaultCodes {
    /// 04.
    pub const SERVICE: ServiceId = ServiceId::CLEAR_EMISSION_DTC;

    /// Reads a request.
    ///
    /// # Errors
    /// Another service, or a parameter.
    pub fn parse(message: &[u8]) -> Result<Self, LayoutError> {
        layout::whole(1, layout::parameters(message, Self::SERVICE)?, success(Self))
    }

    /// Checks the response, which has nothing after its service identifier.
    ///
    /// # Errors
    /// The unit refused, with 22 where its engine runs, or answered to something else.
    pub fn check(&self, message: &[u8]) -> Result<(), ResponseError> {
        Ok(layout::whole(1, layout::response(message, Self::SERVICE, &[])?, success(()))?)
    }
}

impl Emit for ClearFaultCodes {
    fn write(&self, to: &mut Writer<'_>) {
        to.bytes(&[Self::SERVICE.0]);
    }
}

#[cfg(test)]
mod tests {
    use std::vec::Vec;

    use proptest::prelude::*;

    use super::*;
    use crate::kwp::Segments;

    const READ: ReadFaultCodes = ReadFaultCodes { memory: FaultMemory::Confirmed };

    fn any_memory() -> impl Strategy<Value = FaultMemory> {
        prop_oneof![Just(FaultMemory::Confirmed), Just(FaultMemory::Pending), Just(FaultMemory::Permanent)]
    }

    #[test]
    fn on_can_count_and_codes_must_agree() {
        assert_eq!(READ.codes_on_can(&[0x43, 0x00]).map(|codes| codes.iter().count()), Ok(0));
        assert_eq!(READ.codes_on_can(&[0x43]), Err(LayoutError::Short { expected: 2, found: 1 }.into()));
        assert_eq!(READ.codes_on_can(&[0x43, 1, 1]), Err(LayoutError::Short { expected: 4, found: 3 }.into()));
        assert_eq!(READ.codes_on_can(&[0x43, 0, 1]), Err(LayoutError::Long { expected: 2, found: 3 }.into()));
    }

    #[test]
    fn on_the_k_line_three_codes_fill_a_message() {
        let none = [0x43, 0, 0, 0, 0, 0, 0];
        assert_eq!(READ.codes_on_k_line(&none).map(|codes| codes.iter().count()), Ok(0));
        assert_eq!(READ.codes_on_k_line(&none[..5]), Err(LayoutError::Short { expected: 7, found: 5 }.into()));
        assert_eq!(READ.codes_on_k_line(&none[..1]), Err(LayoutError::Short { expected: 7, found: 1 }.into()));
        let on_can = [0x43, 0x03, 1, 1, 1, 2, 1, 3];
        assert_eq!(READ.codes_on_k_line(&on_can), Err(LayoutError::Short { expected: 13, found: 8 }.into()));
    }

    #[test]
    fn another_memory_is_no_answer() {
        assert_eq!(
            READ.codes_on_can(&[0x47, 0x00]),
            Err(LayoutError::Byte { offset: 0, expected: 0x43, found: 0x47 }.into())
        );
        assert_eq!(ReadFaultCodes::parse(&[0x04]), Err(LayoutError::Value { offset: 0, found: 0x04 }));
    }

    #[test]
    fn clearing_stands_alone() {
        assert_eq!(ClearFaultCodes::parse(ClearFaultCodes.emit(&mut [0; 1]).unwrap()), Ok(ClearFaultCodes));
        assert_eq!(ClearFaultCodes::parse(&[0x04, 0x00]), Err(LayoutError::Long { expected: 1, found: 2 }));
        assert_eq!(ClearFaultCodes.check(&[0x44]), Ok(()));
        assert!(matches!(ClearFaultCodes.check(&[0x7F, 0x04, 0x22]), Err(ResponseError::Refused(_))));
    }

    proptest! {
        #[test]
        fn requests_and_answers_are_read_back(memory in any_memory(), codes in proptest::collection::vec(1..u16::MAX, 0..40)) {
            let read = ReadFaultCodes { memory };
            let codes: Vec<_> = codes.into_iter().map(|code| FaultCode { code, failure_type: None }).collect();
            let (mut buffer, mut joined) = ([0; 100], [0; 100]);
            prop_assert_eq!(ReadFaultCodes::parse(read.emit(&mut buffer).unwrap()), Ok(read));
            let message = FaultReport::on_can(read, &codes).unwrap().emit(&mut buffer).unwrap();
            prop_assert!(read.codes_on_can(message).unwrap().iter().eq(codes.iter().copied()));
            let mut answer = Segments::new(read.service(), &mut joined);
            for message in FaultReport::on_k_line(read, &codes) {
                let message = message.emit(&mut buffer).unwrap();
                prop_assert_eq!(message.len(), 7);
                answer.push(message).unwrap();
            }
            prop_assert!(read.codes_on_k_line(answer.message()).unwrap().iter().eq(codes.iter().copied()));
        }

        #[test]
        fn no_bytes_make_it_panic(memory in any_memory(), message: Vec<u8>) {
            let read = ReadFaultCodes { memory };
            let _ = read.codes_on_can(&message).map(|codes| codes.iter().count());
            let _ = read.codes_on_k_line(&message).map(|codes| codes.iter().count());
            let _ = ReadFaultCodes::parse(&message);
        }
    }
}
