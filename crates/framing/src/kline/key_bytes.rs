//! Key bytes: what a unit announces during initialisation (ISO 14230-2 5.1.2.1, table 3 and 4 of its free edition).

use core::fmt;

use super::message::LengthForm;
use super::timing::Timing;

/// The two key bytes, first sent first.
///
/// ```
/// use tickover_framing::kline::{KeyBytes, LengthForm};
/// let key_bytes = KeyBytes(0xEA, 0x8F);
/// assert_eq!(key_bytes.to_string(), "EA 8F (2026)");
/// assert_eq!(key_bytes.headers().length_form(2), Some(LengthForm::LengthByte));
/// ```
#[derive(Clone, Copy, PartialEq, Eq, Hash, Debug)]
pub struct KeyBytes(pub u8, pub u8);

/// Which set of timing parameters holds after initialisation (ISO 14230-2 table 3, bits TP0 and TP1).
#[derive(Clone, Copy, PartialEq, Eq, Hash, Debug)]
pub enum TimingSet {
    /// [`Timing::NORMAL`].
    Normal,
    /// [`Timing::EXTENDED`].
    Extended,
}

impl KeyBytes {
    /// ISO 14230-2, length in the format byte or in its own, addresses, normal timing: 2027.
    pub const ISO14230: Self = Self(0x6B, 0x8F);
    /// ISO 9141-2: 08 08. From memory.
    pub const ISO9141: Self = Self(0x08, 0x08);
    /// ISO 9141-2 for a unit that may answer at once (P2min 0): 94 94. From memory.
    pub const ISO9141_AT_ONCE: Self = Self(0x94, 0x94);

    /// Whether they are those of ISO 14230-2: second byte 8F, and odd parity in the first.
    pub const fn is_iso14230(self) -> bool {
        self.1 == 0x8F && self.has_odd_parity()
    }

    /// Whether they are those of ISO 9141-2: 08 08 or 94 94.
    pub const fn is_iso9141(self) -> bool {
        matches!(self, Self::ISO9141 | Self::ISO9141_AT_ONCE)
    }

    /// Whether each byte has an odd number of ones (bit 7 is the parity of the other seven).
    pub const fn has_odd_parity(self) -> bool {
        self.0.count_ones() % 2 == 1 && self.1.count_ones() % 2 == 1
    }

    /// The number by which the standard calls them: seven bits of each byte, second byte first (8FEA is 2026).
    pub const fn decimal(self) -> u16 {
        ((self.1 & 0x7F) as u16) * 128 + (self.0 & 0x7F) as u16
    }

    /// Which headers the unit can do.
    pub const fn headers(self) -> HeaderForms {
        if self.is_iso14230() { HeaderForms::from_bits(self.0) } else { HeaderForms::NOT_STATED }
    }

    /// The timing set that holds from now on; `None` if these key bytes do not say.
    pub const fn timing_set(self) -> Option<TimingSet> {
        if self.is_iso9141() {
            return Some(TimingSet::Normal);
        }
        if !self.is_iso14230() {
            return None;
        }
        match (self.0 & TP0 != 0, self.0 & TP1 != 0) {
            (false, true) => Some(TimingSet::Normal),
            (true, false) => Some(TimingSet::Extended),
            _ => None,
        }
    }

    /// What these key bytes change of `timing`: a parameter that still has its normal value takes the announced
    /// set's; one that was declared stays.
    pub fn apply_to(self, timing: &mut Timing) {
        if self.timing_set() == Some(TimingSet::Extended) {
            timing.replace_defaults(&Timing::NORMAL, &Timing::EXTENDED);
        }
        if self == Self::ISO9141_AT_ONCE {
            timing.replace_defaults(&Timing::NORMAL, &Timing::ISO9141_AT_ONCE);
        }
    }
}

/// `E9 8F (2025)`.
impl fmt::Display for KeyBytes {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        write!(f, "{:02X} {:02X} ({})", self.0, self.1, self.decimal())
    }
}

const AL0: u8 = 0x01;
const AL1: u8 = 0x02;
const HB0: u8 = 0x04;
const HB1: u8 = 0x08;
const TP0: u8 = 0x10;
const TP1: u8 = 0x20;

/// Which headers a unit can do (ISO 14230-2 table 3, bits AL0, AL1, HB0, HB1).
#[derive(Clone, Copy, PartialEq, Eq, Hash, Debug)]
pub struct HeaderForms {
    /// The format byte may hold the length.
    pub length_in_format: bool,
    /// A byte of its own may hold the length.
    pub length_byte: bool,
    /// Headers without addresses.
    pub without_addresses: bool,
    /// Headers with target and source.
    pub with_addresses: bool,
}

impl HeaderForms {
    /// Nothing was announced: addresses, and either form of length.
    pub const NOT_STATED: Self =
        Self { length_in_format: true, length_byte: true, without_addresses: false, with_addresses: true };

    const fn from_bits(first: u8) -> Self {
        let stated = Self {
            length_in_format: first & AL0 != 0,
            length_byte: first & AL1 != 0,
            without_addresses: first & HB0 != 0,
            with_addresses: first & HB1 != 0,
        };
        // D0 8F (2000) states nothing: its use is agreed with the maker.
        let lengths = stated.length_in_format || stated.length_byte;
        let headers = stated.without_addresses || stated.with_addresses;
        if lengths && headers { stated } else { Self::NOT_STATED }
    }

    /// Whether a tester puts addresses into its headers: wherever the unit allows it.
    pub const fn uses_addresses(self) -> bool {
        self.with_addresses
    }

