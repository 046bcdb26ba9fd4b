//! Reading by identifier: 21 and 22 (SSF 14230-3 7.1 and 7.2).

use nom::Parser;
use nom::number::streaming::{be_u16, u8 as byte};

use crate::ServiceId;
use crate::layout::{self, Emit, LayoutError, ResponseError, Writer};

/// Names a record of one unit (SSF 14230-3 table 7.1.3): 02 to EF fixed, F0 to F9 defined by the tester.
#[derive(Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash, Debug)]
pub struct LocalIdentifier(pub u8);

impl LocalIdentifier {
    /// Whether the tester defines what the record holds, by DynamicallyDefineLocalIdentifier.
    pub const fn is_dynamic(self) -> bool {
        matches!(self.0, 0xF0..=0xF9)
    }
}

/// Names a record in all units of a vehicle (SSF 14230-3 table 7.2.3).
#[derive(Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash, Debug)]
pub struct CommonIdentifier(pub u16);

/// Asks for a record by local identifier, once: `21 id`.
///
/// ```
/// use tickover_services::Emit;
/// use tickover_services::kwp::{LocalIdentifier, ReadDataByLocalIdentifier};
///
/// let read = ReadDataByLocalIdentifier { id: LocalIdentifier(0x0A) };
/// assert_eq!(read.emit(&mut [0; 8]).unwrap(), [0x21, 0x0A]);
/// assert_eq!(read.data(&[0x61, 0x0A, 0x8C, 0xA6, 0x66, 0xA0])?, [0x8C, 0xA6, 0x66, 0xA0]);
/// # Ok::<(), tickover_services::ResponseError>(())
/// ```
#[derive(Clone, Copy, PartialEq, Eq, Debug)]
pub struct ReadDataByLocalIdentifier {
    /// Which record.
    pub id: LocalIdentifier,
}

impl ReadDataByLocalIdentifier {
    /// 21.
    pub const SERVICE: ServiceId = ServiceId::READ_DATA_BY_LOCAL_IDENTIFIER;

    /// Reads a request for one answer. A transmission mode is taken if it says "once" (01).
    ///
    /// # Errors
    /// Another service, no identifier, a transmission mode that asks for repetition, or more than that.
    pub fn parse(message: &[u8]) -> Result<Self, LayoutError> {
        let parameters = match layout::parameters(message, Self::SERVICE)? {
            [id, 0x01] => core::slice::from_ref(id),
            [_, found] => return Err(LayoutError::Value { offset: 2, found: *found }),
            parameters => parameters,
        };
        layout::whole(1, parameters, byte.map(|id| Self { id: LocalIdentifier(id) }))
    }

    /// The record in a response: what stands after `61 id`.
    ///
    /// # Errors
    /// The unit refused, or answered to something else.
    pub fn data<'a>(&self, message: &'a [u8]) -> Result<&'a [u8], ResponseError> {
        layout::response(message, Self::SERVICE, &[self.id.0])
    }
}

impl Emit for ReadDataByLocalIdentifier {
    fn write(&self, to: &mut Writer<'_>) {
        to.bytes(&[Self::SERVICE.0, self.id.0]);
    }
}

/// Asks for a record by common identifier, once: `22 high low`.
#[derive(Clone, Copy, PartialEq, Eq, Debug)]
pub struct ReadDataByCommonIdentifier {
    /// Which record.
    pub id: CommonIdentifier,
}

impl ReadDataByCommonIdentifier {
    /// 22.
    pub const SERVICE: ServiceId = ServiceId::READ_DATA_BY_COMMON_IDENTIFIER;

    /// Reads a request for one answer.
    ///
    /// # Errors
    /// Another service, no whole identifier, or more than one.
    pub fn parse(message: &[u8]) -> Result<Self, LayoutError> {
        let parameters = layout::parameters(message, Self::SERVICE)?;
        layout::whole(1, parameters, be_u16.map(|id| Self { id: CommonIdentifier(id) }))
    }

    /// The record in a response: what stands after `62 high low`.
    ///
    /// # Errors
    /// The unit refused, or answered to something else.
    pub fn data<'a>(&self, message: &'a [u8]) -> Result<&'a [u8], ResponseError> {
        layout::response(message, Self::SERVICE, &self.id.0.to_be_bytes())
    }
}

impl Emit for ReadDataByCommonIdentifier {
    fn write(&self, to: &mut Writer<'_>) {
        to.bytes(&[Self::SERVICE.0]);
        to.bytes(&self.id.0.to_be_bytes());
    }
}

#[cfg(test)]
mod tests {
    use proptest::prelude::*;

    use super::*;
    use crate::kwp::PositiveResponse;

    /// ISO 14230-3, from memory: transmission mode 04 is fast repetition.
    #[test]
    fn a_read_that_asks_for_repetition_is_not_read_as_one() {
        let id = LocalIdentifier(0x0A);
        assert_eq!(ReadDataByLocalIdentifier::parse(&[0x21, 0x0A, 0x01]), Ok(ReadDataByLocalIdentifier { id }));
        assert_eq!(
            ReadDataByLocalIdentifier::parse(&[0x21, 0x0A, 0x04]),
            Err(LayoutError::Value { offset: 2, found: 0x04 })
        );
    }

    /// SSF 14230-3 issue 2 table 7.1.3.
    #[test]
    fn ten_local_identifiers_are_the_testers() {
        assert!((0..=0xFF).filter(|id| LocalIdentifier(*id).is_dynamic()).eq(0xF0..=0xF9));
    }

    proptest! {
        #[test]
        fn reads_and_their_answers_are_read_back(id: u16, data in proptest::collection::vec(any::<u8>(), 0..64)) {
            let (mut asked, mut answered) = ([0; 3], [0; 80]);
            let by_common = ReadDataByCommonIdentifier { id: CommonIdentifier(id) };
            let request = by_common.emit(&mut asked).unwrap();
            prop_assert_eq!(ReadDataByCommonIdentifier::parse(request), Ok(by_common));
            let answer = PositiveResponse::to(request, &data).unwrap().emit(&mut answered).unwrap();
            prop_assert_eq!(by_common.data(answer), Ok(&data[..]));

            let by_local = ReadDataByLocalIdentifier { id: LocalIdentifier(id as u8) };
            let request = by_local.emit(&mut asked).unwrap();
            prop_assert_eq!(ReadDataByLocalIdentifier::parse(request), Ok(by_local));
            let answer = PositiveResponse::to(request, &data).unwrap().emit(&mut answered).unwrap();
            prop_assert_eq!(by_local.data(answer), Ok(&data[..]));
        }
    }
}
