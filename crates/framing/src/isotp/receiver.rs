//! One message on its way in, and the flow control that it needs (ISO 15765-2 9.6, tables 22 and 23).

use super::deadline::{Deadline, Timer};
use super::settings::Settings;
use super::{Address, FlowControl, FlowStatus, Pdu, PduError, PduView, SeparationTime};
use crate::can::Frame;
use crate::contract::{Known, Tag};
use crate::time::Instant;
use crate::transport::Noise;

/// Receives one message at a time, of up to `BYTES` bytes.
#[derive(Clone, Debug)]
pub(crate) struct Receiver<const BYTES: usize> {
    /// Where our flow control goes.
    reply: Address,
    data: [u8; BYTES],
    len: usize,
    done: usize,
    /// SN of the next consecutive frame.
    sequence: u8,
    block_left: u8,
    waits_left: u8,
    /// RX_DL: bytes of the first frame, and of every one but the last.
    frame_len: usize,
    start: Instant,
    first_end: Instant,
    state: State,
    timer: Timer,
    frame: Option<Frame>,
    tag: Option<Tag>,
}

#[derive(Clone, Copy, PartialEq, Eq, Debug)]
enum State {
    Idle,
    /// Flow control waits for its time.
    FlowDue(FlowStatus),
    /// Flow control is handed over and not confirmed.
    Handed(FlowStatus),
    /// Consecutive frames may come.
    Receiving,
}

/// What a frame, or its absence, led to.
#[derive(Clone, Copy, PartialEq, Eq, Debug)]
pub(crate) struct Reception {
    pub(crate) noise: Option<Noise>,
    pub(crate) step: ReceiverStep,
}

#[derive(Clone, Copy, PartialEq, Eq, Debug)]
pub(crate) enum ReceiverStep {
    Nothing,
    /// A first frame was taken.
    Begun,
    /// A message is complete: [`Receiver::message`].
    Whole {
        start: Instant,
        first_end: Instant,
        end: Instant,
        len: usize,
    },
}

impl Reception {
    const NOTHING: Self = Self { noise: None, step: ReceiverStep::Nothing };

    const fn noise(noise: Noise) -> Self {
        Self { noise: Some(noise), step: ReceiverStep::Nothing }
    }
}

impl<const BYTES: usize> Receiver<BYTES> {
    pub(crate) const fn new(reply: Address) -> Self {
        Self {
            reply,
            data: [0; BYTES],
            len: 0,
            done: 0,
            sequence: 0,
            block_left: 0,
            waits_left: 0,
            frame_len: 0,
            start: Instant::ORIGIN,
            first_end: Instant::ORIGIN,
            state: State::Idle,
            timer: Timer::OFF,
            frame: None,
            tag: None,
        }
    }

    /// Whether a message has begun and is not complete.
    pub(crate) fn is_busy(&self) -> bool {
        !matches!(self.state, State::Idle | State::FlowDue(FlowStatus::OVERFLOW) | State::Handed(FlowStatus::OVERFLOW))
    }

    pub(crate) fn message(&self) -> &[u8] {
        self.data.get(..self.len).unwrap_or_default()
    }

    pub(crate) fn due(&self) -> Option<(Instant, Deadline)> {
        self.timer.due()
    }

    pub(crate) fn abort(&mut self) {
        self.state = State::Idle;
        self.timer.disarm();
        (self.frame, self.tag) = (None, None);
    }

    /// The frame to be sent now.
    pub(crate) fn take(&mut self, tag: impl FnOnce() -> Tag) -> Option<(Tag, Frame)> {
        let frame = self.frame.take()?;
        let tag = tag();
        self.tag = Some(tag);
        Some((tag, frame))
    }

    /// Takes a single, first or consecutive frame; a first frame only if it is `welcome`.
    pub(crate) fn pdu(
        &mut self,
        settings: &Settings,
        pdu: PduView<'_>,
        (frame, end): (&Frame, Instant),
        welcome: bool,
    ) -> Reception {
        match pdu {
            Pdu::Single { data } => self.single(settings, data, frame, end),
            Pdu::First { length, .. } if !welcome => {
                Reception::noise(Noise::Unasked { bytes: u16::try_from(length).unwrap_or(u16::MAX) })
            }
            Pdu::First { length, data } => self.first(settings, length, data, (frame, end)),
            Pdu::Consecutive { sequence, data } => self.consecutive(settings, sequence, data, (frame, end)),
            Pdu::FlowControl(_) => Reception::NOTHING,
        }
    }

    fn single(&mut self, settings: &Settings, data: &[u8], frame: &Frame, end: Instant) -> Reception {
        let noise = self.interrupt();
        if data.len() > BYTES {
            return Reception::noise(Noise::TooLong);
        }
        self.begin(data.len(), data);
        let start = settings.start_of(frame, end);
        Reception { noise, step: ReceiverStep::Whole { start, first_end: end, end, len: data.len() } }
    }

    fn first(&mut self, settings: &Settings, length: u32, data: &[u8], (frame, end): (&Frame, Instant)) -> Reception {
        let noise = self.interrupt();
        let Some(length) = usize::try_from(length).ok().filter(|length| *length <= BYTES) else {
            self.flow_due(settings, FlowStatus::OVERFLOW, end);
            return Reception::noise(Noise::TooLong);
        };
        self.begin(length, data);
        (self.sequence, self.frame_len) = (1, frame.data.as_slice().len());
        (self.start, self.first_end) = (settings.start_of(frame, end), end);
        self.next_block(settings, end);
        Reception { noise, step: ReceiverStep::Begun }
    }

