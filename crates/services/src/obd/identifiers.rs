//! What SAE J1979 calls things by: one byte each.

use core::fmt;

/// Parameter identifier of services 01 and 02: names a value of the running vehicle.
#[derive(Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash, Debug)]
pub struct Pid(pub u8);

/// What service 09 tells about the vehicle.
#[derive(Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash, Debug)]
pub struct InfoType(pub u8);

/// Monitor identifier of service 06 on CAN: a part of the vehicle that tests itself.
#[derive(Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash, Debug)]
pub struct MonitorId(pub u8);

/// Test identifier of services 05, 06 and 08: one test of a part.
#[derive(Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash, Debug)]
pub struct TestId(pub u8);

impl Pid {
    /// Lamp, number of fault codes, monitors (service 01 only).
    pub const MONITOR_STATUS: Self = Self(0x01);
    /// Fault code that a freeze frame belongs to (service 02 only).
    pub const FREEZE_FRAME_CAUSE: Self = Self(0x02);
}

impl InfoType {
    /// Number of messages that carry the VIN (K-line).
    pub const VIN_MESSAGE_COUNT: Self = Self(0x01);
    /// Vehicle identification number.
    pub const VIN: Self = Self(0x02);
    /// Calibration identifications.
    pub const CALIBRATION_ID: Self = Self(0x04);
    /// Calibration verification numbers.
    pub const CALIBRATION_VERIFICATION: Self = Self(0x06);
    /// In-use performance counters, spark ignition.
    pub const PERFORMANCE_SPARK: Self = Self(0x08);
    /// Name of the control unit.
    pub const ECU_NAME: Self = Self(0x0A);
    /// In-use performance counters, compression ignition.
    pub const PERFORMANCE_COMPRESSION: Self = Self(0x0B);

    /// Bytes of one item: 17 of a VIN, 16 of a calibration identification; `None` if it is not known.
    pub fn item_len(self) -> Option<usize> {
        INFO_TYPES.iter().find(|(known, ..)| *known == self).and_then(|(_, len, _)| *len)
    }

    /// What it tells; `None` if it is not known.
    pub fn name(self) -> Option<&'static str> {
        INFO_TYPES.iter().find(|(known, ..)| *known == self).map(|(.., name)| *name)
    }
}

/// Sorted; bytes of one item, name. An encyclopaedia's table of service 09.
#[rustfmt::skip]
const INFO_TYPES: &[(InfoType, Option<usize>, &str)] = &[
    (InfoType(0x00), Some(4),  "supported information types"),
    (InfoType(0x01), None,     "messages of the vehicle identification number"),
    (InfoType(0x02), Some(17), "vehicle identification number"),
    (InfoType(0x03), None,     "messages of the calibration identifications"),
    (InfoType(0x04), Some(16), "calibration identifications"),
    (InfoType(0x05), None,     "messages of the calibration verification numbers"),
    (InfoType(0x06), Some(4),  "calibration verification numbers"),
    (InfoType(0x07), None,     "messages of the in-use performance, spark ignition"),
    (InfoType(0x08), Some(2),  "in-use performance, spark ignition"),
    (InfoType(0x09), None,     "messages of the control unit's name"),
    (InfoType(0x0A), Some(20), "control unit's name"),
    (InfoType(0x0B), Some(2),  "in-use performance, compression ignition"),
];

/// Whether an identifier asks which of the 32 after it are supported: 00, 20, 40 .. E0.
pub const fn is_support_mask(identifier: u8) -> bool {
    identifier.is_multiple_of(0x20)
}

/// Two hex digits, then the name if there is one: `02 vehicle identification number`.
impl fmt::Display for InfoType {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        match self.name() {
            Some(name) => write!(f, "{:02X} {name}", self.0),
            None => write!(f, "{:02X}", self.0),
        }
    }
}

/// Declares the display of identifiers without a table of names.
macro_rules! two_hex_digits {
    ($($name:ident)*) => {$(
        /// Two hex digits.
        impl fmt::Display for $name {
            fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
                write!(f, "{:02X}", self.0)
            }
        }
    )*};
}

two_hex_digits! { Pid MonitorId TestId }

#[cfg(test)]
mod tests {
    use std::string::ToString;

    use super::*;

    /// SAE J1979: an encyclopaedia's table of service 09.
    #[test]
    fn information_types_have_names_and_lengths() {
        assert!(INFO_TYPES.is_sorted_by_key(|(info, ..)| *info));
        assert_eq!(InfoType::VIN.to_string(), "02 vehicle identification number");
        assert_eq!((InfoType::VIN.item_len(), InfoType(0x01).item_len()), (Some(17), None));
        assert_eq!((InfoType(0x0C).name(), InfoType(0x0C).to_string()), (None, "0C".into()));
    }

    #[test]
    fn eight_identifiers_are_masks() {
        assert!((0..=0xFF).filter(|id| is_support_mask(*id)).eq([0, 0x20, 0x40, 0x60, 0x80, 0xA0, 0xC0, 0xE0]));
    }
}
