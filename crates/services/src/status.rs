//! Status bytes of fault codes: three standards, three codings that contradict each other.
//!
//! Nothing in a status byte tells how it is coded, so the definition of a unit says it.

use core::fmt;

use bitflags::bitflags;

use crate::uds::FaultStatus;

/// How a unit codes the status byte of a fault code.
#[derive(Clone, Copy, PartialEq, Eq, Hash, Debug)]
pub enum StatusCoding {
    /// ISO 14230-3: symptom, readiness, storage state, warning lamp.
    Iso14230,
    /// SSF 14230-3: pending and validated fault, each now and in this driving cycle.
    Ssf14230,
    /// ISO 14229-1: test results since the last clear and in this operation cycle.
    Iso14229,
}

/// A status byte with its coding; shows as words.
///
/// ```
/// use tickover_services::{Status, StatusCoding};
///
/// let status = Status { coding: StatusCoding::Ssf14230, byte: 0x60 };
/// assert_eq!(status.to_string(), "stored, validated fault present");
/// assert!(status.is_present() && status.is_stored());
/// ```
#[derive(Clone, Copy, PartialEq, Eq, Hash, Debug)]
pub struct Status {
    /// How the byte is to be understood.
    pub coding: StatusCoding,
    /// As the unit sent it.
    pub byte: u8,
}

impl Status {
    /// What the byte says, one phrase for each thing that is so.
    pub fn words(self) -> impl Iterator<Item = &'static str> {
        let table = match self.coding {
            StatusCoding::Iso14230 => ISO_WORDS,
            StatusCoding::Ssf14230 => SSF_WORDS,
            StatusCoding::Iso14229 => UDS_WORDS,
        };
        table.iter().filter(move |(mask, value, _)| self.byte & mask == *value).map(|(_, _, words)| *words)
    }

    /// Whether the fault is there now.
    pub fn is_present(self) -> bool {
        match self.coding {
            StatusCoding::Iso14230 => IsoStatus::from_bits_retain(self.byte).contains(IsoStatus::PRESENT),
            StatusCoding::Ssf14230 => {
                SsfStatus::from_bits_retain(self.byte).contains(SsfStatus::VALIDATED_FAULT_PRESENT)
            }
            StatusCoding::Iso14229 => FaultStatus::from_bits_retain(self.byte).contains(FaultStatus::TEST_FAILED),
        }
    }

    /// Whether the unit keeps the fault in its memory.
    pub fn is_stored(self) -> bool {
        match self.coding {
            StatusCoding::Iso14230 => IsoStatus::from_bits_retain(self.byte).contains(IsoStatus::STORED),
            StatusCoding::Ssf14230 => SsfStatus::from_bits_retain(self.byte).contains(SsfStatus::STORED),
            StatusCoding::Iso14229 => FaultStatus::from_bits_retain(self.byte).contains(FaultStatus::CONFIRMED),
        }
    }
}

/// The words with commas between; `no status` if nothing is so.
impl fmt::Display for Status {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        let mut words = self.words();
        f.write_str(words.next().unwrap_or("no status"))?;
        words.try_for_each(|words| write!(f, ", {words}"))
    }
}

bitflags! {
    /// ISO 14230-3 statusOfDTC (from memory). Bits 5 and 6 together are the storage state.
    #[derive(Clone, Copy, PartialEq, Eq, Hash, Debug)]
    pub struct IsoStatus: u8 {
        /// Symptom: above the maximum.
        const ABOVE_MAXIMUM = 1 << 0;
        /// Symptom: below the minimum.
        const BELOW_MINIMUM = 1 << 1;
        /// Symptom: no signal.
        const NO_SIGNAL = 1 << 2;
        /// Symptom: invalid signal.
        const INVALID_SIGNAL = 1 << 3;
        /// The test has not finished in this driving cycle.
        const NOT_READY = 1 << 4;
        /// Low bit of the storage state: kept in memory.
        const STORED = 1 << 5;
        /// High bit of the storage state: there at the time of the request.
        const PRESENT = 1 << 6;
        /// The warning lamp is asked for.
        const WARNING_LAMP = 1 << 7;
        const _ = !0;
    }
}

