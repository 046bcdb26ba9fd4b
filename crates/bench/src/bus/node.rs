//! One participant's controller: what it has to send, what it has heard, how it counts errors.

use core::time::Duration;
use std::collections::VecDeque;

use tickover_framing::can::{Condition, Frame};
use tickover_framing::contract::Tag;
use tickover_framing::time::Instant;

use super::wire::Rates;

/// One participant.
#[derive(Clone, Debug)]
pub(super) struct Node {
    pub(super) rates: Rates,
    queue: VecDeque<Waiting>,
    /// Frames are taken from then on only.
    queue_opens: Instant,
    /// After its own frame a passive sender leaves eight bits to the others (ISO 11898-1:2015 10.4.6.4).
    pub(super) held_back_until: Instant,
    pub(super) counters: Counters,
    /// Off: when it is tried again.
    pub(super) restarts_at: Option<Instant>,
    pub(super) restarts_after: Option<Duration>,
    pub(super) deadline: Option<Instant>,
    pub(super) inbox: Inbox,
}

/// A frame that is to be sent.
#[derive(Clone, Copy, Debug)]
pub(super) struct Waiting {
    pub(super) tag: Tag,
    pub(super) frame: Frame,
    ready: Instant,
    /// Nobody acknowledged it, and that has been told.
    pub(super) unheard: bool,
}

impl Node {
    pub(super) fn new(rates: Rates) -> Self {
        Self {
            rates,
            queue: VecDeque::new(),
            queue_opens: Instant::ORIGIN,
            held_back_until: Instant::ORIGIN,
            counters: Counters::default(),
            restarts_at: None,
            restarts_after: None,
            deadline: None,
            inbox: Inbox::default(),
        }
    }

    /// Sets its rates, as an interface that is taken down and up again: nothing is left to be sent.
    pub(super) fn restart(&mut self, rates: Rates) {
        self.rates = rates;
        self.queue.clear();
        self.counters = Counters::default();
        self.restarts_at = None;
    }

    /// It is off: what it had to send is gone.
    pub(super) fn switch_off(&mut self, now: Instant) {
        self.queue.clear();
        // 128 times 11 recessive bits (ISO 11898-1:2015 12.1.4.4).
        self.restarts_at = self.restarts_after.map(|after| now.after(after).after(self.rates.bits(128 * 11)));
    }

    pub(super) fn put(&mut self, now: Instant, tag: Tag, frame: Frame) {
        // One that only listens sends nothing, and nobody tells it so.
        if !self.rates.listen_only && !self.counters.is_off() {
            self.queue.push_back(Waiting { tag, frame, ready: now.max(self.queue_opens), unheard: false });
        }
    }

    pub(super) fn close_queue_until(&mut self, until: Instant) {
        self.queue_opens = self.queue_opens.max(until);
    }

    /// The frame that it sends next: none overtakes another.
    pub(super) fn next(&self) -> Option<&Waiting> {
        self.queue.front()
    }

    /// How many frames it has to send, the one on the bus included.
    pub(super) fn waiting(&self) -> usize {
        self.queue.len()
    }

    pub(super) fn next_mut(&mut self) -> Option<&mut Waiting> {
        self.queue.front_mut()
    }

    pub(super) fn take_next(&mut self) -> Option<Waiting> {
        self.queue.pop_front()
    }

    /// When it wants to send.
    pub(super) fn wants_from(&self) -> Option<Instant> {
        self.next().map(|waiting| waiting.ready.max(self.held_back_until))
    }
}

/// The error counters of ISO 11898-1:2015 12.1.4.
#[derive(Clone, Copy, PartialEq, Eq, Debug, Default)]
pub struct Counters {
    /// Errors in sending (TEC): 8 up for an error, 1 down for a frame sent.
    pub sending: u16,
    /// Errors in receiving (REC): 1 up for an error, 8 more for one that it was the first to see, 1 down for a frame
    /// received.
    pub receiving: u16,
    passive: bool,
    off: bool,
}

impl Counters {
    /// It signals errors passively only: from 128 on in either counter.
    pub const fn is_passive(&self) -> bool {
        self.passive
    }

    /// It has switched itself off: at 256 in sending.
    pub const fn is_off(&self) -> bool {
        self.off
    }

    pub(super) fn sent(&mut self) {
        self.sending = self.sending.saturating_sub(1);
    }

    pub(super) fn received(&mut self) {
        // 12.1.4.2 h: back to a value between 119 and 127.
        self.receiving = if self.receiving > 127 { 119 } else { self.receiving.saturating_sub(1) };
    }

    pub(super) fn failed_sending(&mut self) {
        self.sending = self.sending.saturating_add(8);
    }

    pub(super) fn failed_receiving(&mut self, saw_it_first: bool) {
        // A counter beyond passive says nothing more; controllers stop there.
        self.receiving = (self.receiving + if saw_it_first { 9 } else { 1 }).min(255);
    }

    /// What has changed by the last count.
    pub(super) fn news(&mut self) -> Option<Condition> {
        let (was_passive, was_off) = (self.passive, self.off);
        self.off |= self.sending >= 256;
        self.passive = self.sending >= 128 || self.receiving >= 128;
        match (self.off, self.passive) {
            (true, _) => (!was_off).then_some(Condition::Off),
            (false, true) => (!was_passive).then_some(Condition::Passive),
            (false, false) => was_passive.then_some(Condition::Active),
        }
    }
}

/// Frames on their way from the controller to whoever listens.
#[derive(Clone, Debug, Default)]
pub(super) struct Inbox {
    late: VecDeque<(Instant, Frame)>,
    /// The next one overtakes this; without a next one it comes by itself.
    overtaken: Option<(Instant, Frame)>,
}

impl Inbox {
    /// The longest that a frame waits to be overtaken.
    const OVERTAKING: Duration = Duration::from_millis(20);

    pub(super) fn is_empty(&self) -> bool {
        self.late.is_empty() && self.overtaken.is_none()
    }

    /// Comes at `at`, or once those before it have come.
    pub(super) fn put(&mut self, at: Instant, frame: Frame) {
        let at = self.late.back().map_or(at, |(last, _)| at.max(*last));
        self.late.push_back((at, frame));
        if let Some((_, overtaken)) = self.overtaken.take() {
            self.late.push_back((at, overtaken));
        }
    }

    pub(super) fn put_overtaken(&mut self, now: Instant, frame: Frame) {
        let before = self.overtaken.replace((now.after(Self::OVERTAKING), frame));
        if let Some((_, before)) = before {
            self.put(now, before);
        }
    }

    pub(super) fn due(&self) -> Option<Instant> {
        let late = self.late.front().map(|(at, _)| *at);
        tickover_framing::time::earliest(late, self.overtaken.as_ref().map(|(at, _)| *at))
    }

    pub(super) fn take(&mut self, now: Instant) -> Option<Frame> {
        if self.late.front().is_some_and(|(at, _)| *at <= now) {
            return self.late.pop_front().map(|(_, frame)| frame);
        }
        self.overtaken.take_if(|(at, _)| *at <= now).map(|(_, frame)| frame)
    }
}
