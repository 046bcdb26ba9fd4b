//! Fault codes of two and three bytes, written as SAE J2012 does: `P0102`, `P0102-11`.

use core::fmt;
use core::str::FromStr;

use thiserror::Error;

/// A diagnostic trouble code: two bytes, in newer units with a failure type as third (SAE J2012).
///
/// ```
/// use tickover_services::FaultCode;
///
/// assert_eq!(FaultCode::from([0x01, 0x02]).to_string(), "P0102");
/// assert_eq!("U0158".parse(), Ok(FaultCode::from([0xC1, 0x58])));
/// assert_eq!("P0805-11".parse(), Ok(FaultCode::from([0x08, 0x05, 0x11])));
/// ```
#[derive(Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash, Debug)]
pub struct FaultCode {
    /// System, first digit and three more hex digits.
    pub code: u16,
    /// Failure type byte of a three-byte code.
    pub failure_type: Option<u8>,
}

impl FaultCode {
    /// Which system of the vehicle: bits 15 and 14.
    pub const fn system(self) -> System {
        match self.code >> 14 {
            0 => System::Powertrain,
            1 => System::Chassis,
            2 => System::Body,
            _ => System::Network,
        }
    }

    /// Who gave the code its meaning: the first digit tells (SAE J2012, from memory).
    pub const fn defined_by(self) -> DefinedBy {
        match ((self.code >> 12) & 0x3, self.system()) {
            (0, _) => DefinedBy::Standard,
            (1, _) => DefinedBy::Maker,
            (2, System::Powertrain) => DefinedBy::Standard,
            (2, _) => DefinedBy::Maker,
            (_, System::Powertrain) if self.code & 0x0FFF < 0x0400 => DefinedBy::Maker,
            (_, System::Powertrain) => DefinedBy::Standard,
            _ => DefinedBy::Nobody,
        }
    }
}

/// A two-byte code, most significant byte first.
impl From<[u8; 2]> for FaultCode {
    fn from(bytes: [u8; 2]) -> Self {
        Self { code: u16::from_be_bytes(bytes), failure_type: None }
    }
}

/// A two-byte code and a failure type.
impl From<[u8; 3]> for FaultCode {
    fn from([high, low, failure_type]: [u8; 3]) -> Self {
        Self { code: u16::from_be_bytes([high, low]), failure_type: Some(failure_type) }
    }
}

impl fmt::Display for FaultCode {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        write!(f, "{}{:04X}", self.system().letter(), self.code & 0x3FFF)?;
        match self.failure_type {
            Some(failure_type) => write!(f, "-{failure_type:02X}"),
            None => Ok(()),
        }
    }
}

/// Reads `P0102` and `P0102-11`: capital letters, hex digits of either case.
impl FromStr for FaultCode {
    type Err = NotAFaultCode;

    fn from_str(text: &str) -> Result<Self, NotAFaultCode> {
        let (code, failure_type) = match text.as_bytes() {
            [code @ .., b'-', high, low] => (code, Some(hex(&[*high, *low])? as u8)),
            code => (code, None),
        };
        let [letter, digits @ ..] = code else { return Err(NotAFaultCode) };
        let system = System::ALL.iter().find(|s| s.letter() as u32 == u32::from(*letter)).ok_or(NotAFaultCode)?;
        let number = if digits.len() == 4 { hex(digits)? } else { return Err(NotAFaultCode) };
        if number > 0x3FFF {
            return Err(NotAFaultCode);
        }
        Ok(Self { code: (*system as u16) << 14 | number, failure_type })
    }
}

/// The text is no fault code.
#[derive(Clone, Copy, PartialEq, Eq, Debug, Error)]
#[error("a fault code is written P0102 or P0102-11: one of P C B U, a digit 0 to 3, three hex digits, a failure type")]
pub struct NotAFaultCode;

/// The system of the vehicle that a fault code belongs to.
#[derive(Clone, Copy, PartialEq, Eq, Hash, Debug)]
pub enum System {
    /// P: engine and gearbox.
    Powertrain = 0,
    /// C: brakes, steering, suspension.
    Chassis = 1,
    /// B: body.
    Body = 2,
    /// U: the network between units.
    Network = 3,
}

