//! Leaving: in order when the session is closed, at once when the port is gone or another is taken.

use core::time::Duration;

use tickover_defs::compiled::Line;
use tickover_framing::Instant;
use tickover_framing::contract::{Act, Level};
use tickover_framing::kline::Stopping;

use crate::Fault;
use crate::connect::Phase;
use crate::conversation::Conversation;

impl Conversation {
    /// Ends the connection in order, or at once where there is none.
    pub(crate) fn leave(&mut self) {
        let now = self.now;
        let connected = !matches!(self.phase, Phase::Down | Phase::Paused | Phase::BackOff { .. });
        self.phase = Phase::Leaving;
        let stopping = self.lane.as_mut().filter(|_| connected).map(|lane| lane.stop(now));
        if !matches!(stopping, Some(Ok(Stopping::Asked))) {
            self.closed();
        }
    }

    /// `close` was called: nothing new is sent, nothing is repeated.
    pub(crate) fn leave_soon(&mut self, now: Instant) {
        self.fail_waiting(now, Fault::Caller, "the session is being closed");
        match &mut self.lane {
            None => {
                (self.closing, self.phase) = (false, Phase::Down);
            }
            Some(lane) => lane.flight.iter_mut().for_each(|flight| flight.exchange.repeat_no_more()),
        }
    }

    /// The conversation is over: the port runs at its first speed again.
    pub(crate) fn closed(&mut self) {
        let lane = self.lane.take();
        let base = match self.unit.base_line() {
            Some(Line::KLine(line)) => Some(line.line.speed()),
            _ => None,
        };
        if let Some(lane) = &lane {
            let changed = base.filter(|base| lane.speed().is_some_and(|speed| speed != *base));
            self.acts.extend(changed.map(Act::Speed));
            self.history.down_since.get_or_insert(self.now);
        }
        self.phase = Phase::Down;
        self.waits = None;
        self.closing = false;
    }

    /// The bus is off: what is under way comes to nothing, nothing is sent.
    pub(crate) fn pause(&mut self, at: Instant) {
        if self.lane.is_none() {
            return;
        }
        self.pass_time(at);
        self.abandon_flight();
        self.history.down_since.get_or_insert(at);
        self.waits = None;
        self.phase = Phase::Paused;
    }

    /// The bus is active again: begins anew, with plan and statistics as they are.
    pub(crate) fn resume(&mut self, at: Instant) {
        self.pass_time(at);
        if self.phase == Phase::Paused {
            self.begin(at);
        }
    }

    /// Drops the connection at once: the port is gone, or another is taken. A close that was under way is over, too.
    pub(crate) fn end_connection(&mut self, now: Instant) {
        self.abandon_flight();
        self.fail_waiting(now, Fault::Line, "the connection ended");
        if self.phase == Phase::Initialising && self.reach.pulse {
            self.acts.push_back(Act::Line { level: Level::High, hold: Duration::ZERO });
        }
        if self.lane.take().is_some() || self.phase == Phase::Listening {
            self.history.down_since.get_or_insert(now);
        }
        self.phase = Phase::Down;
        self.waits = None;
        self.closing = false;
    }
}
