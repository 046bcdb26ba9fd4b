//! What ISO 14229-1 calls records by.

use core::fmt;

/// Names a record of a unit (ISO 14229-1 annex C).
///
/// ```
/// use tickover_services::uds::DataIdentifier;
///
/// assert_eq!(DataIdentifier::VIN.to_string(), "F190 vehicle identification number");
/// assert!(DataIdentifier(0xF301).is_dynamic());
/// ```
#[derive(Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash, Debug)]
pub struct DataIdentifier(pub u16);

/// Low byte of a data identifier F2xx, which the unit can send on its own.
#[derive(Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash, Debug)]
pub struct PeriodicIdentifier(pub u8);

impl DataIdentifier {
    /// The session that the unit is in.
    pub const ACTIVE_SESSION: Self = Self(0xF186);
    /// Vehicle identification number.
    pub const VIN: Self = Self(0xF190);

    /// Bytes on the line.
    pub(crate) const LEN: usize = 2;

    /// Most significant byte first, as on the line.
    pub const fn to_bytes(self) -> [u8; 2] {
        self.0.to_be_bytes()
    }

    /// Whether the unit can send the record on its own: F200 to F2FF.
    pub const fn is_periodic(self) -> bool {
        self.0 >> 8 == 0xF2
    }

    /// Whether the tester defines what the record holds: F300 to F3FF.
    pub const fn is_dynamic(self) -> bool {
        self.0 >> 8 == 0xF3
    }

    /// What the record is in all units; `None` for those that maker or supplier define.
    pub fn name(self) -> Option<&'static str> {
        NAMES.iter().find(|(id, _)| *id == self.0).map(|(_, name)| *name)
    }
}

impl From<[u8; 2]> for DataIdentifier {
    fn from(bytes: [u8; 2]) -> Self {
        Self(u16::from_be_bytes(bytes))
    }
}

impl From<PeriodicIdentifier> for DataIdentifier {
    fn from(id: PeriodicIdentifier) -> Self {
        Self::from([0xF2, id.0])
    }
}

/// Four hex digits, then the name if there is one.
impl fmt::Display for DataIdentifier {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        match self.name() {
            Some(name) => write!(f, "{:04X} {name}", self.0),
            None => write!(f, "{:04X}", self.0),
        }
    }
}

/// Sorted. ISO 14229-1 annex C.1, as a published dissector and a tutorial give it.
const NAMES: &[(u16, &str)] = &[
    (0xF180, "boot software identification"),
    (0xF181, "application software identification"),
    (0xF182, "application data identification"),
    (0xF183, "boot software fingerprint"),
    (0xF184, "application software fingerprint"),
    (0xF185, "application data fingerprint"),
    (0xF186, "active diagnostic session"),
    (0xF187, "vehicle manufacturer spare part number"),
    (0xF188, "vehicle manufacturer software number"),
    (0xF189, "vehicle manufacturer software version"),
    (0xF18A, "system supplier"),
    (0xF18B, "manufacturing date"),
    (0xF18C, "serial number"),
    (0xF190, "vehicle identification number"),
    (0xF191, "vehicle manufacturer hardware number"),
    (0xF192, "system supplier hardware number"),
    (0xF193, "system supplier hardware version"),
    (0xF194, "system supplier software number"),
    (0xF195, "system supplier software version"),
    (0xF196, "exhaust regulation or type approval number"),
    (0xF197, "system name or engine type"),
];

#[cfg(test)]
mod tests {
    use super::*;
    use crate::kwp::IdentificationOption;

    /// ISO 14229-1 took over the identification options of ISO 14230-3 as low bytes of F180 to F19D.
    #[test]
    fn names_that_both_standards_have_agree() {
        assert!(NAMES.is_sorted_by_key(|(id, _)| *id));
        for (id, name) in NAMES.iter().filter(|(id, _)| *id >= 0xF187) {
            assert_eq!(IdentificationOption(id.to_be_bytes()[1]).name(), Some(*name), "{id:04X}");
        }
    }

    /// Notes on ISO 14229-1:2013 annex C: F200 to F2FF periodic, F300 to F3FF dynamic.
    #[test]
    fn ranges_are_the_standards() {
        assert!((0..=0xFFFF).filter(|id| DataIdentifier(*id).is_periodic()).eq(0xF200..=0xF2FF));
        assert!((0..=0xFFFF).filter(|id| DataIdentifier(*id).is_dynamic()).eq(0xF300..=0xF3FF));
        assert_eq!(DataIdentifier::from(PeriodicIdentifier(0x01)), DataIdentifier(0xF201));
    }
}
