//! Diagnostic sessions: 10.

use core::time::Duration;

use nom::Parser;
use nom::number::streaming::{be_u16, u8 as byte};

use super::sub_function;
use crate::ServiceId;
use crate::layout::{self, Emit, LayoutError, ResponseError, Writer};

/// Which diagnostic session (notes on ISO 14229-1:2020 table 25): 01 to 7F.
#[derive(Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash, Debug)]
pub struct SessionType(pub u8);

impl SessionType {
    /// The one that a unit is in from its start, and falls back into when S3 has passed.
    pub const DEFAULT: Self = Self(0x01);
    /// For programming.
    pub const PROGRAMMING: Self = Self(0x02);
    /// More services than in the default one.
    pub const EXTENDED: Self = Self(0x03);
    /// For systems that safety depends on.
    pub const SAFETY_SYSTEM: Self = Self(0x04);
}

/// Asks the unit into a diagnostic session: `10 type`.
///
/// ```
/// use core::time::Duration;
///
/// use tickover_services::Emit;
/// use tickover_services::uds::{DiagnosticSessionControl, SessionType};
///
/// let request = DiagnosticSessionControl { session: SessionType::EXTENDED, suppress: false };
/// assert_eq!(request.emit(&mut [0; 8]).unwrap(), [0x10, 0x03]);
/// let timing = request.timing(&[0x50, 0x03, 0x00, 0x32, 0x01, 0xF4])?.unwrap();
/// assert_eq!((timing.p2(), timing.p2_star()), (Duration::from_millis(50), Duration::from_secs(5)));
/// # Ok::<(), tickover_services::ResponseError>(())
/// ```
#[derive(Clone, Copy, PartialEq, Eq, Debug)]
pub struct DiagnosticSessionControl {
    /// Which session.
    pub session: SessionType,
    /// Whether the positive answer is not wanted.
    pub suppress: bool,
}

impl DiagnosticSessionControl {
    /// 10.
    pub const SERVICE: ServiceId = ServiceId::DIAGNOSTIC_SESSION_CONTROL;

    /// Reads a request.
    ///
    /// # Errors
    /// Another service, or not one parameter.
    pub fn parse(message: &[u8]) -> Result<Self, LayoutError> {
        let (session, suppress) =
            layout::whole(1, layout::parameters(message, Self::SERVICE)?, byte.map(sub_function::parts))?;
        Ok(Self { session: SessionType(session), suppress })
    }

    /// How long the unit may take in the new session; `None` from units of the standard's drafts, which answer without.
    ///
    /// # Errors
    /// The unit refused, or answered to something else.
    pub fn timing(&self, message: &[u8]) -> Result<Option<SessionTiming>, ResponseError> {
        let record = layout::response(message, Self::SERVICE, &[sub_function::value(self.session.0)])?;
        if record.is_empty() {
            return Ok(None);
        }
        let (p2, p2_star) = layout::whole(2, record, (be_u16, be_u16))?;
        Ok(Some(SessionTiming { p2, p2_star }))
    }

    /// The unit's answer.
    pub const fn answer(self, timing: SessionTiming) -> SessionReport {
        SessionReport { session: self.session, timing }
    }
}

impl Emit for DiagnosticSessionControl {
    fn write(&self, to: &mut Writer<'_>) {
        to.bytes(&[Self::SERVICE.0, sub_function::byte(self.session.0, self.suppress)]);
    }
}

/// sessionParameterRecord: how long a unit may take in a session (ISO/DIS 15765-3.5 tables 28 to 30).
#[derive(Clone, Copy, PartialEq, Eq, Hash, Debug)]
pub struct SessionTiming {
    /// In 1 ms.
    p2: u16,
    /// In 10 ms.
    p2_star: u16,
}

impl SessionTiming {
    /// Rounded up to what the record can say: 1 ms and 10 ms; `None` if that is not enough (65.535 s, 655.35 s).
    pub fn new(p2: Duration, p2_star: Duration) -> Option<Self> {
        let steps = |time: Duration, step: u32| {
            let step = Duration::from_millis(step.into());
            u16::try_from(time.as_nanos().div_ceil(step.as_nanos())).ok()
        };
        Some(Self { p2: steps(p2, 1)?, p2_star: steps(p2_star, 10)? })
    }

    /// P2: end of a request to the start of its answer, at most.
    pub const fn p2(self) -> Duration {
        Duration::from_millis(self.p2 as u64)
    }

    /// P2*: the same after "response pending".
    pub const fn p2_star(self) -> Duration {
        Duration::from_millis(self.p2_star as u64 * 10)
    }
}

/// The unit's answer to [`DiagnosticSessionControl`].
#[derive(Clone, Copy, PartialEq, Eq, Debug)]
pub struct SessionReport {
    session: SessionType,
    timing: SessionTiming,
}

impl Emit for SessionReport {
    fn write(&self, to: &mut Writer<'_>) {
        to.bytes(&[DiagnosticSessionControl::SERVICE.response().0, sub_function::value(self.session.0)]);
        to.bytes(&self.timing.p2.to_be_bytes());
        to.bytes(&self.timing.p2_star.to_be_bytes());
    }
}

#[cfg(test)]
mod tests {
    use proptest::prelude::*;

    use super::*;

    /// ISO/DIS 15765-3.5 (2002-10-01) table 64: P2 250 ms; 0B B8 is 30 s at 10 ms a step.
    #[test]
    fn p2_star_is_counted_in_ten_milliseconds() {
        let request = DiagnosticSessionControl { session: SessionType::PROGRAMMING, suppress: false };
        let timing = request.timing(&[0x50, 0x02, 0x00, 0xFA, 0x0B, 0xB8]).unwrap().unwrap();
        assert_eq!((timing.p2(), timing.p2_star()), (Duration::from_millis(250), Duration::from_secs(30)));
    }

    #[test]
    fn a_record_is_whole_or_not_there() {
        let request = DiagnosticSessionControl { session: SessionType::EXTENDED, suppress: true };
        assert_eq!(request.timing(&[0x50, 0x03]), Ok(None));
        assert_eq!(request.timing(&[0x50, 0x03, 0, 0x32]), Err(LayoutError::Short { expected: 6, found: 4 }.into()));
        let bit = LayoutError::Byte { offset: 1, expected: 0x03, found: 0x83 };
        assert_eq!(request.timing(&[0x50, 0x83]), Err(bit.into()));
    }

    #[test]
    fn a_time_is_never_promised_shorter_than_it_is() {
        let timing = SessionTiming::new(Duration::from_micros(49_001), Duration::from_millis(4_991)).unwrap();
        assert_eq!((timing.p2(), timing.p2_star()), (Duration::from_millis(50), Duration::from_secs(5)));
        assert_eq!(SessionTiming::new(Duration::from_secs(66), Duration::ZERO), None);
        assert_eq!(SessionTiming::new(Duration::MAX, Duration::MAX), None);
    }

    proptest! {
        #[test]
        fn requests_and_answers_are_read_back(session in 0..0x80u8, suppress: bool, p2: u16, p2_star: u16) {
            let mut buffer = [0; 8];
            let request = DiagnosticSessionControl { session: SessionType(session), suppress };
            prop_assert_eq!(DiagnosticSessionControl::parse(request.emit(&mut buffer).unwrap()), Ok(request));
            let timing = SessionTiming { p2, p2_star };
            prop_assert_eq!(request.timing(request.answer(timing).emit(&mut buffer).unwrap()), Ok(Some(timing)));
            prop_assert_eq!(SessionTiming::new(timing.p2(), timing.p2_star()), Some(timing));
        }
    }
}
