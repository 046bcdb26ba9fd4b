//! The status byte of a fault code.

use core::fmt;

use bitflags::bitflags;

use crate::{Status, StatusCoding};

bitflags! {
    /// State of a fault code, or a mask of states (ISO 14229-1:2013 annex D.2).
    ///
    /// ```
    /// use tickover_services::uds::FaultStatus;
    ///
    /// let status = FaultStatus::from_bits_retain(0x2F);
    /// assert!(status.contains(FaultStatus::CONFIRMED | FaultStatus::TEST_FAILED));
    /// ```
    #[derive(Clone, Copy, PartialEq, Eq, Hash, Debug)]
    pub struct FaultStatus: u8 {
        /// The last finished test failed.
        const TEST_FAILED = 1 << 0;
        /// A test failed in this operation cycle.
        const TEST_FAILED_THIS_CYCLE = 1 << 1;
        /// A test failed, and no whole operation cycle without a failure has passed since.
        const PENDING = 1 << 2;
        /// Confirmed, and stored.
        const CONFIRMED = 1 << 3;
        /// No test has finished since the last clear.
        const NOT_COMPLETED_SINCE_CLEAR = 1 << 4;
        /// A test failed since the last clear.
        const FAILED_SINCE_CLEAR = 1 << 5;
        /// No test has finished in this operation cycle.
        const NOT_COMPLETED_THIS_CYCLE = 1 << 6;
        /// The warning lamp is asked for.
        const WARNING_INDICATOR = 1 << 7;
        const _ = !0;
    }
}

impl FaultStatus {
    /// Whether a unit reports a fault of this state: asked for by `mask`, as far as the unit has the bits (ISO
    /// 14229-1:2013 11.3.1.3).
    pub const fn matches(self, mask: Self, available: Self) -> bool {
        self.bits() & mask.bits() & available.bits() != 0
    }
}

/// In words: `pending, confirmed`.
impl fmt::Display for FaultStatus {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        Status { coding: StatusCoding::Iso14229, byte: self.bits() }.fmt(f)
    }
}

#[cfg(test)]
mod tests {
    use std::string::ToString;

    use super::*;

    /// ISO 14229-1:2013 11.3.1.3, as notes on it give it: bits that the unit does not have are dropped, not refused.
    #[test]
    fn a_mask_asks_only_for_what_the_unit_has() {
        let (failed, lamp) = (FaultStatus::TEST_FAILED, FaultStatus::WARNING_INDICATOR);
        assert!(failed.matches(failed | lamp, FaultStatus::all() - lamp));
        assert!(!(lamp | FaultStatus::CONFIRMED).matches(lamp, FaultStatus::all() - lamp));
        assert!(!failed.matches(FaultStatus::empty(), FaultStatus::all()));
    }

    #[test]
    fn a_state_shows_as_words() {
        assert_eq!((FaultStatus::PENDING | FaultStatus::CONFIRMED).to_string(), "pending, confirmed");
    }
}