    /// The form of length for `data` data bytes: in the format byte where it fits, it is the shorter.
    ///
    /// `None`: the unit can do no message of this length.
    pub const fn length_form(self, data: usize) -> Option<LengthForm> {
        if self.length_in_format && data <= LengthForm::InFormat.limit() {
            Some(LengthForm::InFormat)
        } else if self.length_byte && data <= LengthForm::LengthByte.limit() {
            Some(LengthForm::LengthByte)
        } else {
            None
        }
    }

    /// The most data bytes of one message: 63 or 255.
    pub const fn longest(self) -> usize {
        if self.length_byte { LengthForm::LengthByte.limit() } else { LengthForm::InFormat.limit() }
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use std::string::ToString;

    /// SSF 14230-2 issue 1 (1997-04-22), table 4: first byte, decimal name, length forms, header forms, timing.
    const TABLE_4: [(u8, u16, &str, &str, TimingSet); 19] = [
        (0xD0, 2000, "none", "none", TimingSet::Extended),
        (0xD5, 2005, "format", "one", TimingSet::Extended),
        (0xD6, 2006, "byte", "one", TimingSet::Extended),
        (0x57, 2007, "both", "one", TimingSet::Extended),
        (0xD9, 2009, "format", "addresses", TimingSet::Extended),
        (0xDA, 2010, "byte", "addresses", TimingSet::Extended),
        (0x5B, 2011, "both", "addresses", TimingSet::Extended),
        (0x5D, 2013, "format", "both", TimingSet::Extended),
        (0x5E, 2014, "byte", "both", TimingSet::Extended),
        (0xDF, 2015, "both", "both", TimingSet::Extended),
        (0xE5, 2021, "format", "one", TimingSet::Normal),
        (0xE6, 2022, "byte", "one", TimingSet::Normal),
        (0x67, 2023, "both", "one", TimingSet::Normal),
        (0xE9, 2025, "format", "addresses", TimingSet::Normal),
        (0xEA, 2026, "byte", "addresses", TimingSet::Normal),
        (0x6B, 2027, "both", "addresses", TimingSet::Normal),
        (0x6D, 2029, "format", "both", TimingSet::Normal),
        (0x6E, 2030, "byte", "both", TimingSet::Normal),
        (0xEF, 2031, "both", "both", TimingSet::Normal),
    ];

    #[test]
    fn the_standard_s_table_reads_as_printed() {
        for (first, decimal, lengths, headers, timing) in TABLE_4 {
            let key_bytes = KeyBytes(first, 0x8F);
            assert!(key_bytes.is_iso14230(), "{key_bytes}");
            assert_eq!(key_bytes.decimal(), decimal);
            assert_eq!(key_bytes.timing_set(), Some(timing), "{key_bytes}");
            let forms = key_bytes.headers();
            let (in_format, byte) = match lengths {
                "format" => (true, false),
                "byte" => (false, true),
                _ => (true, true),
            };
            assert_eq!((forms.length_in_format, forms.length_byte), (in_format, byte), "{key_bytes}");
            let (one, addresses) = match headers {
                "one" => (true, false),
                "both" => (true, true),
                _ => (false, true),
            };
            assert_eq!((forms.without_addresses, forms.with_addresses), (one, addresses), "{key_bytes}");
        }
    }

    #[test]
    fn a_flipped_bit_breaks_the_parity_and_announces_nothing() {
        for bit in 0..8 {
            let key_bytes = KeyBytes(0xE9 ^ (1 << bit), 0x8F);
            assert!(!key_bytes.has_odd_parity());
            assert_eq!(key_bytes.headers(), HeaderForms::NOT_STATED);
            assert_eq!(key_bytes.timing_set(), None);
        }
    }

    /// From memory: ISO 9141-2 key bytes 08 08 (P2min 25 ms) and 94 94 (P2min 0).
    #[test]
    fn iso_9141_2_key_bytes_choose_p2min() {
        let mut timing = Timing::NORMAL;
        KeyBytes::ISO9141.apply_to(&mut timing);
        assert_eq!(timing, Timing::NORMAL);
        KeyBytes::ISO9141_AT_ONCE.apply_to(&mut timing);
        assert_eq!(timing.p2_min, core::time::Duration::ZERO);
        assert_eq!(timing.p3_min, Timing::NORMAL.p3_min);
    }

    #[test]
    fn a_declared_limit_outlives_the_announced_set() {
        let mut timing = Timing { p2_max: core::time::Duration::from_millis(80), ..Timing::NORMAL };
        KeyBytes(0xD9, 0x8F).apply_to(&mut timing);
        assert_eq!(timing.p2_max, core::time::Duration::from_millis(80));
        assert_eq!(timing.p3_min, Timing::EXTENDED.p3_min);
    }

    #[test]
    fn length_goes_where_the_unit_can_read_it() {
        let only_format = KeyBytes(0xE9, 0x8F).headers();
        assert_eq!(only_format.length_form(63), Some(LengthForm::InFormat));
        assert_eq!(only_format.length_form(64), None);
        let only_byte = KeyBytes(0xEA, 0x8F).headers();
        assert_eq!(only_byte.length_form(1), Some(LengthForm::LengthByte));
        let both = KeyBytes::ISO14230.headers();
        assert_eq!(both.length_form(64), Some(LengthForm::LengthByte));
        assert_eq!(both.length_form(256), None);
    }

    #[test]
    fn they_are_shown_with_their_decimal_name() {
        assert_eq!(KeyBytes(0xEA, 0x8F).to_string(), "EA 8F (2026)");
    }
}
