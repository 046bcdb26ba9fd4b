//! Diagnostic sessions: 10 and 20 (SSF 14230-3 6.1; ISO 14230-3 6.1 and 6.2).

use nom::combinator::{rest, success};
use nom::number::streaming::u8 as byte;

use crate::ServiceId;
use crate::layout::{self, Emit, LayoutError, ResponseError, Writer};

/// Which diagnostic session (SSF 14230-3 table 6.1.3).
#[derive(Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash, Debug)]
pub struct DiagnosticMode(pub u8);

impl DiagnosticMode {
    /// The one that a unit is in after initialisation.
    pub const STANDARD: Self = Self(0x81);
    /// The unit repeats its last answer until told to stop.
    pub const PERIODIC: Self = Self(0x82);
    /// For programming: the engine may not run.
    pub const PROGRAMMING: Self = Self(0x85);
    /// For development.
    pub const DEVELOPMENT: Self = Self(0x86);
    /// For adjusting.
    pub const ADJUSTMENT: Self = Self(0x87);
}

/// Baud rate identifier: what the line runs at after the answer (ISO 14230-3, from memory; not in SSF 14230-3).
///
/// ```
/// use tickover_services::kwp::BaudRate;
///
/// assert_eq!(BaudRate(0x03).baud(), Some(38_400));
/// assert_eq!(BaudRate(0x80).baud(), None); // the maker's
/// ```
#[derive(Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash, Debug)]
pub struct BaudRate(pub u8);

impl BaudRate {
    const BAUD: [u32; 5] = [9_600, 19_200, 38_400, 57_600, 115_200];

    /// Bits per second; `None` if the maker defines it.
    pub fn baud(self) -> Option<u32> {
        Self::BAUD.get(usize::from(self.0).checked_sub(1)?).copied()
    }

    /// The identifier of a speed in bits per second; `None` if the standard has none.
    pub fn of(baud: u32) -> Option<Self> {
        Self::BAUD.iter().zip(1..).find(|(b, _)| **b == baud).map(|(_, id)| Self(id))
    }
}

/// Asks the unit into a diagnostic session: `10 mode [baud rate]`.
///
/// The speed changes after the positive answer, never before.
///
/// ```
/// use tickover_services::Emit;
/// use tickover_services::kwp::{BaudRate, DiagnosticMode, StartDiagnosticSession};
///
/// let request = StartDiagnosticSession { mode: DiagnosticMode::DEVELOPMENT, baud: BaudRate::of(38_400) };
/// assert_eq!(request.emit(&mut [0; 8])?, [0x10, 0x86, 0x03]);
/// # Ok::<(), tickover_services::BufferTooSmall>(())
/// ```
#[derive(Clone, Copy, PartialEq, Eq, Debug)]
pub struct StartDiagnosticSession {
    /// Which session.
    pub mode: DiagnosticMode,
    /// What the line is to run at in it; `None`: as before.
    pub baud: Option<BaudRate>,
}

impl StartDiagnosticSession {
    /// 10.
    pub const SERVICE: ServiceId = ServiceId::START_DIAGNOSTIC_SESSION;

    /// Reads a request.
    ///
    /// # Errors
    /// Another service, no mode, or more than two parameters.
    pub fn parse(message: &[u8]) -> Result<Self, LayoutError> {
        let (mode, baud) = layout::whole(1, layout::parameters(message, Self::SERVICE)?, (byte, rest))?;
        match *baud {
            [] => Ok(Self { mode: DiagnosticMode(mode), baud: None }),
            [baud] => Ok(Self { mode: DiagnosticMode(mode), baud: Some(BaudRate(baud)) }),
            _ => Err(LayoutError::Long { expected: 3, found: message.len() }),
        }
    }

    /// What a positive response says beyond repeating the mode; the standard adds nothing.
    ///
    /// # Errors
    /// The unit refused, or answered to something else.
    pub fn data<'a>(&self, message: &'a [u8]) -> Result<&'a [u8], ResponseError> {
        layout::response(message, Self::SERVICE, &[self.mode.0])
    }
}

impl Emit for StartDiagnosticSession {
    fn write(&self, to: &mut Writer<'_>) {
        to.bytes(&[Self::SERVICE.0, self.mode.0]);
        if let Some(baud) = self.baud {
            to.bytes(&[baud.0]);
        }
    }
}

/// Asks the unit back into the standard session: `20` (ISO 14230-3; SSF 14230-3 uses `10 81` instead).
#[derive(Clone, Copy, PartialEq, Eq, Debug)]
pub struct StopDiagnosticSession;

impl StopDiagnosticSession {
    /// 20.
    pub const SERVICE: ServiceId = ServiceId::STOP_DIAGNOSTIC_SESSION;

    /// Checks the response, which has nothing after its service identifier.
    ///
    /// # Errors
    /// The unit refused, or answered to something else.
    pub fn check(&self, message: &[u8]) -> Result<(), ResponseError> {
        Ok(layout::whole(1, layout::response(message, Self::SERVICE, &[])?, success(()))?)
    }
}

impl Emit for StopDiagnosticSession {
    fn write(&self, to: &mut Writer<'_>) {
        to.bytes(&[Self::SERVICE.0]);
    }
}

#[cfg(test)]
mod tests {
    use proptest::prelude::*;

    use super::*;

    /// ISO 14230-3, from memory: baud rate identifiers.
    #[test]
    fn a_baud_rate_has_one_identifier() {
        for (id, baud) in [(1, 9_600), (2, 19_200), (3, 38_400), (4, 57_600), (5, 115_200)] {
            assert_eq!(BaudRate(id).baud(), Some(baud));
            assert_eq!(BaudRate::of(baud), Some(BaudRate(id)));
        }
        assert_eq!((BaudRate(0).baud(), BaudRate(6).baud(), BaudRate::of(10_400)), (None, None, None));
    }

    #[test]
    fn a_request_with_three_parameters_is_refused() {
        assert_eq!(
            StartDiagnosticSession::parse(&[0x10, 0x86, 0x03, 0x00]),
            Err(LayoutError::Long { expected: 3, found: 4 })
        );
        assert_eq!(StartDiagnosticSession::parse(&[0x10]), Err(LayoutError::Short { expected: 2, found: 1 }));
    }

    #[test]
    fn an_answer_to_stopping_carries_nothing() {
        assert_eq!(StopDiagnosticSession.check(&[0x60]), Ok(()));
        assert_eq!(
            StopDiagnosticSession.check(&[0x60, 0x00]),
            Err(ResponseError::Layout(LayoutError::Long { expected: 1, found: 2 }))
        );
    }

    proptest! {
        #[test]
        fn a_session_request_is_read_back(mode: u8, baud: Option<u8>) {
            let request = StartDiagnosticSession { mode: DiagnosticMode(mode), baud: baud.map(BaudRate) };
            prop_assert_eq!(StartDiagnosticSession::parse(request.emit(&mut [0; 3]).unwrap()), Ok(request));
        }
    }
}
