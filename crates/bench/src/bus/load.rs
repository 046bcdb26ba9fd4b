//! How busy the bus was, and what was on it.

use core::time::Duration;

use tickover_framing::can::Frame;
use tickover_framing::time::Instant;

use crate::station::Who;

/// How busy the bus was over a time.
#[derive(Clone, Copy, PartialEq, Eq, Debug, Default)]
pub struct Load {
    /// From when on.
    pub since: Instant,
    /// Until when.
    pub until: Instant,
    /// Time that frames took, destroyed ones and errors included, up to the last frame that has ended.
    pub busy: Duration,
    /// Frames that arrived.
    pub frames: u64,
    /// Attempts that were destroyed or not acknowledged.
    pub failed: u64,
}

impl Load {
    /// Busy time as a share of all time, 0 to 1; 0 if no time has passed.
    pub fn share(&self) -> f64 {
        let span = self.until.since(self.since);
        if span.is_zero() { 0.0 } else { self.busy.as_secs_f64() / span.as_secs_f64() }
    }
}

/// A frame that was on the bus.
#[derive(Clone, Copy, PartialEq, Eq, Debug)]
pub struct Passed {
    /// Start of its first bit.
    pub start: Instant,
    /// End of the last bit of its intermission, or of the error's.
    pub end: Instant,
    /// Who sent it; of several with the same frame the first.
    pub from: Who,
    /// What was sent.
    pub frame: Frame,
    /// Whether it arrived: neither destroyed nor without acknowledgement.
    pub arrived: bool,
}