    fn consecutive(
        &mut self,
        settings: &Settings,
        sequence: u8,
        data: &[u8],
        (frame, end): (&Frame, Instant),
    ) -> Reception {
        // One that comes before our flow control is not awaited (table 23).
        if !matches!(self.state, State::Receiving | State::Handed(FlowStatus::CONTINUE)) {
            return Reception::NOTHING;
        }
        if sequence != self.sequence {
            let noise = Noise::Sequence { found: sequence, expected: self.sequence };
            self.abort();
            return Reception::noise(noise);
        }
        let header = 1 + self.reply.prefix();
        let due = (self.len - self.done).min(self.frame_len.saturating_sub(header));
        let Some(data) = data.get(..due) else {
            let found = frame.data.as_slice().len() as u8;
            return Reception::noise(Noise::Pdu(PduError::Short { found, needed: (due + header) as u8 }));
        };
        self.put(data);
        self.sequence = (self.sequence + 1) & 0x0F;
        if self.done >= self.len {
            self.abort();
            let (start, first_end) = (self.start, self.first_end);
            return Reception { noise: None, step: ReceiverStep::Whole { start, first_end, end, len: self.len } };
        }
        self.state = State::Receiving;
        self.timer.arm(Deadline::NextConsecutive, settings.limit(end, settings.line.timing.n_cr));
        if self.block_left > 0 {
            self.block_left -= 1;
            if self.block_left == 0 {
                self.next_block(settings, end);
            }
        }
        Reception::NOTHING
    }

    /// A new message ends the old one (table 23).
    fn interrupt(&mut self) -> Option<Noise> {
        let interrupted = self.is_busy().then_some(Noise::Interrupted);
        self.abort();
        interrupted
    }

    fn begin(&mut self, len: usize, data: &[u8]) {
        (self.len, self.done) = (len, 0);
        self.put(data);
    }

    fn put(&mut self, data: &[u8]) {
        let free = self.data.get_mut(self.done..self.len).unwrap_or_default();
        for (to, from) in free.iter_mut().zip(data) {
            *to = *from;
        }
        self.done = self.len.min(self.done + data.len());
    }

    fn next_block(&mut self, settings: &Settings, end: Instant) {
        self.block_left = settings.line.flow.block_size;
        self.waits_left = settings.waits;
        let status = if settings.waits > 0 { FlowStatus::WAIT } else { FlowStatus::CONTINUE };
        self.flow_due(settings, status, end);
    }

    fn flow_due(&mut self, settings: &Settings, status: FlowStatus, from: Instant) {
        self.state = State::FlowDue(status);
        let n_br = settings.line.timing.n_br;
        if n_br.is_zero() {
            self.hand_over(settings, status, from);
        } else {
            self.timer.arm(Deadline::OwnFlowControl, from.after(n_br));
        }
    }

    fn hand_over(&mut self, settings: &Settings, status: FlowStatus, now: Instant) {
        let flow = settings.line.flow;
        let (block_size, st_min) = match status {
            FlowStatus::CONTINUE => (flow.block_size, SeparationTime(flow.st_min)),
            _ => (0, SeparationTime(0)),
        };
        let pdu = OwnFlow::FlowControl(FlowControl { status, block_size, st_min });
        self.frame = pdu.emit(self.reply, &settings.line.frames);
        self.state = State::Handed(status);
        let limit = settings.confirmation_limit(now, settings.line.timing.n_ar);
        self.timer.arm(Deadline::ReceiverConfirmation, limit);
    }

    /// Flow control of ours is out.
    pub(crate) fn sent(&mut self, settings: &Settings, tag: Tag, end: Instant, known: Known) {
        if self.tag.take_if(|waited_for| *waited_for == tag).is_none() {
            return;
        }
        match self.state {
            State::Handed(FlowStatus::CONTINUE) => {
                self.state = State::Receiving;
                let from = settings.out_for_sure(end, known);
                self.timer.arm(Deadline::NextConsecutive, settings.limit(from, settings.line.timing.n_cr));
            }
            State::Handed(FlowStatus::WAIT) => {
                self.waits_left = self.waits_left.saturating_sub(1);
                let status = if self.waits_left > 0 { FlowStatus::WAIT } else { FlowStatus::CONTINUE };
                self.state = State::FlowDue(status);
                self.timer.arm(Deadline::OwnFlowControl, end.after(settings.wait_every));
            }
            State::Handed(_) => self.abort(),
            State::Idle | State::FlowDue(_) | State::Receiving => {}
        }
    }

    /// Does what is due at `now`.
    pub(crate) fn expire(&mut self, settings: &Settings, now: Instant) -> Reception {
        let noise = match (self.timer.take_due(now), self.state) {
            (Some((_, Deadline::OwnFlowControl)), State::FlowDue(status)) => {
                self.hand_over(settings, status, now);
                return Reception::NOTHING;
            }
            (Some((_, Deadline::ReceiverConfirmation)), _) => Noise::NotSent,
            (Some((_, Deadline::NextConsecutive)), _) => Noise::NoConsecutiveFrame,
            _ => return Reception::NOTHING,
        };
        self.abort();
        Reception::noise(noise)
    }
}

/// Flow control has no data.
type OwnFlow = Pdu<[u8; 0]>;
