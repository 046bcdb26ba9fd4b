//! One request and its answers: P3min before, P4min inside, P2max and P1max behind.

use super::{Consequence, Ended, Opening, Phase, SpeedState, Tester};
use crate::deadline::Deadline;
use crate::kline::frame::{Content, Way};
use crate::kline::init::service;
use crate::kline::receiver::{Char, Step};
use crate::time::Instant;
use crate::transport::{Answers, Heard, Noise, Peer};

impl Tester {
    /// Sends the request that waits, as soon as the line is free, its speed made and P3min over.
    pub(super) fn advance(&mut self, now: Instant) {
        let held_back = self.receiver.is_busy() || self.outgoing.is_sending() || self.speed != SpeedState::Made;
        if self.phase != Phase::Asking || held_back || self.queued.is_none() {
            return;
        }
        let allowed = self.free_from.map_or(now, |free| free.after(self.line.timing.p3_min));
        if now < allowed {
            self.deadlines.arm(Deadline::MayRequest, allowed);
            return;
        }
        self.deadlines.disarm(Deadline::MayRequest);
        self.deadlines.disarm(Deadline::Quiet);
        if self.outgoing.settle_echo() {
            self.noise(now, Noise::NoEcho);
        }
        if let Some(frame) = self.queued.take() {
            self.act = self.outgoing.begin(frame, self.line.timing.p4_min);
        }
    }

    pub(super) fn request_is_out(&mut self, start: Instant, end: Instant) {
        self.free_from = Some(self.out_for_sure(end));
        self.window_from = end;
        self.events.push(Heard::Sent { start, end });
        if self.ask.answers == Answers::None {
            self.phase = Phase::Ready;
        } else {
            self.open_window(self.out_for_sure(end));
        }
    }

    /// The answer must have started by the window's length after `from`.
    pub(super) fn open_window(&mut self, from: Instant) {
        self.phase = Phase::Waiting;
        self.deadlines.arm(Deadline::AnswerStart, self.limit(from, self.window));
        self.deadlines.arm(Deadline::Quiet, self.give_up_at(from, self.window));
    }

    /// Somebody else sent at the same time: the rest of our frame is not sent, what comes until a pause is skipped.
    pub(super) fn collision(&mut self, at: u16, end: Instant) {
        self.noise(end, Noise::Collision { at });
        self.receiver.skip(end);
        self.deadlines.arm(Deadline::NextByte, self.limit(end, self.line.timing.p1_max));
        if !self.outgoing.is_sending() {
            return;
        }
        self.outgoing.abort();
        self.act = None;
        self.deadlines.disarm(Deadline::OwnByte);
        match self.phase {
            Phase::Asking => {
                self.window_from = end;
                self.open_window(end);
            }
            Phase::Opening(opening) => self.opening_sent(opening, end),
            _ => {}
        }
    }

    pub(super) fn answer_byte(&mut self, char: Char) {
        if !self.receiver.is_busy() {
            self.deadlines.disarm(Deadline::AnswerStart);
        }
        let step = self.receiver.push(&self.line.framing, char);
        self.deadlines.arm(Deadline::NextByte, self.limit(char.end, self.line.timing.p1_max));
        match step {
            Step::Whole => self.whole(),
            Step::Noise(noise) => self.noise(char.end, noise),
            Step::More | Step::Skipped => {}
        }
    }

    /// P1max is over without a byte.
    pub(super) fn paused(&mut self) {
        let end = self.receiver.end();
        match self.receiver.pause(&self.line.framing) {
            Step::Whole => self.whole(),
            Step::Noise(noise) => {
                self.noise(end, noise);
                self.open_again(end);
            }
            Step::Skipped => self.open_again(end),
            Step::More => {}
        }
        self.advance(end);
    }

    fn whole(&mut self) {
        self.deadlines.disarm(Deadline::NextByte);
        match self.receiver.open(&self.line.framing, Way::Answer) {
            Ok(content) => self.good(content),
            Err(noise) => {
                let end = self.receiver.end();
                self.noise(end, noise);
                self.open_again(end);
            }
        }
        self.receiver.clear();
    }

    /// After something unusable: a new window for a repeat or another unit (ISO 14230-2 6).
    fn open_again(&mut self, from: Instant) {
        self.receiver.clear();
        self.free_from = Some(from);
        match self.phase {
            Phase::Waiting => {
                self.window_from = from;
                self.deadlines.arm(Deadline::AnswerStart, self.limit(from, self.window));
            }
            Phase::Opening(Opening::Answer { .. }) => {
                self.window_from = from;
                self.deadlines.arm(Deadline::AnswerStart, self.limit(from, self.line.timing.p2_max));
            }
            _ => {}
        }
    }

