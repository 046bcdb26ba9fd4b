//! What is paced by a clock: a virtual line or a virtual bus.

use tickover_framing::can::Filter;
use tickover_framing::drive::Port;
use tickover_framing::time::Instant;

use crate::bus::Bus;
use crate::line::Line;
use crate::station::Station;

/// Something virtual that can be paced by a clock.
pub trait Medium: Port {
    /// When something happens next, as far as is known.
    fn next_due(&self) -> Option<Instant>;
    /// Time passes; what the tester would notice is dropped.
    fn pass_until(&mut self, until: Instant);
    /// The tester's port is back after it was cut.
    fn plug_in(&mut self);
    /// Which frames the tester wants from now on.
    fn filter(&mut self, wanted: &[Filter]);
}

impl<S: Station> Medium for Line<S> {
    fn next_due(&self) -> Option<Instant> {
        Self::next_due(self)
    }

    fn pass_until(&mut self, until: Instant) {
        Self::pass_until(self, until);
    }

    fn plug_in(&mut self) {
        self.cut_at(None);
    }

    /// A line has no frames.
    fn filter(&mut self, _wanted: &[Filter]) {}
}

impl<S: Station> Medium for Bus<S> {
    fn next_due(&self) -> Option<Instant> {
        Self::next_due(self)
    }

    fn pass_until(&mut self, until: Instant) {
        Self::pass_until(self, until);
    }

    fn plug_in(&mut self) {
        self.cut_at(None);
    }

    fn filter(&mut self, wanted: &[Filter]) {
        self.tester_wants(Some(wanted));
    }
}
