//! Leaving: in order when the session is closed, at once when the port is gone or another is taken.

use core::time::Duration;

use tickover_framing::Instant;
use tickover_framing::contract::{Act, Level};
use tickover_framing::kline::Stopping;

use crate::connect::Phase;
use crate::machine::Session;
use crate::{Event, Fault};

impl Session {
    /// Ends the connection in order, or at once where there is none.
    pub(crate) fn leave(&mut self) {
        let now = self.now;
        let connected = !matches!(self.phase, Phase::Down | Phase::BackOff { .. });
        self.phase = Phase::Leaving;
        let stopping = self.lane.as_mut().filter(|_| connected).map(|lane| lane.transport.stop(now));
        if !matches!(stopping, Some(Ok(Stopping::Asked))) {
            self.closed();
        }
    }

    /// `close` was called: nothing new is sent, nothing is repeated.
    pub(crate) fn leave_soon(&mut self, now: Instant) {
        self.fail_waiting(now, Fault::Caller, "the session is being closed");
        match &mut self.lane {
            None => self.tell_closed(),
            Some(lane) => lane.flight.iter_mut().for_each(|flight| flight.exchange.repeat_no_more()),
        }
    }

    /// The conversation is over: the port runs at its first speed again.
    pub(crate) fn closed(&mut self) {
        let lane = self.lane.take();
        let base = self.unit.base_line().map(|line| line.line.speed());
        if let (Some(lane), Some(base)) = (&lane, base) {
            if lane.transport.line().speed() != base {
                self.acts.push_back(Act::Speed(base));
            }
            self.history.down_since.get_or_insert(self.now);
        }
        self.phase = Phase::Down;
        self.tell_closed();
    }

    fn tell_closed(&mut self) {
        self.closing = false;
        self.events.push_back(Event::Closed);
    }

    /// Drops the connection at once: the port is gone, or another is taken. A close that was under way is over, too.
    pub(crate) fn end_connection(&mut self, now: Instant) {
        self.abandon_flight();
        self.fail_waiting(now, Fault::Line, "the connection ended");
        if self.phase == Phase::Initialising && self.reach.pulse {
            self.acts.push_back(Act::Line { level: Level::High, hold: Duration::ZERO });
        }
        if self.lane.take().is_some() {
            self.history.down_since.get_or_insert(now);
        }
        self.phase = Phase::Down;
        if self.closing {
            self.tell_closed();
        }
    }
}
