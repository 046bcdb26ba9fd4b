//! One message on its way out: first frame, flow control, consecutive frames (ISO 15765-2 9.6).

use core::time::Duration;

use super::deadline::{Deadline, Timer};
use super::settings::Settings;
use super::{Address, FlowControl, FlowStatus, Pdu};
use crate::can::Frame;
use crate::contract::{Known, Tag};
use crate::time::Instant;
use crate::transport::Noise;

/// Sends one message at a time, of up to `BYTES` bytes.
#[derive(Clone, Debug)]
pub(crate) struct Sender<const BYTES: usize> {
    to: Address,
    data: [u8; BYTES],
    len: usize,
    done: usize,
    sequence: u8,
    /// Consecutive frames up to the next flow control; `None`: all.
    block_left: Option<u8>,
    /// Flow control must come before the next frame.
    stops: bool,
    separation: Duration,
    waits: u8,
    state: State,
    timer: Timer,
    frame: Option<Frame>,
    tag: Option<Tag>,
    start: Option<Instant>,
    /// Flow control that overtook the confirmation of our own frame.
    early: Option<(FlowControl, Instant)>,
}

#[derive(Clone, Copy, PartialEq, Eq, Debug)]
enum State {
    Idle,
    /// The first frame waits for its time.
    Delayed,
    /// A frame is handed over and not confirmed.
    Handed,
    /// Waits for flow control.
    Flow,
    /// The next consecutive frame waits for its time.
    Gap,
}

/// How a message ended.
#[derive(Clone, Copy, PartialEq, Eq, Debug)]
pub(crate) enum SenderStep {
    /// Its last frame is out.
    Out { start: Instant, end: Instant, sure: Instant },
    /// It was given up.
    Failed(Noise),
}

impl<const BYTES: usize> Sender<BYTES> {
    pub(crate) const fn new(to: Address) -> Self {
        Self {
            to,
            data: [0; BYTES],
            len: 0,
            done: 0,
            sequence: 0,
            block_left: None,
            stops: false,
            separation: Duration::ZERO,
            waits: 0,
            state: State::Idle,
            timer: Timer::OFF,
            frame: None,
            tag: None,
            start: None,
            early: None,
        }
    }

    pub(crate) fn is_busy(&self) -> bool {
        self.state != State::Idle
    }

    pub(crate) fn due(&self) -> Option<(Instant, Deadline)> {
        self.timer.due()
    }

    /// Begins a message that fits `BYTES`, at `at` but not before `now`.
    pub(crate) fn begin(&mut self, settings: &Settings, now: Instant, at: Instant, to: Address, data: &[u8]) {
        self.abort();
        self.to = to;
        self.len = data.len().min(BYTES);
        for (held, byte) in self.data.iter_mut().zip(data) {
            *held = *byte;
        }
        (self.done, self.sequence, self.waits) = (0, 0, 0);
        (self.block_left, self.stops, self.start) = (None, false, None);
        if at <= now {
            self.hand_over(settings, now);
        } else {
            self.state = State::Delayed;
            self.timer.arm(Deadline::Answer, at);
        }
    }

    pub(crate) fn abort(&mut self) {
        self.state = State::Idle;
        self.timer.disarm();
        (self.frame, self.tag, self.early) = (None, None, None);
    }

    /// The frame to be sent now.
    pub(crate) fn take(&mut self, tag: impl FnOnce() -> Tag) -> Option<(Tag, Frame)> {
        let frame = self.frame.take()?;
        let tag = tag();
        self.tag = Some(tag);
        Some((tag, frame))
    }

    pub(crate) fn sent(
        &mut self,
        settings: &Settings,
        tag: Tag,
        (start, end): (Instant, Instant),
        known: Known,
    ) -> Option<SenderStep> {
        self.tag.take_if(|waited_for| *waited_for == tag)?;
        let start = *self.start.get_or_insert(start);
        let sure = settings.out_for_sure(end, known);
        if self.done >= self.len {
            self.abort();
            return Some(SenderStep::Out { start, end, sure });
        }
        if self.stops {
            self.state = State::Flow;
            self.timer.arm(Deadline::FlowControl, settings.limit(sure, settings.line.timing.n_bs));
            let (flow, came) = self.early.take()?;
            return self.flow_control(settings, flow, came.max(end));
        }
        let gap = self.separation.saturating_add(settings.line.timing.n_cs);
        if gap.is_zero() {
            self.hand_over(settings, end);
        } else {
            self.state = State::Gap;
            self.timer.arm(Deadline::Separation, sure.after(gap));
        }
        None
    }

    pub(crate) fn flow_control(&mut self, settings: &Settings, flow: FlowControl, end: Instant) -> Option<SenderStep> {
        if self.state == State::Handed && self.tag.is_some() && self.stops {
            self.early = Some((flow, end));
        }
        if self.state != State::Flow {
            return None;
        }
        match flow.status {
            FlowStatus::CONTINUE => {
                self.waits = 0;
                self.block_left = (flow.block_size > 0).then_some(flow.block_size);
                self.separation = settings.separation.unwrap_or_else(|| flow.st_min.duration());
                let n_cs = settings.line.timing.n_cs;
                if n_cs.is_zero() {
                    self.hand_over(settings, end);
                } else {
                    self.state = State::Gap;
                    self.timer.arm(Deadline::Consecutive, end.after(n_cs));
                }
                None
            }
            FlowStatus::WAIT if self.waits < settings.line.flow.wait_max => {
                self.waits += 1;
                self.timer.arm(Deadline::FlowControl, settings.limit(end, settings.line.timing.n_bs));
                None
            }
            FlowStatus::WAIT => self.fail(Noise::Waits),
            FlowStatus::OVERFLOW => self.fail(Noise::Overflow),
            FlowStatus(found) => self.fail(Noise::FlowStatus { found }),
        }
    }

    /// Does what is due at `now`.
    pub(crate) fn expire(&mut self, settings: &Settings, now: Instant) -> Option<SenderStep> {
        match self.timer.take_due(now)?.1 {
            Deadline::SenderConfirmation => self.fail(Noise::NotSent),
            Deadline::FlowControl => self.fail(Noise::NoFlowControl),
            _ => {
                self.hand_over(settings, now);
                None
            }
        }
    }

    fn fail(&mut self, why: Noise) -> Option<SenderStep> {
        self.abort();
        Some(SenderStep::Failed(why))
    }

    fn hand_over(&mut self, settings: &Settings, now: Instant) {
        let frames = &settings.line.frames;
        let rest = self.data.get(self.done..self.len).unwrap_or_default();
        let piece = |most: usize| rest.get(..most).unwrap_or(rest);
        let (pdu, taken) = if self.done > 0 {
            self.sequence = (self.sequence + 1) & 0x0F;
            self.block_left = self.block_left.map(|left| left.saturating_sub(1));
            self.stops = self.block_left == Some(0);
            let data = piece(frames.consecutive_data(self.to));
            (Pdu::Consecutive { sequence: self.sequence, data }, data.len())
        } else if self.len <= frames.single_max(self.to) {
            (Pdu::Single { data: rest }, rest.len())
        } else {
            self.stops = true;
            let data = piece(frames.first_data(self.to, self.len));
            (Pdu::First { length: self.len as u32, data }, data.len())
        };
        self.frame = pdu.emit(self.to, frames);
        self.done += taken;
        self.state = State::Handed;
        let limit = settings.confirmation_limit(now, settings.line.timing.n_as);
        self.timer.arm(Deadline::SenderConfirmation, limit);
    }
}