bitflags! {
    /// SSF 14230-3 issue 2 (2000-02-01) table 8.2.3.2.1.
    #[derive(Clone, Copy, PartialEq, Eq, Hash, Debug)]
    pub struct SsfStatus: u8 {
        /// The raw fault is there now.
        const PENDING_FAULT_PRESENT = 1 << 0;
        /// The raw fault was seen in this driving cycle.
        const PENDING_FAULT_STATE = 1 << 1;
        /// The conditions of the test are met now.
        const TEST_RUNNING = 1 << 2;
        /// Another fault blocks the test.
        const TEST_INHIBITED = 1 << 3;
        /// The test has not finished in this driving cycle.
        const TEST_NOT_FINISHED = 1 << 4;
        /// Validated at least once, and stored.
        const STORED = 1 << 5;
        /// The validated fault is there now.
        const VALIDATED_FAULT_PRESENT = 1 << 6;
        /// The fault was validated in this driving cycle.
        const VALIDATED_FAULT_STATE = 1 << 7;
        const _ = !0;
    }
}

/// Mask, value under the mask, words. The phrase holds where the masked bits have the value.
type Words = &'static [(u8, u8, &'static str)];

/// Meanings from memory.
const ISO_WORDS: Words = &[
    (0x01, 0x01, "above the maximum"),
    (0x02, 0x02, "below the minimum"),
    (0x04, 0x04, "no signal"),
    (0x08, 0x08, "invalid signal"),
    (0x10, 0x10, "test not finished"),
    (0x60, 0x20, "stored, not present"),
    (0x60, 0x40, "present, not stored"),
    (0x60, 0x60, "present and stored"),
    (0x80, 0x80, "warning lamp"),
];

const SSF_WORDS: Words = &[
    (0x01, 0x01, "pending fault present"),
    (0x02, 0x02, "pending fault in this cycle"),
    (0x04, 0x04, "test running"),
    (0x08, 0x08, "test inhibited"),
    (0x10, 0x10, "test not finished"),
    (0x20, 0x20, "stored"),
    (0x40, 0x40, "validated fault present"),
    (0x80, 0x80, "validated fault in this cycle"),
];

const UDS_WORDS: Words = &[
    (0x01, 0x01, "test failed"),
    (0x02, 0x02, "test failed in this cycle"),
    (0x04, 0x04, "pending"),
    (0x08, 0x08, "confirmed"),
    (0x10, 0x10, "test not completed since the last clear"),
    (0x20, 0x20, "test failed since the last clear"),
    (0x40, 0x40, "test not completed in this cycle"),
    (0x80, 0x80, "warning lamp"),
];

#[cfg(test)]
mod tests {
    use std::string::ToString;

    use super::*;

    /// SSF 14230-3 issue 2 8.2.5.2.1 reports P0130 with A7, and its table 8.2.3.2.1 gives the words.
    /// ISO 14230-3: from memory. ISO 14229-1:2013 table 296 reports 0A9B17 with 24, annex D.2 gives the words.
    #[test]
    fn one_byte_means_three_things() {
        let says = |coding, byte| Status { coding, byte }.to_string();
        assert_eq!(
            says(StatusCoding::Ssf14230, 0xA7),
            "pending fault present, pending fault in this cycle, test running, stored, validated fault in this cycle"
        );
        assert_eq!(says(StatusCoding::Iso14230, 0xE1), "above the maximum, present and stored, warning lamp");
        assert_eq!(says(StatusCoding::Iso14229, 0x24), "pending, test failed since the last clear");
        assert_eq!(says(StatusCoding::Iso14230, 0x00), "no status");
    }

    #[test]
    fn present_and_stored_follow_the_coding() {
        let of = |coding, byte| (Status { coding, byte }.is_present(), Status { coding, byte }.is_stored());
        assert_eq!(of(StatusCoding::Ssf14230, 0x40), (true, false));
        assert_eq!(of(StatusCoding::Ssf14230, 0x20), (false, true));
        assert_eq!(of(StatusCoding::Iso14230, 0x40), (true, false));
        assert_eq!(of(StatusCoding::Iso14230, 0x20), (false, true));
        assert_eq!(of(StatusCoding::Iso14229, 0x01), (true, false));
        assert_eq!(of(StatusCoding::Iso14229, 0x08), (false, true));
    }

    #[test]
    fn every_bit_has_words_in_every_coding() {
        for coding in [StatusCoding::Iso14230, StatusCoding::Ssf14230, StatusCoding::Iso14229] {
            for bit in 0..8 {
                assert_eq!(Status { coding, byte: 1 << bit }.words().count(), 1, "{coding:?} bit {bit}");
            }
        }
    }
}
