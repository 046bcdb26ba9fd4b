//! The unit under the contract: inputs and outputs.

use super::{Unit, UnitEvent};
use crate::contract::{Input, Machine, Output};
use crate::transport::Noise;

impl Machine for Unit {
    type Event = UnitEvent;

    fn handle(&mut self, input: Input<'_>) {
        match input {
            Input::Bytes { end, bytes } => {
                while let Some(char) = self.backlog.take(self.char_time()) {
                    self.byte(char);
                }
                if !self.backlog.put(end, bytes, self.char_time()).is_empty() {
                    self.noise(end, Noise::TooLong);
                }
                self.pump();
            }
            Input::Edge { at, level } => {
                self.expire_before(at);
                self.edge(at, level);
            }
            Input::Sent { start, end, .. } => self.sent(start, end),
            Input::SpeedIs { at, got } => self.speed_is(at, got),
            Input::Timeout { now } => {
                while let Some((at, deadline)) = self.deadlines.take_due(now) {
                    self.on_deadline(deadline, at, now);
                }
            }
            Input::Lost { cause, .. } => self.lost(cause),
            // A unit never moves the line by hand, and frames are not of this line.
            Input::LineIs { .. } | Input::Frame { .. } | Input::Bus { .. } => {}
        }
    }

    fn poll_output(&mut self) -> Output<UnitEvent> {
        loop {
            if let Some(event) = self.events.pop() {
                return Output::Event(event);
            }
            if !self.backlog.is_empty() {
                self.pump();
                continue;
            }
            if let Some(act) = self.act.take() {
                return Output::Act(act);
            }
            return match self.deadlines.next() {
                Some((at, deadline)) => Output::WaitUntil { at, why: deadline.why() },
                None => Output::Idle,
            };
        }
    }
}
