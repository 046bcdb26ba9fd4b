//! Keep-alive: 3E (SSF 14230-3 6.4).

use nom::combinator::success;

use crate::ServiceId;
use crate::layout::{self, Emit, LayoutError, ResponseError, Writer};

/// Keeps the unit listening: `3E`, in ISO 14230-3 also with a wish about the answer.
///
/// ```
/// use tickover_services::Emit;
/// use tickover_services::kwp::TesterPresent;
///
/// assert_eq!(TesterPresent::Answered.emit(&mut [0; 2])?, [0x3E]);
/// # Ok::<(), tickover_services::BufferTooSmall>(())
/// ```
#[derive(Clone, Copy, PartialEq, Eq, Hash, Debug)]
pub enum TesterPresent {
    /// `3E`: always answered (SSF 14230-3 6.4, ISO 14230-4 5.3).
    Answered,
    /// `3E 01`: answered (ISO 14230-3, from memory).
    AnswerWanted,
    /// `3E 02`: not answered (ISO 14230-3, from memory).
    NoAnswer,
}

impl TesterPresent {
    /// 3E.
    pub const SERVICE: ServiceId = ServiceId::TESTER_PRESENT;

    /// Reads a request.
    ///
    /// # Errors
    /// Another service, another wish than 01 or 02, or more than one parameter.
    pub fn parse(message: &[u8]) -> Result<Self, LayoutError> {
        match *layout::parameters(message, Self::SERVICE)? {
            [] => Ok(Self::Answered),
            [0x01] => Ok(Self::AnswerWanted),
            [0x02] => Ok(Self::NoAnswer),
            [found] => Err(LayoutError::Value { offset: 1, found }),
            _ => Err(LayoutError::Long { expected: 2, found: message.len() }),
        }
    }

    /// Whether the unit answers.
    pub const fn is_answered(self) -> bool {
        !matches!(self, Self::NoAnswer)
    }

    /// Checks the response, which has nothing after its service identifier.
    ///
    /// # Errors
    /// The unit refused, or answered to something else.
    pub fn check(&self, message: &[u8]) -> Result<(), ResponseError> {
        Ok(layout::whole(1, layout::response(message, Self::SERVICE, &[])?, success(()))?)
    }
}

impl Emit for TesterPresent {
    fn write(&self, to: &mut Writer<'_>) {
        to.bytes(&[Self::SERVICE.0]);
        match self {
            Self::Answered => {}
            Self::AnswerWanted => to.bytes(&[0x01]),
            Self::NoAnswer => to.bytes(&[0x02]),
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn every_form_is_read_back() {
        for form in [TesterPresent::Answered, TesterPresent::AnswerWanted, TesterPresent::NoAnswer] {
            assert_eq!(TesterPresent::parse(form.emit(&mut [0; 2]).unwrap()), Ok(form));
        }
    }

    /// ISO 14229-1's suppress bit is none of ISO 14230-3.
    #[test]
    fn the_newer_standards_form_is_not_taken_for_ours() {
        assert_eq!(TesterPresent::parse(&[0x3E, 0x80]), Err(LayoutError::Value { offset: 1, found: 0x80 }));
        assert_eq!(
            TesterPresent::Answered.check(&[0x7E, 0x00]),
            Err(ResponseError::Layout(LayoutError::Long { expected: 1, found: 2 }))
        );
    }
}
