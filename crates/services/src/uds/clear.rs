//! Clearing fault codes: 14.

use nom::combinator::success;

use super::faults::code_bytes;
use crate::layout::{self, Emit, LayoutError, ResponseError, Writer};
use crate::{FaultCode, ServiceId};

/// One fault code, or a group of them: 24 bits (notes on ISO 14229-1:2013 table D.1).
#[derive(Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash, Debug)]
pub struct DtcGroup([u8; 3]);

impl DtcGroup {
    /// Those of emissions.
    pub const EMISSIONS: Self = Self([0xFF, 0xFF, 0x33]);
    /// Those of safety systems.
    pub const SAFETY: Self = Self([0xFF, 0xFF, 0xD0]);
    /// All.
    pub const ALL: Self = Self([0xFF, 0xFF, 0xFF]);

    /// A group of the maker's, as its three bytes.
    pub const fn new(bytes: [u8; 3]) -> Self {
        Self(bytes)
    }

    /// This code alone; one without a failure type has 00 there.
    pub fn of(code: FaultCode) -> Self {
        Self(code_bytes(code))
    }
}

/// Asks the unit to forget fault codes: `14 group [memory]`.
///
/// ```
/// use tickover_services::Emit;
/// use tickover_services::uds::{ClearDiagnosticInformation, DtcGroup};
///
/// let clear = ClearDiagnosticInformation { group: DtcGroup::EMISSIONS, memory: None };
/// assert_eq!(clear.emit(&mut [0; 8]).unwrap(), [0x14, 0xFF, 0xFF, 0x33]);
/// clear.check(&[0x54])?;
/// # Ok::<(), tickover_services::ResponseError>(())
/// ```
#[derive(Clone, Copy, PartialEq, Eq, Debug)]
pub struct ClearDiagnosticInformation {
    /// Which.
    pub group: DtcGroup,
    /// In which memory, where the maker has more than one (edition 2020).
    pub memory: Option<u8>,
}

impl ClearDiagnosticInformation {
    /// 14.
    pub const SERVICE: ServiceId = ServiceId::CLEAR_DIAGNOSTIC_INFORMATION;

    /// Reads a request.
    ///
    /// # Errors
    /// Another service, or not three bytes of group and at most one of memory.
    pub fn parse(message: &[u8]) -> Result<Self, LayoutError> {
        let (a, b, c, memory) = match *layout::parameters(message, Self::SERVICE)? {
            [a, b, c] => (a, b, c, None),
            [a, b, c, memory] => (a, b, c, Some(memory)),
            [_, _, _, ..] => return Err(LayoutError::Long { expected: 5, found: message.len() }),
            _ => return Err(LayoutError::Short { expected: 4, found: message.len() }),
        };
        Ok(Self { group: DtcGroup([a, b, c]), memory })
    }

    /// Checks the response, which has nothing after its service identifier.
    ///
    /// # Errors
    /// The unit refused, or answered to something else.
    pub fn check(&self, message: &[u8]) -> Result<(), ResponseError> {
        Ok(layout::whole(1, layout::response(message, Self::SERVICE, &[])?, success(()))?)
    }
}

impl Emit for ClearDiagnosticInformation {
    fn write(&self, to: &mut Writer<'_>) {
        to.bytes(&[Self::SERVICE.0]);
        to.bytes(&self.group.0);
        if let Some(memory) = self.memory {
            to.bytes(&[memory]);
        }
    }
}

#[cfg(test)]
mod tests {
    use proptest::prelude::*;

    use super::*;

    /// ISO 14229-1:2013 table D.1, as notes on it give it.
    #[test]
    fn a_group_is_three_bytes_and_a_code_is_one_too() {
        let code: FaultCode = "P0805-11".parse().unwrap();
        assert_eq!(DtcGroup::of(code), DtcGroup::new([0x08, 0x05, 0x11]));
        let parse = ClearDiagnosticInformation::parse;
        assert_eq!(parse(&[0x14, 0xFF, 0x00]), Err(LayoutError::Short { expected: 4, found: 3 }));
        assert_eq!(parse(&[0x14, 1, 2, 3, 4, 5]), Err(LayoutError::Long { expected: 5, found: 6 }));
    }

    proptest! {
        #[test]
        fn requests_are_read_back(group: [u8; 3], memory: Option<u8>) {
            let clear = ClearDiagnosticInformation { group: DtcGroup::new(group), memory };
            prop_assert_eq!(ClearDiagnosticInformation::parse(clear.emit(&mut [0; 5]).unwrap()), Ok(clear));
        }

        #[test]
        fn no_bytes_make_it_panic(request: std::vec::Vec<u8>, message: std::vec::Vec<u8>) {
            let _ = ClearDiagnosticInformation::parse(&request).map(|clear| clear.check(&message).is_ok());
        }
    }
}
