//! Two machines on one ideal wire, in virtual time.

use core::time::Duration;
use std::vec::Vec;

use crate::contract::{Act, Input, Known, Level, Machine, Output, Parity, Speed, Wire};
use crate::time::{CharTime, Instant};

/// A tester and a unit, or any two machines, that hear each other and themselves.
///
/// Both send at the wire's one speed, that of the last act `Speed`. Nothing is late and nothing is lost.
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
#[derive(Debug)]
pub struct Pair<A, B> {
    /// One end; its own acts on the line reach it as reports, the other's as edges.
    pub a: A,
    /// The other end.
    pub b: B,
    now: Instant,
    wire_free: Instant,
    char_time: CharTime,
    coming: Vec<(Instant, Coming)>,
}

#[derive(Clone, Copy, PartialEq, Debug)]
enum Coming {
    Byte(u8),
    Edge { level: Level, to_a: bool },
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
        Self { a, b, now, wire_free: now, char_time: CharTime::new(10, 10_400), coming: Vec::new() }
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
                    let report = self.obey(act, false);
                    self.a.handle(report);
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
                    let report = self.obey(act, true);
                    self.b.handle(report);
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

    fn obey(&mut self, act: Act, to_a: bool) -> Input<'static> {
        match act {
            Act::Speed(speed) => {
                if let Speed::Serial { baud, parity, stop_bits } = speed {
                    let parity_bit = u8::from(parity != Parity::None);
                    self.char_time = CharTime::new(9 + parity_bit + stop_bits, baud);
                }
                Input::SpeedIs { at: self.now, got: Some(speed) }
            }
            Act::Line { level, .. } => {
                self.coming.push((self.now, Coming::Edge { level, to_a }));
                Input::LineIs { at: self.now, level }
            }
            Act::Transmit { tag, wire } => {
                let Wire::Bytes(chunk) = wire else { panic!("a frame on a serial wire") };
                let start = self.now.max(self.wire_free);
                for (place, byte) in chunk.as_slice().iter().enumerate() {
                    self.coming.push((start.after(self.char_time.of(place + 1)), Coming::Byte(*byte)));
                }
                let end = start.after(self.char_time.of(chunk.as_slice().len()));
                self.wire_free = end;
                Input::Sent { tag, start, end, known: Known::Computed }
            }
        }
    }

    fn hand_in(&mut self, at: Instant) {
        let Some(place) = self.coming.iter().position(|(time, _)| *time == at) else { return };
        match self.coming.remove(place).1 {
            Coming::Byte(byte) => {
                self.a.handle(Input::Bytes { end: at, bytes: &[byte] });
                self.b.handle(Input::Bytes { end: at, bytes: &[byte] });
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
