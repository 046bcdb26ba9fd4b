//! Answers: when they start, how their headers look, what follows them.

use core::time::Duration;

use super::{Phase, Unit, UnitEvent};
use crate::deadline::Deadline;
use crate::kline::frame::Frame;
use crate::kline::message::Addressing;
use crate::kline::{AccessTiming, Framing, HeaderForms, Line, iso9141};
use crate::time::Instant;
use crate::transport::Noise;

/// What a frame is, so what follows when it is out.
#[derive(Clone, Copy, PartialEq, Eq, Debug)]
pub(super) enum Answer {
    /// The owner's.
    Application,
    /// The positive answer to StartCommunication.
    Start,
    /// The positive answer to StopCommunication.
    Stop,
    /// New timing parameters are granted.
    Timing(AccessTiming),
    /// The timing parameters of the key bytes are granted.
    DefaultTiming,
    /// Another answer to a communication service.
    Own,
    /// A byte of a five-baud initialisation.
    Waking,
}

/// What an answer's header takes from the request.
#[derive(Clone, Copy, PartialEq, Eq, Debug)]
pub(super) struct Reply {
    pub(super) tester: Option<u8>,
}

impl Reply {
    pub(super) const UNKNOWN: Self = Self { tester: None };

    /// An answer in the form that the key bytes announce; where both kinds of header are announced, the request's.
    pub(super) fn frame(self, line: &Line, headers: HeaderForms, data: &[u8]) -> Option<Frame> {
        match line.framing {
            Framing::Iso14230 => {
                let with_addresses = headers.with_addresses && (self.tester.is_some() || !headers.without_addresses);
                let addressing = if with_addresses {
                    Addressing::Physical { target: self.tester.unwrap_or(line.tester), source: line.unit }
                } else {
                    Addressing::None
                };
                Frame::iso14230(addressing, headers.length_form(data.len())?, data)
            }
            Framing::Iso9141 => {
                let [first, second] = iso9141::ANSWER;
                Frame::iso9141([first, second, line.unit], data)
            }
            Framing::Declared(block) => Frame::declared(&block, line.unit, line.tester, data),
        }
    }
}

impl Unit {
    pub(super) fn is_answering(&self) -> bool {
        self.queued.is_some() || self.outgoing.is_sending()
    }

    /// Queues an answer `delay` after the last request or answer.
    pub(super) fn answer_at(&mut self, now: Instant, delay: Duration, frame: Frame, answer: Answer) {
        let from = self.free_from.unwrap_or(now);
        self.queued = Some((frame, answer));
        self.deadlines.disarm(Deadline::NextRequest);
        self.deadlines.arm(Deadline::Answer, from.after(delay).max(now));
    }

    pub(super) fn send_queued(&mut self) {
        if let Some((frame, answer)) = self.queued.take() {
            if self.outgoing.settle_echo() {
                let at = self.outgoing.end().unwrap_or_default();
                self.noise(at, Noise::NoEcho);
            }
            self.sending = answer;
            self.act = self.outgoing.begin(frame, self.p1);
        }
    }

    pub(super) fn answer_is_out(&mut self, start: Instant, end: Instant) {
        self.free_from = Some(end);
        match self.sending {
            Answer::Application => self.events.push(UnitEvent::Sent { start, end }),
            Answer::Start => return self.started(end),
            Answer::Stop => {
                self.events.push(UnitEvent::Stopped { at: end });
                return self.fall_asleep(end);
            }
            Answer::Timing(timing) => {
                timing.apply_to(&mut self.line.timing);
                self.events.push(UnitEvent::TimingSet(timing));
            }
            Answer::DefaultTiming => {
                self.line.timing = self.announced_timing();
            }
            Answer::Own => {}
            Answer::Waking => return self.waking_sent(end),
        }
        self.await_request(end);
    }

    /// Communication stands: the timing of the key bytes holds, P3 runs.
    pub(super) fn started(&mut self, at: Instant) {
        self.phase = Phase::Started;
        self.line.timing = self.announced_timing();
        self.free_from = Some(at);
        self.events.push(UnitEvent::Started { at });
        self.await_request(at);
    }

    /// Somebody else sent at the same time: the rest of the answer is not sent.
    pub(super) fn collision(&mut self, at: u16, end: Instant) {
        self.noise(end, Noise::Collision { at });
        self.receiver.skip(end);
        self.deadlines.arm(Deadline::NextByte, self.limit(end, self.line.timing.p4_max));
        if self.outgoing.is_sending() {
            self.outgoing.abort();
            self.act = None;
            self.deadlines.disarm(Deadline::OwnByte);
            self.free_from = Some(end);
            self.await_request(end);
        }
    }
}
