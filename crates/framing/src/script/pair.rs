//! Two machines on one wire, in virtual time.

use core::fmt;
use core::time::Duration;
use std::boxed::Box;
use std::vec::Vec;

use crate::can::Frame;
use crate::contract::{Act, Input, Known, Level, Machine, Output, Parity, Speed, Tag, Wire};
use crate::time::{CharTime, Instant};

/// A tester and a unit, or any two machines, that hear each other and themselves.
///
/// Both send at the wire's one speed, that of the last act `Speed`; a bus runs at 500 kbit/s before the first one.
/// Nothing is late and nothing is lost, unless [`on_frames`](Self::on_frames) makes it so.
///
/// ```
/// use core::time::Duration;
/// use tickover_framing::Instant;
/// use tickover_framing::kline::{Line, Tester, Unit};
/// use tickover_framing::script::{Pair, Told};
/// use tickover_framing::transport::{Heard, Reach, Transport};
///
/// let line = Line::iso14230(0x1C, 0xF1);
/// let (mut tester, unit) = (Tester::new(line, Reach::IDEAL), Unit::new(line, Reach::IDEAL));
/// tester.connect(Instant::ORIGIN);
/// let mut pair = Pair::new(tester, unit, Instant::ORIGIN);
/// let ready = pair.run(Instant::ORIGIN.after(Duration::from_secs(1)), |_, _, _, told| {
///     matches!(told, Told::A(Heard::Ready { key_bytes: Some((0x6B, 0x8F)) }))
/// });
/// assert!(ready);
/// ```
pub struct Pair<A, B> {
    /// One end; its own acts on the line reach it as reports, the other's as edges.
    pub a: A,
    /// The other end.
    pub b: B,
    now: Instant,
    wire_free: Instant,
    char_time: CharTime,
    rates: (u32, Option<u32>),
    coming: Vec<(Instant, Coming)>,
    medium: Option<Medium>,
}

/// What becomes of a frame: what reaches the other end, and how much later than it should.
type Medium = Box<dyn FnMut(Frame) -> Vec<(Duration, Frame)>>;

#[derive(Clone, Copy, PartialEq, Debug)]
enum Coming {
    Byte(u8),
    Edge { level: Level, to_a: bool },
    Frame { frame: Frame, to_a: bool },
    Sent { tag: Tag, start: Instant, to_a: bool },
}

/// What happened on the pair's wire.
#[derive(Clone, Copy, PartialEq, Debug)]
pub enum Told<E, F> {
    /// The one end told this.
    A(E),
    /// The other end told this.
    B(F),
}

impl<A: Machine, B: Machine> Pair<A, B> {
    /// Both ends at `now`, before their first acts.
    pub fn new(a: A, b: B, now: Instant) -> Self {
        let (char_time, rates) = (CharTime::new(10, 10_400), (500_000, Some(2_000_000)));
        Self { a, b, now, wire_free: now, char_time, rates, coming: Vec::new(), medium: None }
    }

    /// Decides for every frame what reaches the other end, and how much later: nothing, itself, itself twice.
    pub fn on_frames(&mut self, medium: impl FnMut(Frame) -> Vec<(Duration, Frame)> + 'static) {
        self.medium = Some(Box::new(medium));
    }

    /// The time now.
    pub fn now(&self) -> Instant {
        self.now
    }

    /// Goes on until `until`, or until `on` gives true; events go to `on`, which may call both ends.
    pub fn run(
        &mut self,
        until: Instant,
        mut on: impl FnMut(&mut A, &mut B, Instant, Told<A::Event, B::Event>) -> bool,
    ) -> bool {
        loop {
            let (deadline_a, deadline_b, stop) = self.drain(&mut on);
            if stop {
                return true;
            }
            let input = self.coming.iter().map(|(at, _)| *at).min();
            let deadline = crate::time::earliest(deadline_a, deadline_b);
            let Some(at) = crate::time::earliest(input, deadline).filter(|at| *at <= until) else {
                self.now = self.now.max(until);
                return false;
            };
            self.now = self.now.max(at);
            if input == Some(at) {
                self.hand_in(at);
            } else {
                if deadline_a.is_some_and(|deadline| deadline <= self.now) {
                    self.a.handle(Input::Timeout { now: self.now });
                }
                if deadline_b.is_some_and(|deadline| deadline <= self.now) {
                    self.b.handle(Input::Timeout { now: self.now });
                }
            }
        }
    }

