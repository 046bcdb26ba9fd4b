//! The negative response: `7F service code` (ISO 14230-3 4.1.2.3).

use core::fmt;

use crate::layout::{Emit, LayoutError, Writer};
use crate::{ResponseCode, ServiceId};

/// A unit's refusal of one request: which service, and why.
///
/// ```
/// use tickover_services::{NegativeResponse, ResponseCode, ServiceId};
///
/// let refused = NegativeResponse::parse(&[0x7F, 0x21, 0x31]).unwrap();
/// assert_eq!(refused.to_string(), "service 21 ReadDataByLocalIdentifier refused: 31 request out of range");
/// assert!(!refused.is_pending() && !refused.is_busy());
/// ```
#[derive(Clone, Copy, PartialEq, Eq, Hash, Debug)]
pub struct NegativeResponse {
    /// The service of the request.
    pub service: ServiceId,
    /// Why.
    pub code: ResponseCode,
}

impl NegativeResponse {
    /// Whether a message is a negative response, well formed or not.
    pub fn is(message: &[u8]) -> bool {
        message.first() == Some(&ServiceId::NEGATIVE_RESPONSE.0)
    }

    /// Reads a whole message.
    ///
    /// # Errors
    /// [`Byte`](LayoutError::Byte) if it is no negative response; [`Short`](LayoutError::Short) or
    /// [`Long`](LayoutError::Long) if it has not three bytes.
    pub fn parse(message: &[u8]) -> Result<Self, LayoutError> {
        match *message {
            [0x7F, service, code] => Ok(Self { service: ServiceId(service), code: ResponseCode(code) }),
            [0x7F, _, _, ..] => Err(LayoutError::Long { expected: 3, found: message.len() }),
            [0x7F, ..] | [] => Err(LayoutError::Short { expected: 3, found: message.len() }),
            [found, ..] => Err(LayoutError::Byte { offset: 0, expected: ServiceId::NEGATIVE_RESPONSE.0, found }),
        }
    }

    /// Whether the final answer is still to come without another request: code 78.
    pub const fn is_pending(self) -> bool {
        self.code.is_pending()
    }

    /// Whether the same request, sent again later, may bring the answer: codes 21 and 23.
    pub const fn is_busy(self) -> bool {
        self.code.is_busy()
    }
}

impl Emit for NegativeResponse {
    fn write(&self, to: &mut Writer<'_>) {
        to.bytes(&[ServiceId::NEGATIVE_RESPONSE.0, self.service.0, self.code.0]);
    }
}

impl fmt::Display for NegativeResponse {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        write!(f, "service {} refused: {}", self.service, self.code)
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    /// SSF 14230-2 issue 1 5.2.2: StopCommunication refused with general reject.
    #[test]
    fn a_refusal_names_service_and_code_and_emits_back() {
        let bytes = [0x7F, 0x82, 0x10];
        let refused = NegativeResponse::parse(&bytes).unwrap();
        assert_eq!((refused.service, refused.code), (ServiceId::STOP_COMMUNICATION, ResponseCode::GENERAL_REJECT));
        assert_eq!(refused.emit(&mut [0; 3]).unwrap(), bytes);
    }

    /// SSF 14230-3 issue 2 10.2.5.2: 78 is the positive response of 38; table 4.4.26: as a code it means pending.
    #[test]
    fn a_positive_response_78_is_no_pending() {
        let error = NegativeResponse::parse(&[0x78, 0x60, 0x47, 0x20]).unwrap_err();
        assert_eq!(error, LayoutError::Byte { offset: 0, expected: 0x7F, found: 0x78 });
        assert!(NegativeResponse::parse(&[0x7F, 0x38, 0x78]).unwrap().is_pending());
    }

    #[test]
    fn only_three_bytes_make_a_refusal() {
        assert_eq!(NegativeResponse::parse(&[]), Err(LayoutError::Short { expected: 3, found: 0 }));
        assert_eq!(NegativeResponse::parse(&[0x7F, 0x21]), Err(LayoutError::Short { expected: 3, found: 2 }));
        assert_eq!(NegativeResponse::parse(&[0x7F, 1, 0x12, 0]), Err(LayoutError::Long { expected: 3, found: 4 }));
    }
}
