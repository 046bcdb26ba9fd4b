//! The positive response to any request of ISO 14229-1 or SAE J1979.

use super::sub_function::{self, has_sub_function};
use crate::ServiceId;
use crate::layout::{self, LayoutError, ResponseError};

/// A positive response: service + 40, the parameters that it repeats from the request, then data.
///
/// ```
/// use tickover_services::uds::PositiveResponse;
///
/// let request = [0x31, 0x83, 0xFF, 0x01];
/// let response = PositiveResponse::parse(&request, &[0x71, 0x03, 0xFF, 0x01, 0x00])?;
/// assert_eq!((response.repeated, response.data), (&[0x03, 0xFF, 0x01][..], &[0x00][..]));
/// # Ok::<(), tickover_services::ResponseError>(())
/// ```
#[derive(Clone, Copy, PartialEq, Eq, Debug)]
pub struct PositiveResponse<'a> {
    /// Of the request.
    pub service: ServiceId,
    /// Parameters of the request that come back, a sub-function without its suppress bit.
    pub repeated: &'a [u8],
    /// What is new. Of several identifiers all but the first, and their data, are.
    pub data: &'a [u8],
}

impl<'a> PositiveResponse<'a> {
    /// Checks a message against the request that it should answer. Of a service without a known layout nothing is
    /// taken as repeated.
    ///
    /// # Errors
    /// [`Refused`](ResponseError::Refused) if the unit said no, [`Layout`](ResponseError::Layout) if the message
    /// belongs to another service or repeats other parameters, or if `request` itself is incomplete.
    pub fn parse(request: &[u8], message: &'a [u8]) -> Result<Self, ResponseError> {
        let incomplete = LayoutError::Short { expected: request.len() + 1, found: request.len() };
        let (service, parameters) = request.split_first().ok_or(incomplete)?;
        let expected = parameters.get(..repeated(request)).ok_or(incomplete)?;
        let (head, rest) = expected.split_at_checked(1).unwrap_or_default();
        let head = head.first().map(|byte| if has_sub_function(*service) { sub_function::value(*byte) } else { *byte });
        let service = ServiceId(*service);
        let data = layout::response(message, service, head.as_slice())?;
        let data = layout::repeated(message, data, 1 + head.as_slice().len(), rest)?;
        Ok(Self { service, repeated: message.get(1..=expected.len()).unwrap_or_default(), data })
    }
}

/// How many parameters of a request its positive response repeats first.
fn repeated(request: &[u8]) -> usize {
    match *request {
        // Two bytes of identifier, if there is one: 03 can clear all.
        [0x2C, _] => 1,
        // The format and what it says: so many bytes of address and of size.
        [0x3D, format, ..] => 1 + usize::from(format >> 4) + usize::from(format & 0x0F),
        [service, ..] => REPEATED.iter().find(|(known, _)| *known == service).map_or(0, |(_, count)| *count),
        [] => 0,
    }
}

/// Service and number of bytes; services that are not here repeat nothing. Notes on ISO 14229-1:2013 and :2020; 24, 36
/// from memory; SAE J1979 as published tables and tutorials give it.
#[rustfmt::skip]
const REPEATED: &[(u8, usize)] = &[
    (0x01, 1), (0x02, 2), (0x05, 2), (0x06, 1), (0x08, 1), (0x09, 1), // SAE J1979: identifier, test
    (0x10, 1), // session
    (0x11, 1), // kind of reset
    (0x19, 1), // kind of report
    (0x22, 2), // first identifier
    (0x24, 2), // identifier
    (0x27, 1), // level
    (0x28, 1), // control
    (0x2C, 3), // kind of definition, identifier
    (0x2E, 2), // identifier
    (0x2F, 3), // identifier, control
    (0x31, 3), // action, routine
    (0x36, 1), // counter of blocks
    (0x3E, 1), // 00
    (0x83, 1), // kind of access
    (0x85, 1), // setting
];

#[cfg(test)]
mod tests {
    use std::vec::Vec;

    use proptest::prelude::*;

    use super::*;

    #[test]
    fn a_sub_function_comes_back_without_its_suppress_bit() {
        let found = PositiveResponse::parse(&[0x10, 0x83], &[0x50, 0x03, 0, 0x32, 0x01, 0xF4]).unwrap();
        assert_eq!((found.repeated, found.data), (&[0x03][..], &[0, 0x32, 0x01, 0xF4][..]));
        let bit = LayoutError::Byte { offset: 1, expected: 0x03, found: 0x83 };
        assert_eq!(PositiveResponse::parse(&[0x10, 0x83], &[0x50, 0x83]), Err(bit.into()));
    }

    #[test]
    fn the_second_byte_of_an_identifier_counts_too() {
        let other = LayoutError::Byte { offset: 2, expected: 0x90, found: 0x91 };
        assert_eq!(PositiveResponse::parse(&[0x22, 0xF1, 0x90], &[0x62, 0xF1, 0x91]), Err(other.into()));
        let cut = LayoutError::Short { expected: 3, found: 2 };
        assert_eq!(PositiveResponse::parse(&[0x22, 0xF1, 0x90], &[0x62, 0xF1]), Err(cut.into()));
        let incomplete = LayoutError::Short { expected: 3, found: 2 };
        assert_eq!(PositiveResponse::parse(&[0x22, 0xF1], &[0x62, 0xF1, 0x90]), Err(incomplete.into()));
    }

    #[test]
    fn clearing_all_definitions_repeats_no_identifier() {
        assert!(PositiveResponse::parse(&[0x2C, 0x03], &[0x6C, 0x03]).is_ok());
        assert!(PositiveResponse::parse(&[0x2C, 0x03, 0xF3, 0x01], &[0x6C, 0x03]).is_err());
    }

    proptest! {
        #[test]
        fn no_bytes_make_it_panic(request: Vec<u8>, message: Vec<u8>) {
            let _ = PositiveResponse::parse(&request, &message);
        }
    }
}
