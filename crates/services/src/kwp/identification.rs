//! Identification: 1A (SSF 14230-3 6.6).

use core::fmt;

use nom::Parser;
use nom::number::streaming::u8 as byte;

use crate::ServiceId;
use crate::layout::{self, Emit, LayoutError, ResponseError, Writer};

/// What to tell about itself (SSF 14230-3 table 6.6.3).
///
/// ```
/// use tickover_services::kwp::IdentificationOption;
///
/// assert_eq!(IdentificationOption(0x91).to_string(), "91 vehicle manufacturer hardware number");
/// ```
#[derive(Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash, Debug)]
pub struct IdentificationOption(pub u8);

impl IdentificationOption {
    /// Everything, in the order of the scaling table.
    pub const DATA_TABLE: Self = Self(0x80);
    /// How the data table is laid out.
    pub const SCALING_TABLE: Self = Self(0x81);
    /// Vehicle identification number, 17 characters.
    pub const VEHICLE_IDENTIFICATION_NUMBER: Self = Self(0x90);

    /// What it asks for; `None` for those that maker or supplier define.
    pub fn name(self) -> Option<&'static str> {
        OPTIONS.iter().find(|(option, _)| *option == self.0).map(|(_, name)| *name)
    }
}

/// Two hex digits, then the name if there is one.
impl fmt::Display for IdentificationOption {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        match self.name() {
            Some(name) => write!(f, "{:02X} {name}", self.0),
            None => write!(f, "{:02X}", self.0),
        }
    }
}

/// SSF 14230-3 issue 2 table 6.6.3.
const OPTIONS: &[(u8, &str)] = &[
    (0x80, "identification data table"),
    (0x81, "identification scaling table"),
    (0x87, "vehicle manufacturer spare part number"),
    (0x88, "vehicle manufacturer software number"),
    (0x89, "vehicle manufacturer software version"),
    (0x8A, "system supplier"),
    (0x8B, "manufacturing date"),
    (0x8C, "serial number"),
    (0x90, "vehicle identification number"),
    (0x91, "vehicle manufacturer hardware number"),
    (0x92, "system supplier hardware number"),
    (0x93, "system supplier hardware version"),
    (0x94, "system supplier software number"),
    (0x95, "system supplier software version"),
    (0x96, "exhaust regulation or type approval number"),
    (0x97, "system name or engine type"),
    (0x98, "repair shop code or tester serial number"),
    (0x99, "programming date"),
    (0x9A, "calibration repair shop code or equipment serial number"),
    (0x9B, "calibration date"),
    (0x9C, "calibration equipment software number"),
    (0x9D, "installation date"),
];

/// Asks the unit what it is: `1A option`.
#[derive(Clone, Copy, PartialEq, Eq, Debug)]
pub struct ReadEcuIdentification {
    /// What to tell.
    pub option: IdentificationOption,
}

impl ReadEcuIdentification {
    /// 1A.
    pub const SERVICE: ServiceId = ServiceId::READ_ECU_IDENTIFICATION;

    /// Reads a request.
    ///
    /// # Errors
    /// Another service, no option, or more than one.
    pub fn parse(message: &[u8]) -> Result<Self, LayoutError> {
        layout::whole(
            1,
            layout::parameters(message, Self::SERVICE)?,
            byte.map(|option| Self { option: IdentificationOption(option) }),
        )
    }

    /// The identification in a response: what stands after `5A option`.
    ///
    /// # Errors
    /// The unit refused, or answered to something else.
    pub fn data<'a>(&self, message: &'a [u8]) -> Result<&'a [u8], ResponseError> {
        layout::response(message, Self::SERVICE, &[self.option.0])
    }
}

impl Emit for ReadEcuIdentification {
    fn write(&self, to: &mut Writer<'_>) {
        to.bytes(&[Self::SERVICE.0, self.option.0]);
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    /// ISO 14229-1 gave the options of ISO 14230-3 new numbers: 90 became F190. The table keeps the old ones.
    #[test]
    fn the_table_of_options_is_sorted_and_leaves_the_makers_own_out() {
        assert!(OPTIONS.is_sorted_by(|a, b| a.0 < b.0));
        for option in (0x8D..=0x8F).chain(0x9E..=0xFF) {
            assert_eq!(IdentificationOption(option).name(), None, "{option:02X}");
        }
    }

    #[test]
    fn a_request_names_one_option() {
        let read = ReadEcuIdentification { option: IdentificationOption::VEHICLE_IDENTIFICATION_NUMBER };
        assert_eq!(ReadEcuIdentification::parse(read.emit(&mut [0; 2]).unwrap()), Ok(read));
        assert_eq!(ReadEcuIdentification::parse(&[0x1A]), Err(LayoutError::Short { expected: 2, found: 1 }));
        assert_eq!(ReadEcuIdentification::parse(&[0x1A, 0x90, 0x91]), Err(LayoutError::Long { expected: 2, found: 3 }));
    }

    #[test]
    fn the_answer_must_be_about_what_was_asked() {
        let read = ReadEcuIdentification { option: IdentificationOption(0x91) };
        assert_eq!(read.data(&[0x5A, 0x91, b'B', b'4']), Ok(&b"B4"[..]));
        assert_eq!(read.data(&[0x5A, 0x92]), Err(LayoutError::Byte { offset: 1, expected: 0x91, found: 0x92 }.into()));
    }
}
