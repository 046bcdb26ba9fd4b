//! The tester under the two contracts: inputs and outputs, connect and ask.

use core::time::Duration;

use super::{Consequence, Ended, Opening, Phase, Tester};
use crate::contract::{Input, Machine, Output};
use crate::deadline::Deadline;
use crate::kline::Framing;
use crate::kline::frame::{Frame, Target};
use crate::kline::init::service;
use crate::time::Instant;
use crate::transport::{Ask, Heard, Misuse, Noise, Peer, Transport};

impl Machine for Tester {
    type Event = Heard;

    fn handle(&mut self, input: Input<'_>) {
        match input {
            Input::Bytes { end, bytes } => {
                // A driver that drained the outputs left nothing behind; one that did not loses events, not bytes.
                while let Some(char) = self.backlog.take(self.char_time()) {
                    self.byte(char);
                }
                if !self.backlog.put(end, bytes, self.char_time()).is_empty() {
                    self.noise(end, Noise::TooLong);
                }
                self.pump();
            }
            Input::Sent { start, end, .. } => self.sent(start, end),
            Input::LineIs { at, level } => self.line_is(at, level),
            Input::SpeedIs { at, got } => self.speed_is(at, got),
            Input::Timeout { now } => {
                while let Some((at, deadline)) = self.deadlines.take_due(now) {
                    self.on_deadline(deadline, at, now);
                }
            }
            Input::Lost { cause, .. } => self.lost(cause),
            // Another tester's pulse is not for us, and frames are not of this line.
            Input::Edge { .. } | Input::Frame { .. } | Input::Bus { .. } => {}
        }
    }

    fn poll_output(&mut self) -> Output<Heard> {
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

impl Transport for Tester {
    fn connect(&mut self, now: Instant) {
        if let Phase::Dead(cause) = self.phase {
            self.events.push(Heard::Down(cause));
            return;
        }
        let ended = match self.phase {
            Phase::Off => self.ended,
            _ => Ended::Otherwise,
        };
        let held_low = self.may_hold_the_line();
        self.switch_off(ended);
        self.line = self.declared;
        self.announced = self.declared.timing;
        self.headers = self.declared.expected_headers();
        self.free_from = None;
        self.key_bytes = None;
        self.opening_since = now;
        self.phase = Phase::Opening(Opening::Speed);
        if held_low {
            self.release();
        } else {
            self.speed_due(now);
        }
    }

    fn request(&mut self, now: Instant, data: &[u8], ask: Ask) -> Result<(), Misuse> {
        self.must_be_ready()?;
        let target = match ask.to {
            Peer::Unit(unit) => Target::Unit(unit),
            Peer::Anyone => match (self.line.framing, self.line.functional) {
                (_, Some(function)) => Target::Function(function),
                (Framing::Iso14230, None) => return Err(Misuse::Addressing),
                (_, None) => Target::Unit(self.line.unit),
            },
            Peer::Address(_) => return Err(Misuse::Addressing),
        };
        let limit = self.line.framing.longest(self.headers) as u16;
        let Some(frame) = Frame::request(&self.line, self.headers, target, data) else {
            return Err(Misuse::Length { length: data.len(), limit });
        };
        self.queued = Some(frame);
        self.answered = false;
        self.ask = ask;
        self.window = ask.window;
        self.consequence = match (self.line.framing, data) {
            (Framing::Iso14230, [service::ACCESS_TIMING, kind, values @ ..]) => self.consequence_of(*kind, values),
            _ => Consequence::None,
        };
        self.phase = Phase::Asking;
        self.deadlines.arm(Deadline::Quiet, self.give_up_at(now, self.line.timing.p3_min));
        self.advance(now);
        Ok(())
    }

    fn keep_waiting(&mut self, window: Duration) {
        if self.answered && matches!(self.phase, Phase::Ready | Phase::Waiting) {
            self.window = window;
            self.open_window(self.window_from);
        }
    }

    fn message(&self) -> &[u8] {
        self.message.get(..self.message_len).unwrap_or_default()
    }
}
