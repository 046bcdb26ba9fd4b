//! The unit under the contract: inputs and outputs.

use super::{Phase, Told, Unit, UnitEvent};
use crate::can::Frame;
use crate::contract::{Act, Chunk, Input, Machine, Output, Tag, Wire};
use crate::isotp::Pdu;
use crate::isotp::deadline::sooner;
use crate::isotp::receiver::{ReceiverStep, Reception};
use crate::isotp::sender::SenderStep;
use crate::isotp::settings::is_made;
use crate::time::Instant;
use crate::transport::Noise;

/// The most that one input or deadline tells.
const EVENTS_AT_ONCE: usize = 3;

impl<const BYTES: usize> Machine for Unit<BYTES> {
    type Event = UnitEvent;

    fn handle(&mut self, input: Input<'_>) {
        match input {
            Input::Frame { end, frame } if self.phase == Phase::On => self.frame(frame, end),
            Input::Sent { tag, start, end, known } => {
                self.receiver.sent(&self.settings, tag, end, known);
                let step = self.sender.sent(&self.settings, tag, (start, end), known);
                self.sender_step(step, end);
            }
            Input::Timeout { now } => self.expire(now, |at| at <= now),
            Input::SpeedIs { got, .. } => {
                let (Phase::Off, Some(wanted)) = (self.phase, self.settings.line.speed) else { return };
                if is_made(wanted, got) {
                    self.phase = Phase::On;
                } else {
                    self.events.push(UnitEvent::NotMade { wanted, got });
                }
            }
            Input::Lost { cause, .. } => {
                if !matches!(self.phase, Phase::Dead(_)) {
                    self.phase = Phase::Dead(cause);
                    self.speed_act = false;
                    self.receiver.abort();
                    self.sender.abort();
                    self.events.push(UnitEvent::Down(cause));
                }
            }
            Input::Frame { .. }
            | Input::Bus { .. }
            | Input::Bytes { .. }
            | Input::Edge { .. }
            | Input::LineIs { .. } => {}
        }
    }

    fn poll_output(&mut self) -> Output<UnitEvent> {
        if let Some(event) = self.events.pop() {
            if let UnitEvent::Request { functional, .. } = event {
                self.told = if functional { Told::Group } else { Told::Physical };
            }
            return Output::Event(event);
        }
        if let (true, Some(speed)) = (core::mem::take(&mut self.speed_act), self.settings.line.speed) {
            return Output::Act(Act::Speed(speed));
        }
        let next = &mut self.next_tag;
        let mut tag = || {
            *next = next.wrapping_add(1);
            Tag(u16::from(*next))
        };
        let taken = match self.sender.take(&mut tag) {
            None => self.receiver.take(&mut tag),
            taken => taken,
        };
        if let Some((tag, frame)) = taken {
            return Output::Act(Act::Transmit { tag, wire: Wire::Frame(frame) });
        }
        match sooner(self.sender.due(), self.receiver.due()) {
            Some((at, deadline)) => Output::WaitUntil { at, why: deadline.why() },
            None => Output::Idle,
        }
    }
}

impl<const BYTES: usize> Unit<BYTES> {
    fn frame(&mut self, frame: &Frame, end: Instant) {
        if self.path.request.matches(frame) {
            self.expire(end, |at| at < end);
            self.physical(frame, end);
        } else if let Some(group) = self.functional.filter(|group| group.matches(frame)) {
            // A first frame to a group is ignored (ISO 15765-2:2016 9.8.3).
            match Pdu::parse(frame.data.as_slice(), group, &self.settings.line.frames) {
                Ok(Pdu::Single { data }) => {
                    (self.group_request, _) = Chunk::split_from(data);
                    let start = self.settings.start_of(frame, end);
                    self.asked(true, start, end);
                }
                Ok(_) => {}
                Err(error) => self.noise(end, Noise::Pdu(error)),
            }
        }
    }

    fn physical(&mut self, frame: &Frame, end: Instant) {
        match Pdu::parse(frame.data.as_slice(), self.path.request, &self.settings.line.frames) {
            Err(error) => self.noise(end, Noise::Pdu(error)),
            Ok(Pdu::FlowControl(flow)) => {
                let step = self.sender.flow_control(&self.settings, flow, end);
                self.sender_step(step, end);
            }
            // Half duplex: what comes while we send is ignored (ISO 15765-2:2016 table 23).
            Ok(Pdu::Single { data }) if self.sender.is_busy() => {
                self.noise(end, Noise::Unasked { bytes: data.len() as u16 });
            }
            Ok(pdu) => {
                let welcome = !self.sender.is_busy();
                let reception = self.receiver.pdu(&self.settings, pdu, (frame, end), welcome);
                self.received(reception, end);
            }
        }
    }

    fn expire(&mut self, now: Instant, is_due: impl Fn(Instant) -> bool) {
        while self.events.has_room_for(2 * EVENTS_AT_ONCE) {
            let due = sooner(self.sender.due(), self.receiver.due());
            let Some((at, _)) = due.filter(|(at, _)| is_due(*at)) else { return };
            if self.sender.due().is_some_and(|(due, _)| due == at) {
                let step = self.sender.expire(&self.settings, now);
                self.sender_step(step, at);
            } else {
                let reception = self.receiver.expire(&self.settings, now);
                self.received(reception, at);
            }
        }
    }

    fn sender_step(&mut self, step: Option<SenderStep>, at: Instant) {
        match step {
            None => {}
            Some(SenderStep::Out { start, end, .. }) => {
                self.free_from = Some(end);
                self.events.push(UnitEvent::Sent { start, end });
            }
            Some(SenderStep::Failed(why)) => {
                self.free_from = Some(at);
                self.noise(at, why);
            }
        }
    }

    fn received(&mut self, reception: Reception, at: Instant) {
        if let Some(noise) = reception.noise {
            self.noise(at, noise);
        }
        if let ReceiverStep::Whole { start, end, .. } = reception.step {
            self.asked(false, start, end);
        }
    }

    fn asked(&mut self, functional: bool, start: Instant, end: Instant) {
        // An answer that waits for its time keeps it.
        self.free_from = Some(end);
        self.events.push(UnitEvent::Request { functional, start, end });
    }

    fn noise(&mut self, at: Instant, what: Noise) {
        self.events.push(UnitEvent::Noise { at, what });
    }
}