impl System {
    /// In the order of their bits.
    pub const ALL: [Self; 4] = [Self::Powertrain, Self::Chassis, Self::Body, Self::Network];

    /// The letter that a code begins with.
    pub const fn letter(self) -> char {
        match self {
            Self::Powertrain => 'P',
            Self::Chassis => 'C',
            Self::Body => 'B',
            Self::Network => 'U',
        }
    }
}

/// Who gives a fault code its meaning.
#[derive(Clone, Copy, PartialEq, Eq, Hash, Debug)]
pub enum DefinedBy {
    /// SAE J2012: the same for every maker.
    Standard,
    /// The maker of the vehicle.
    Maker,
    /// Reserved.
    Nobody,
}

/// Up to four hex digits.
fn hex(digits: &[u8]) -> Result<u16, NotAFaultCode> {
    digits.iter().try_fold(0, |number: u16, digit| {
        let digit = char::from(*digit).to_digit(16).ok_or(NotAFaultCode)?;
        Ok(number << 4 | digit as u16)
    })
}

#[cfg(test)]
mod tests {
    use std::string::{String, ToString};

    use proptest::prelude::*;

    use super::*;

    /// Sources stand in each row.
    #[test]
    fn codes_are_written_as_the_sources_write_them() {
        let table: [(&str, &[u8]); 7] = [
            ("U0158", &[0xC1, 0x58]),          // an encyclopaedia's table of OBD-II identifiers, C1 58
            ("P0143", &[0x01, 0x43]),          // a tutorial that quotes ISO 15031-5 figure 19
            ("P0130", &[0x01, 0x30]),          // SSF 14230-3 issue 2 8.2.5.2.1
            ("P0120", &[0x01, 0x20]),          // SSF 14230-3 issue 2 8.2.5.2.1
            ("P0805-11", &[0x08, 0x05, 0x11]), // ISO 14229-1:2013 11.3, as cited by notes on it
            ("P0A9B-17", &[0x0A, 0x9B, 0x17]), // ISO 14229-1:2013 tables 295 and 296: the bytes
            ("B3FFF", &[0xBF, 0xFF]),          // SAE J2012, from memory: the letter in bits 15 and 14
        ];
        for (text, bytes) in table {
            let code = match *bytes {
                [a, b] => FaultCode::from([a, b]),
                [a, b, c] => FaultCode::from([a, b, c]),
                _ => unreachable!("two or three bytes"),
            };
            assert_eq!(code.to_string(), text);
            assert_eq!(text.parse(), Ok(code));
        }
    }

    /// SAE J2012, from memory.
    #[test]
    fn the_first_digit_tells_who_defines_a_code() {
        let table = [
            ("P0102", DefinedBy::Standard),
            ("P1501", DefinedBy::Maker),
            ("P2002", DefinedBy::Standard),
            ("C2002", DefinedBy::Maker),
            ("P3000", DefinedBy::Maker),
            ("P33FF", DefinedBy::Maker),
            ("P3400", DefinedBy::Standard),
            ("U3000", DefinedBy::Nobody),
        ];
        for (text, by) in table {
            assert_eq!(text.parse::<FaultCode>().map(FaultCode::defined_by), Ok(by), "{text}");
        }
    }

    #[test]
    fn other_texts_are_no_fault_codes() {
        for text in [
            "",
            "P",
            "P010",
            "P01022",
            "P4000",
            "X0102",
            "p0102",
            "P0102-",
            "P0102-1",
            "P0102-111",
            "P01G2",
            "P0102-é",
            "-11",
        ] {
            assert_eq!(text.parse::<FaultCode>(), Err(NotAFaultCode), "{text:?}");
        }
    }

    proptest! {
        #[test]
        fn every_code_is_read_back(code: u16, failure_type: Option<u8>) {
            let code = FaultCode { code, failure_type };
            prop_assert_eq!(code.to_string().parse(), Ok(code));
        }

        #[test]
        fn no_text_makes_the_parser_panic(text: String) {
            let _ = text.parse::<FaultCode>();
        }
    }
}
