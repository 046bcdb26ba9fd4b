//! The tester under the two contracts: inputs and outputs, connect and ask.

use core::time::Duration;

use super::{Asked, Phase, Tester};
use crate::contract::{Input, Machine, Output};
use crate::isotp::settings::is_made;
use crate::time::Instant;
use crate::transport::{Ask, Heard, Misuse, Peer, Transport};

impl<const UNITS: usize, const BYTES: usize> Machine for Tester<UNITS, BYTES> {
    type Event = Heard;

    fn handle(&mut self, input: Input<'_>) {
        match input {
            Input::Frame { end, frame } => self.frame(frame, end),
            Input::Sent { tag, start, end, known } => self.sent(tag, (start, end), known),
            Input::Timeout { now } => self.expire(now, |at| at <= now),
            Input::SpeedIs { got, .. } => {
                let (Phase::Connecting, Some(wanted)) = (self.phase, self.settings.line.speed) else { return };
                if is_made(wanted, got) {
                    self.ready();
                } else {
                    self.switch_off();
                    self.events.push(Heard::NotMade { wanted, got });
                }
            }
            Input::Lost { cause, .. } => {
                if !matches!(self.phase, Phase::Dead(_)) {
                    self.switch_off();
                    self.phase = Phase::Dead(cause);
                    self.events.push(Heard::Down(cause));
                }
            }
            // A controller that is off confirms nothing, which is noticed. The others are not of this line.
            Input::Bus { .. } | Input::Bytes { .. } | Input::Edge { .. } | Input::LineIs { .. } => {}
        }
    }

    fn poll_output(&mut self) -> Output<Heard> {
        if let Some(event) = self.events.pop() {
            if let Heard::Message { from: Peer::Address(from), .. } = event {
                self.spoken = self.position(|unit| unit.path.response == from);
            }
            return Output::Event(event);
        }
        if let Some(act) = self.next_act() {
            return Output::Act(act);
        }
        match self.next_deadline() {
            Some((at, deadline)) => Output::WaitUntil { at, why: deadline.why() },
            None => Output::Idle,
        }
    }
}

impl<const UNITS: usize, const BYTES: usize> Transport for Tester<UNITS, BYTES> {
    fn connect(&mut self, _: Instant) {
        if let Phase::Dead(cause) = self.phase {
            self.events.push(Heard::Down(cause));
            return;
        }
        self.switch_off();
        if self.settings.line.speed.is_some() {
            self.phase = Phase::Connecting;
            self.speed_act = true;
        } else {
            self.ready();
        }
    }

    fn request(&mut self, now: Instant, data: &[u8], ask: Ask) -> Result<(), Misuse> {
        match self.phase {
            Phase::Ready => {}
            Phase::Asking | Phase::Waiting => return Err(Misuse::Busy),
            Phase::Off | Phase::Connecting | Phase::Dead(_) => return Err(Misuse::NotConnected),
        }
        let (to, asked, limit) = match ask.to {
            Peer::Address(to) => {
                let unit = self.position(|unit| unit.path.request == to).ok_or(Misuse::Addressing)?;
                (to, Asked::Unit(unit), BYTES)
            }
            Peer::Anyone => {
                // To a group there are single frames only (ISO 15765-2:2016 9.8.3).
                let to = self.functional.ok_or(Misuse::Addressing)?;
                (to, Asked::All, self.settings.line.frames.single_max(to).min(BYTES))
            }
            Peer::Unit(_) => return Err(Misuse::Addressing),
        };
        if data.is_empty() || data.len() > limit {
            return Err(Misuse::Length { length: data.len(), limit: limit as u16 });
        }
        (self.ask, self.asked, self.window) = (ask, asked, ask.window);
        self.phase = Phase::Asking;
        self.spoken = None;
        for unit in self.units.iter_mut().flatten() {
            (unit.answering, unit.pending_until) = (false, None);
        }
        self.sender.begin(&self.settings, now, now, to, data);
        Ok(())
    }

    fn keep_waiting(&mut self, window: Duration) {
        if !matches!(self.phase, Phase::Ready | Phase::Waiting) {
            return;
        }
        let until = self.window_limit(self.window_from, window);
        let Some(unit) = self.spoken.and_then(|place| self.units.get_mut(place)?.as_mut()) else { return };
        unit.pending_until = Some(until);
        if self.phase == Phase::Ready {
            self.phase = Phase::Waiting;
            self.window_until = until;
        }
        self.window = window;
    }

    fn message(&self) -> &[u8] {
        let unit = self.spoken.and_then(|place| self.units.get(place)?.as_ref());
        unit.map_or(&[], |unit| unit.receiver.message())
    }
}