    fn drain(
        &mut self,
        on: &mut impl FnMut(&mut A, &mut B, Instant, Told<A::Event, B::Event>) -> bool,
    ) -> (Option<Instant>, Option<Instant>, bool) {
        let mut stop = false;
        loop {
            let deadline_a = match self.a.poll_output() {
                Output::Act(act) => {
                    if let Some(report) = self.obey(act, false) {
                        self.a.handle(report);
                    }
                    continue;
                }
                Output::Event(event) => {
                    stop |= on(&mut self.a, &mut self.b, self.now, Told::A(event));
                    continue;
                }
                Output::WaitUntil { at, .. } => Some(at),
                Output::Idle => None,
            };
            let deadline_b = match self.b.poll_output() {
                Output::Act(act) => {
                    if let Some(report) = self.obey(act, true) {
                        self.b.handle(report);
                    }
                    continue;
                }
                Output::Event(event) => {
                    stop |= on(&mut self.a, &mut self.b, self.now, Told::B(event));
                    continue;
                }
                Output::WaitUntil { at, .. } => Some(at),
                Output::Idle => None,
            };
            return (deadline_a, deadline_b, stop);
        }
    }

    fn obey(&mut self, act: Act, to_a: bool) -> Option<Input<'static>> {
        Some(match act {
            Act::Speed(speed) => {
                match speed {
                    Speed::Serial { baud, parity, stop_bits } => {
                        let parity_bit = u8::from(parity != Parity::None);
                        self.char_time = CharTime::new(9 + parity_bit + stop_bits, baud);
                    }
                    Speed::Can { bit_rate, data_rate, .. } => self.rates = (bit_rate, data_rate),
                }
                Input::SpeedIs { at: self.now, got: Some(speed) }
            }
            Act::Line { level, .. } => {
                self.coming.push((self.now, Coming::Edge { level, to_a }));
                Input::LineIs { at: self.now, level }
            }
            Act::Transmit { tag, wire } => {
                let chunk = match wire {
                    Wire::Bytes(chunk) => chunk,
                    Wire::Frame(frame) => {
                        self.put(tag, frame, to_a);
                        return None;
                    }
                };
                let start = self.now.max(self.wire_free);
                for (place, byte) in chunk.as_slice().iter().enumerate() {
                    self.coming.push((start.after(self.char_time.of(place + 1)), Coming::Byte(*byte)));
                }
                let end = start.after(self.char_time.of(chunk.as_slice().len()));
                self.wire_free = end;
                Input::Sent { tag, start, end, known: Known::Computed }
            }
        })
    }

    fn put(&mut self, tag: Tag, frame: Frame, to_a: bool) {
        let start = self.now.max(self.wire_free);
        let end = start.after(frame.time(self.rates.0, self.rates.1));
        self.wire_free = end;
        self.coming.push((end, Coming::Sent { tag, start, to_a: !to_a }));
        let arriving = self.medium.as_mut().map_or_else(|| std::vec![(Duration::ZERO, frame)], |medium| medium(frame));
        let arriving = arriving.into_iter().map(|(late, frame)| (end.after(late), Coming::Frame { frame, to_a }));
        self.coming.extend(arriving);
    }

    fn hand_in(&mut self, at: Instant) {
        let Some(place) = self.coming.iter().position(|(time, _)| *time == at) else { return };
        match self.coming.remove(place).1 {
            Coming::Byte(byte) => {
                self.a.handle(Input::Bytes { end: at, bytes: &[byte] });
                self.b.handle(Input::Bytes { end: at, bytes: &[byte] });
            }
            Coming::Frame { frame, to_a: true } => self.a.handle(Input::Frame { end: at, frame: &frame }),
            Coming::Frame { frame, to_a: false } => self.b.handle(Input::Frame { end: at, frame: &frame }),
            Coming::Sent { tag, start, to_a } => {
                let report = Input::Sent { tag, start, end: at, known: Known::Measured };
                if to_a { self.a.handle(report) } else { self.b.handle(report) }
            }
            Coming::Edge { level, to_a: true } => self.a.handle(Input::Edge { at, level }),
            Coming::Edge { level, to_a: false } => self.b.handle(Input::Edge { at, level }),
        }
    }

    /// The time of one character on the wire now.
    pub fn character(&self) -> Duration {
        self.char_time.one()
    }
}

impl<A: fmt::Debug, B: fmt::Debug> fmt::Debug for Pair<A, B> {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.debug_struct("Pair").field("a", &self.a).field("b", &self.b).field("now", &self.now).finish_non_exhaustive()
    }
}
