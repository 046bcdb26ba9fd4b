//! The services that belong to the line: start, stop, timing parameters (ISO 14230-2 5).

use super::Unit;
use super::answer::Answer;
use crate::kline::access_timing::{AccessTiming, TimingIdentifier};
use crate::kline::frame::Frame;
use crate::kline::init::service;
use crate::kline::{Framing, Timing};
use crate::time::Instant;

/// generalReject: the negative answer that ISO 14230-2 5.3.2 prints.
const GENERAL_REJECT: u8 = 0x10;
/// serviceNotSupported.
const NOT_SUPPORTED: u8 = 0x11;

impl Unit {
    /// Serves the request that ended at `end` if it is one of the line's own; whether it was.
    pub(super) fn serves(&mut self, end: Instant) -> bool {
        if self.line.framing != Framing::Iso14230 {
            return false;
        }
        const STARTED: u8 = service::START_COMMUNICATION + service::POSITIVE;
        const STOPPED: u8 = service::STOP_COMMUNICATION + service::POSITIVE;
        match *self.request() {
            [service::START_COMMUNICATION] => {
                self.line.timing = self.announced_timing();
                self.answer(end, &[STARTED, self.key_bytes.0, self.key_bytes.1], Answer::Start);
            }
            [service::STOP_COMMUNICATION] => self.answer(end, &[STOPPED], Answer::Stop),
            [service::ACCESS_TIMING, ref parameters @ ..] => {
                let mut values = [0; 5];
                let count = parameters.len().min(6);
                let kind = parameters.first().copied().map(TimingIdentifier);
                let given = match parameters {
                    [_, a, b, c, d, e] => {
                        values = [*a, *b, *c, *d, *e];
                        true
                    }
                    _ => false,
                };
                self.access_timing(end, kind.filter(|_| count == 1 || given), given.then_some(AccessTiming(values)));
            }
            _ => return false,
        }
        true
    }

    fn access_timing(&mut self, end: Instant, kind: Option<TimingIdentifier>, values: Option<AccessTiming>) {
        const GRANTED: u8 = service::ACCESS_TIMING + service::POSITIVE;
        let Some(limits) = self.limits else {
            return self.refuse(end, NOT_SUPPORTED);
        };
        match (kind, values) {
            (Some(TimingIdentifier::READ_LIMITS), None) => self.tell_timing(end, TimingIdentifier::READ_LIMITS, limits),
            (Some(TimingIdentifier::READ_CURRENT), None) => match AccessTiming::encode(&self.line.timing) {
                Ok(current) => self.tell_timing(end, TimingIdentifier::READ_CURRENT, current),
                Err(_) => self.refuse(end, GENERAL_REJECT),
            },
            (Some(kind @ TimingIdentifier::SET_DEFAULT), None) => {
                self.answer(end, &[GRANTED, kind.0], Answer::DefaultTiming);
            }
            (Some(kind @ TimingIdentifier::SET), Some(values)) if self.can_keep(values, limits) => {
                self.answer(end, &[GRANTED, kind.0], Answer::Timing(values));
            }
            _ => self.refuse(end, GENERAL_REJECT),
        }
    }

    fn can_keep(&self, values: AccessTiming, limits: AccessTiming) -> bool {
        let mut timing = self.line.timing;
        values.apply_to(&mut timing);
        values.is_within(limits) && timing.check().is_ok()
    }

    fn tell_timing(&mut self, end: Instant, kind: TimingIdentifier, values: AccessTiming) {
        const GRANTED: u8 = service::ACCESS_TIMING + service::POSITIVE;
        let [a, b, c, d, e] = values.0;
        self.answer(end, &[GRANTED, kind.0, a, b, c, d, e], Answer::Own);
    }

    fn refuse(&mut self, end: Instant, code: u8) {
        let service = self.request().first().copied().unwrap_or_default();
        self.answer(end, &[service::NEGATIVE, service, code], Answer::Own);
    }

    fn answer(&mut self, now: Instant, data: &[u8], answer: Answer) {
        let frame: Option<Frame> = self.reply.frame(&self.line, self.key_bytes.headers(), data);
        if let Some(frame) = frame {
            self.answer_at(now, self.p2, frame, answer);
        }
    }

    /// The timing that the key bytes announce.
    pub(super) fn announced_timing(&self) -> Timing {
        let mut timing = self.declared.timing;
        self.key_bytes.apply_to(&mut timing);
        timing
    }
}