    fn good(&mut self, content: Content) {
        let (start, end) = (self.receiver.start(), self.receiver.end());
        self.free_from = Some(end);
        let opening = match self.phase {
            Phase::Opening(opening) => Some(opening),
            _ => None,
        };
        let waiting = self.phase == Phase::Waiting || opening.is_some();
        let wanted = match self.ask.to {
            _ if opening.is_some() => Some(self.line.unit),
            Peer::Unit(unit) => Some(unit),
            Peer::Anyone | Peer::Address(_) => None,
        };
        let for_us = content.target.is_none_or(|target| target == self.line.tester);
        let from_whom = wanted.is_none() || content.source.is_none() || content.source == wanted;
        if !for_us || !from_whom {
            let target = content.target.unwrap_or(self.line.tester);
            self.noise(end, Noise::Foreign { target, source: content.source.unwrap_or_default() });
            self.leave_window(opening);
            return;
        }
        // What began while we still sent answers nothing: an echo on a port that promised none.
        let too_soon = start.after(self.char_time().one()) <= self.window_from;
        if !waiting || too_soon {
            self.noise(end, Noise::Unasked { bytes: content.data_len as u16 });
            self.leave_window(opening);
            return;
        }
        self.keep(content);
        if opening.is_some() {
            self.opening_message(end);
            return;
        }
        if start < self.window_from.after(self.line.timing.p2_min) {
            self.noise(start, Noise::Early);
        }
        self.window_from = end;
        let source = content.source.or(wanted);
        let from = source.map_or(Peer::Anyone, Peer::Unit);
        self.answered = true;
        self.events.push(Heard::Message { from, start, end, len: content.data_len as u16 });
        self.take_consequence();
        // P2 holds again, unless this was "response pending" too (ISO 14230-2 4.4.1).
        self.window = self.ask.window;
        match (self.phase, self.ask.answers) {
            (Phase::Waiting, Answers::UntilSilence) => self.open_window(end),
            (Phase::Waiting, _) => {
                self.phase = Phase::Ready;
                self.deadlines.disarm(Deadline::Quiet);
            }
            _ => {}
        }
    }

    /// What came was no answer: the window stays where it was.
    fn leave_window(&mut self, opening: Option<Opening>) {
        let window = match (self.phase, opening) {
            (_, Some(_)) => self.line.timing.p2_max,
            (Phase::Waiting, None) => self.window,
            _ => return,
        };
        self.deadlines.arm(Deadline::AnswerStart, self.limit(self.out_for_sure(self.window_from), window));
    }

    fn keep(&mut self, content: Content) {
        let data = self.receiver.bytes().get(content.data_at..content.data_at + content.data_len).unwrap_or_default();
        self.message_len = data.len().min(self.message.len());
        for (to, from) in self.message.iter_mut().zip(data) {
            *to = *from;
        }
    }

    /// What an answer changes on the line itself (ISO 14230-2 5).
    fn take_consequence(&mut self) {
        const STOPPED: u8 = service::STOP_COMMUNICATION + service::POSITIVE;
        const GRANTED: u8 = service::ACCESS_TIMING + service::POSITIVE;
        let answer = self.message.first().copied().filter(|_| self.message_len > 0);
        match (self.consequence, answer) {
            (Consequence::Stop, Some(STOPPED)) => self.switch_off(Ended::Orderly),
            (Consequence::SetTiming(values), Some(GRANTED)) => values.apply_to(&mut self.line.timing),
            (Consequence::DefaultTiming, Some(GRANTED)) => self.line.timing = self.announced,
            // "Response pending" keeps it open; any other answer refuses it, and the next request replaces it.
            _ => {}
        }
    }

    /// Nothing came in time, or the line was never quiet.
    pub(super) fn window_closed(&mut self, at: Instant) {
        self.deadlines.disarm(Deadline::AnswerStart);
        self.deadlines.disarm(Deadline::Quiet);
        if self.outgoing.settle_echo() {
            self.noise(at, Noise::NoEcho);
        }
        match self.phase {
            Phase::Waiting | Phase::Asking => {
                self.phase = Phase::Ready;
                self.queued = None;
                if self.consequence == Consequence::Stop {
                    self.switch_off(Ended::Otherwise);
                }
                self.events.push(Heard::Silence { at });
            }
            Phase::Opening(opening) => self.opening_closed(opening, at),
            _ => {}
        }
    }
}
