//! One request and its answers: the request's frames, the window, every unit's answer.

use core::time::Duration;

use super::{Asked, Phase, Tester, Unit};
use crate::can::{Frame, FrameKind};
use crate::contract::{Chunk, Known, Tag};
use crate::isotp::Pdu;
use crate::isotp::receiver::{ReceiverStep, Reception};
use crate::isotp::sender::SenderStep;
use crate::time::Instant;
use crate::transport::{Answers, Heard, Noise, Peer};

/// The most that one input or deadline tells.
const EVENTS_AT_ONCE: usize = 3;

impl<const UNITS: usize, const BYTES: usize> Tester<UNITS, BYTES> {
    pub(super) fn ready(&mut self) {
        self.phase = Phase::Ready;
        self.events.push(Heard::Ready { key_bytes: None });
    }

    pub(super) fn position(&self, is_it: impl Fn(&Unit<BYTES>) -> bool) -> Option<usize> {
        self.units.iter().position(|unit| unit.as_ref().is_some_and(&is_it))
    }

    pub(super) fn frame(&mut self, frame: &Frame, end: Instant) {
        if matches!(self.phase, Phase::Off | Phase::Connecting | Phase::Dead(_)) {
            return;
        }
        let Some(place) = self.position(|unit| unit.path.response.matches(frame)) else { return };
        self.expire(end, |at| at < end);
        let may_answer = matches!(self.phase, Phase::Asking | Phase::Waiting) && self.may_answer(place);
        let Some(Some(unit)) = self.units.get_mut(place) else { return };
        match Pdu::parse(frame.data.as_slice(), unit.path.response, &self.settings.line.frames) {
            Err(error) => self.noise(end, Noise::Pdu(error)),
            Ok(Pdu::FlowControl(flow)) => {
                if self.asked == Asked::Unit(place) {
                    let step = self.sender.flow_control(&self.settings, flow, end);
                    self.sender_step(step, end);
                }
            }
            Ok(pdu) => {
                let reception = unit.receiver.pdu(&self.settings, pdu, (frame, end), may_answer);
                self.received(place, reception, end);
            }
        }
    }

    pub(super) fn sent(&mut self, tag: Tag, (start, end): (Instant, Instant), known: Known) {
        for unit in self.units.iter_mut().flatten() {
            unit.receiver.sent(&self.settings, tag, end, known);
        }
        let step = self.sender.sent(&self.settings, tag, (start, end), known);
        self.sender_step(step, end);
    }

    /// Does what `is_due`, as far as there is room to tell it: what is left is due still.
    pub(super) fn expire(&mut self, now: Instant, is_due: impl Fn(Instant) -> bool) {
        while self.events.has_room_for(2 * EVENTS_AT_ONCE) {
            let Some((at, _)) = self.next_deadline().filter(|(at, _)| is_due(*at)) else { return };
            if self.sender.due().is_some_and(|(due, _)| due == at) {
                let step = self.sender.expire(&self.settings, now);
                self.sender_step(step, at);
            } else if let Some(place) = self.position(|unit| unit.receiver.due().is_some_and(|(due, _)| due == at)) {
                let Some(Some(unit)) = self.units.get_mut(place) else { return };
                let reception = unit.receiver.expire(&self.settings, now);
                self.received(place, reception, at);
            } else {
                self.window_closed(at);
            }
        }
    }

    fn may_answer(&self, place: usize) -> bool {
        match self.asked {
            Asked::Unit(asked) => asked == place,
            Asked::All => true,
        }
    }

    fn sender_step(&mut self, step: Option<SenderStep>, at: Instant) {
        match step {
            None => {}
            Some(SenderStep::Failed(why)) => {
                self.noise(at, why);
                self.phase = Phase::Ready;
                self.events.push(Heard::Silence { at });
            }
            Some(SenderStep::Out { start, end, sure }) => {
                self.events.push(Heard::Sent { start, end });
                (self.sent_end, self.window_from) = (end, end);
                self.phase = Phase::Ready;
                if self.ask.answers != Answers::None {
                    self.phase = Phase::Waiting;
                    self.window_until = self.window_limit(sure, self.window);
                }
            }
        }
    }

    fn received(&mut self, place: usize, reception: Reception, at: Instant) {
        if let Some(noise) = reception.noise {
            self.noise(at, noise);
        }
        let waiting = self.phase == Phase::Waiting && self.may_answer(place);
        let sent_end = self.sent_end;
        let Some(Some(unit)) = self.units.get_mut(place) else { return };
        let was_answering = unit.answering;
        unit.answering &= unit.receiver.is_busy();
        match reception.step {
            // What began before our request was out answers an earlier one.
            ReceiverStep::Begun => unit.answering = waiting && at > sent_end,
            ReceiverStep::Whole { start, first_end, end, len } if waiting && first_end > sent_end => {
                unit.pending_until = None;
                let from = Peer::Address(unit.path.response);
                self.answered(Heard::Message { from, start, end, len: len as u16 }, end);
            }
            ReceiverStep::Whole { len, .. } => self.noise(at, Noise::Unasked { bytes: len as u16 }),
            ReceiverStep::Nothing if was_answering && !unit.answering => {
                self.window_from = at;
                self.window_until = self.window_limit(at, self.window);
            }
            ReceiverStep::Nothing => {}
        }
    }

    fn answered(&mut self, message: Heard, end: Instant) {
        self.events.push(message);
        self.window = self.ask.window;
        self.window_from = end;
        match self.ask.answers {
            Answers::UntilSilence => self.window_until = self.window_limit(end, self.window),
            Answers::None | Answers::One => self.phase = Phase::Ready,
        }
    }

    /// When the window closes; not while an answer comes.
    pub(super) fn window_end(&self) -> Option<Instant> {
        let open = self.phase == Phase::Waiting && !self.units.iter().flatten().any(|unit| unit.answering);
        let pending = self.units.iter().flatten().filter_map(|unit| unit.pending_until);
        open.then(|| pending.fold(self.window_until, Ord::max))
    }

    /// When an answer has not started for sure: its first frame, as long as it may be, would have been told by then.
    pub(super) fn window_limit(&self, from: Instant, window: Duration) -> Instant {
        let asked = match self.asked {
            Asked::Unit(place) => self.units.get(place).and_then(Option::as_ref),
            Asked::All => self
                .units
                .iter()
                .flatten()
                .max_by_key(|unit| matches!(unit.path.response.id(), crate::can::Id::Extended(_))),
        };
        let first_frame = asked.map_or(Duration::ZERO, |unit| {
            let frames = &self.settings.line.frames;
            let kind = match frames.fd {
                Some(fd) => FrameKind::Fd { switch_rate: fd.switch_rate },
                None => FrameKind::Classic,
            };
            let (data, _) = Chunk::split_from(&[0; Chunk::CAPACITY][..frames.tx_dl()]);
            self.settings.time_of(&Frame { id: unit.path.response.id(), kind, data })
        });
        self.settings.limit(from.after(first_frame), window)
    }

    fn window_closed(&mut self, at: Instant) {
        for unit in self.units.iter_mut().flatten() {
            unit.pending_until = None;
        }
        self.phase = Phase::Ready;
        self.spoken = None;
        self.events.push(Heard::Silence { at });
    }

    fn noise(&mut self, at: Instant, what: Noise) {
        self.events.push(Heard::Noise { at, what });
    }
}
