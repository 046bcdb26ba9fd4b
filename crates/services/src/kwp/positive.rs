//! The positive response to any request of ISO 14230.

use crate::ServiceId;
use crate::layout::{self, Emit, LayoutError, ResponseError, Writer};

/// A positive response: service + 40, the parameters that it repeats from the request, then data.
///
/// ```
/// use tickover_services::kwp::PositiveResponse;
///
/// let request = [0x22, 0x00, 0x10];
/// let response = PositiveResponse::parse(&request, &[0x62, 0x00, 0x10, 0x8A])?;
/// assert_eq!((response.repeated, response.data), (&[0x00, 0x10][..], &[0x8A][..]));
/// # Ok::<(), tickover_services::ResponseError>(())
/// ```
#[derive(Clone, Copy, PartialEq, Eq, Debug)]
pub struct PositiveResponse<'a> {
    /// Of the request.
    pub service: ServiceId,
    /// Parameters of the request that come back.
    pub repeated: &'a [u8],
    /// What is new: 0 to 254 bytes.
    pub data: &'a [u8],
}

impl<'a> PositiveResponse<'a> {
    /// What a unit answers to `request`; `None` if there is no request, or one whose parameters are incomplete.
    pub fn to(request: &'a [u8], data: &'a [u8]) -> Option<Self> {
        Some(Self { service: ServiceId(*request.first()?), repeated: repeated(request)?, data })
    }

    /// Checks a message against the request that it should answer. Of a service without a known layout nothing is
    /// taken as repeated.
    ///
    /// # Errors
    /// [`Refused`](ResponseError::Refused) if the unit said no, [`Layout`](ResponseError::Layout) if the message
    /// belongs to another service or repeats other parameters, or if `request` itself is incomplete.
    pub fn parse(request: &[u8], message: &'a [u8]) -> Result<Self, ResponseError> {
        let incomplete = LayoutError::Short { expected: request.len() + 1, found: request.len() };
        let service = ServiceId(*request.first().ok_or(incomplete)?);
        let repeated = repeated(request).ok_or(incomplete)?;
        let data = layout::response(message, service, repeated)?;
        let repeated = message.get(1..1 + repeated.len()).unwrap_or_default();
        Ok(Self { service, repeated, data })
    }
}

impl Emit for PositiveResponse<'_> {
    fn write(&self, to: &mut Writer<'_>) {
        to.bytes(&[self.service.response().0]);
        to.bytes(self.repeated);
        to.bytes(self.data);
    }
}

/// The parameters of a request that its positive response repeats first; `None` if the request has not that many.
pub fn repeated(request: &[u8]) -> Option<&[u8]> {
    let (service, parameters) = request.split_first()?;
    let count = REPEATED.iter().find(|(id, _)| id == service).map_or(0, |(_, count)| *count);
    parameters.get(..count)
}

/// Service and number of bytes. Services that are not here repeat nothing.
/// Clauses of SSF 14230-3 issue 2 (2000-02-01).
const REPEATED: &[(u8, usize)] = &[
    (0x10, 1), // mode, 6.1
    (0x12, 1), // frame number, 8.4
    (0x14, 2), // group, 8.5
    (0x1A, 1), // option, 6.6
    (0x21, 1), // local identifier, 7.1
    (0x22, 2), // common identifier, 7.2
    (0x27, 1), // access mode, 6.3
    (0x2C, 1), // dynamic identifier, 7.4
    (0x2E, 2), // common identifier, 7.6
    (0x2F, 3), // common identifier and control parameter, 9.2
    (0x30, 2), // local identifier and control parameter, 9.1
    (0x31, 1), // routine, 10.1
    (0x32, 1), // routine, 10.3
    (0x33, 1), // routine, 10.5
    (0x38, 3), // address, 10.2
    (0x39, 3), // address, 10.4
    (0x3A, 3), // address, 10.6
    (0x3B, 1), // local identifier, 7.5
    (0x3D, 3), // address, 7.7
    (0x83, 1), // timing parameter identifier, SSF 14230-2 issue 1 5.3.2
];

#[cfg(test)]
mod tests {
    use proptest::prelude::*;

    use super::*;
    use crate::{NegativeResponse, ResponseCode};

    #[test]
    fn another_identifier_than_asked_for_is_no_answer() {
        assert_eq!(
            PositiveResponse::parse(&[0x21, 0x01], &[0x61, 0x02, 0xFF]),
            Err(ResponseError::Layout(LayoutError::Byte { offset: 1, expected: 0x01, found: 0x02 }))
        );
    }

    #[test]
    fn a_refusal_of_another_service_is_no_answer() {
        assert_eq!(
            PositiveResponse::parse(&[0x21, 0x01], &[0x7F, 0x22, 0x31]),
            Err(ResponseError::Layout(LayoutError::Byte { offset: 1, expected: 0x21, found: 0x22 }))
        );
    }

    #[test]
    fn a_refusal_is_told_from_a_garbled_answer() {
        let refusal = NegativeResponse { service: ServiceId(0x21), code: ResponseCode::RESPONSE_PENDING };
        assert_eq!(PositiveResponse::parse(&[0x21, 0x01], &[0x7F, 0x21, 0x78]), Err(ResponseError::Refused(refusal)));
    }

    #[test]
    fn an_answer_that_ends_inside_the_repeated_parameters_is_too_short() {
        assert_eq!(
            PositiveResponse::parse(&[0x22, 0x00, 0x10], &[0x62, 0x00]),
            Err(ResponseError::Layout(LayoutError::Short { expected: 3, found: 2 }))
        );
        assert_eq!(PositiveResponse::to(&[0x22, 0x00], &[]), None);
    }

    proptest! {
        #[test]
        fn what_a_unit_answers_the_tester_reads(
            request in proptest::collection::vec(any::<u8>(), 1..12),
            data in proptest::collection::vec(any::<u8>(), 0..64),
        ) {
            // Bit 6 marks responses: such a byte begins no request.
            prop_assume!(request[0] & ServiceId::RESPONSE == 0 && request[0] != 0x3F);
            let mut buffer = [0; 80];
            if let Some(answer) = PositiveResponse::to(&request, &data) {
                let message = answer.emit(&mut buffer).unwrap();
                prop_assert_eq!(PositiveResponse::parse(&request, message), Ok(answer));
            }
        }

        #[test]
        fn no_bytes_make_it_panic(request: std::vec::Vec<u8>, message: std::vec::Vec<u8>) {
            let _ = PositiveResponse::parse(&request, &message);
        }
    }
}
