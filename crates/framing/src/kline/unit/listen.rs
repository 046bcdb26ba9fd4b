//! Requests: when they count, when they are ignored.

use super::answer::Reply;
use super::{Ignored, Phase, Unit, UnitEvent};
use crate::deadline::Deadline;
use crate::kline::frame::{Content, Way};
use crate::kline::init::service;
use crate::kline::message::LengthForm;
use crate::kline::receiver::{Char, Step};
use crate::kline::{Framing, Init};
use crate::time::Instant;

impl Unit {
    /// P3 runs: the next request must have started by P3max. A unit that needs no initialisation waits for ever.
    pub(super) fn await_request(&mut self, from: Instant) {
        match self.line.timing.p3_max {
            Some(p3_max) if self.phase == Phase::Started && self.line.init != Init::None => {
                self.deadlines.arm(Deadline::NextRequest, self.limit(from, p3_max));
            }
            _ => self.deadlines.disarm(Deadline::NextRequest),
        }
    }

    pub(super) fn request_byte(&mut self, char: Char) {
        let five_baud_only = self.phase == Phase::Asleep && matches!(self.line.init, Init::FiveBaud(_));
        if five_baud_only || self.is_low() {
            return;
        }
        if !self.receiver.is_busy() {
            self.deadlines.disarm(Deadline::NextRequest);
        }
        let step = self.receiver.push(&self.line.framing, char);
        self.deadlines.arm(Deadline::NextByte, self.limit(char.end, self.line.timing.p4_max));
        match step {
            Step::Whole => self.whole(),
            Step::Noise(noise) => self.noise(char.end, noise),
            Step::More | Step::Skipped => {}
        }
    }

    /// P4max is over without a byte.
    pub(super) fn paused(&mut self) {
        let end = self.receiver.end();
        match self.receiver.pause(&self.line.framing) {
            Step::Whole => return self.whole(),
            Step::Noise(noise) => self.noise(end, noise),
            Step::Skipped | Step::More => {}
        }
        self.receiver.clear();
        self.new_window(end);
    }

    /// Something that does not count came: it starts a new P3 (ISO 14230-2 6).
    fn new_window(&mut self, end: Instant) {
        if self.phase == Phase::Started && !self.is_answering() {
            self.free_from = Some(end);
            self.await_request(end);
        }
    }

    fn whole(&mut self) {
        self.deadlines.disarm(Deadline::NextByte);
        let (start, end) = (self.receiver.start(), self.receiver.end());
        let opened = self.receiver.open(&self.line.framing, Way::Request);
        let judged = opened.map(|content| (content, self.judge(content, start)));
        match judged {
            Err(noise) => {
                self.noise(end, noise);
                self.new_window(end);
            }
            Ok((_, Some(why))) => {
                self.events.push(UnitEvent::Ignored { start, why });
                if why != Ignored::Answering {
                    self.new_window(end);
                }
            }
            Ok((content, None)) => self.good(content, start, end),
        }
        self.receiver.clear();
    }

    /// Why a good message does not count, if it does not.
    fn judge(&self, content: Content, start: Instant) -> Option<Ignored> {
        let wanted = if content.functional && self.line.framing == Framing::Iso14230 {
            self.line.functional
        } else {
            Some(self.line.unit)
        };
        if content.target.is_some() && content.target != wanted {
            return Some(Ignored::Foreign);
        }
        if matches!(self.line.framing, Framing::Declared(_)) && content.source.is_some_and(|s| s != self.line.tester) {
            return Some(Ignored::Foreign);
        }
        if self.is_answering() {
            return Some(Ignored::Answering);
        }
        let starts = self.is_start_communication(content);
        let awake = self.wake_up.allows(start, self.line.timing.t_wup, self.reach.late_in);
        if self.phase != Phase::Started {
            let may_start = starts && (awake || !self.reach.pulse) && self.line.init == Init::Fast;
            return (!may_start).then_some(Ignored::NotStarted);
        }
        let too_early = self.free_from.is_some_and(|free| start < free.after(self.line.timing.p3_min));
        if too_early && !content.functional && !(starts && awake) {
            return Some(Ignored::P3Min);
        }
        (!starts && !self.announces(content)).then_some(Ignored::Header)
    }

    fn is_start_communication(&self, content: Content) -> bool {
        let data = self.receiver.bytes().get(content.data_at..content.data_at + content.data_len);
        self.line.framing == Framing::Iso14230 && data == Some(&[service::START_COMMUNICATION])
    }

    fn announces(&self, content: Content) -> bool {
        let headers = self.key_bytes.headers();
        let length = match content.length_form {
            None => true,
            Some(LengthForm::InFormat) => headers.length_in_format,
            Some(LengthForm::LengthByte) => headers.length_byte,
        };
        let addresses = match (content.length_form, content.target) {
            (None, _) => true,
            (_, None) => headers.without_addresses,
            (_, Some(_)) => headers.with_addresses,
        };
        length && addresses
    }

    fn good(&mut self, content: Content, start: Instant, end: Instant) {
        let data = self.receiver.bytes().get(content.data_at..content.data_at + content.data_len).unwrap_or_default();
        self.request_len = data.len().min(self.request.len());
        for (to, from) in self.request.iter_mut().zip(data) {
            *to = *from;
        }
        self.reply = Reply { tester: content.source };
        self.free_from = Some(end);
        self.await_request(end);
        if !self.serves(end) {
            self.events.push(UnitEvent::Request { functional: content.functional, start, end });
        }
    }
}
