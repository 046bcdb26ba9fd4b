//! Scripts in virtual time: what a machine hears, and what it must say, each with its instant.
//!
//! A script's time is that of the first start bit; events come at the last stop bit. The line is ideal: nothing is
//! late, and what a machine sends comes back to it unless the script says otherwise. Every act and event must be
//! named in order; [`At::nothing`] says that there are no more. Frames on CAN are written as identifier and bytes.
//!
//! ```
//! use tickover_framing::contract::Level;
//! use tickover_framing::kline::Line;
//! use tickover_framing::script::Script;
//! use tickover_framing::transport::Heard;
//!
//! let mut t = Script::tester(Line::iso14230(0x1C, 0xF1));
//! t.at("0 ms").line(Level::Low);
//! t.at("25 ms").line(Level::High);
//! t.at("50 ms").sends("81 1C F1 81 0F");
//! t.at("100 ms").hears("83 F1 1C C1 E9 8F C9");
//! t.at("106.731 ms").event(Heard::Ready { key_bytes: Some((0xE9, 0x8F)) });
//! t.at("1 s").nothing();
//! ```

mod bus;
mod moment;
mod pair;

use core::fmt::Debug;
use core::time::Duration;
use std::collections::VecDeque;
use std::vec::Vec;

use bus::Bus;
pub use bus::Confirms;
pub use moment::Moment;
pub use pair::{Pair, Told};

use crate::can::Frame;
use crate::contract::{Act, Hex, Input, Known, Level, Machine, Output, Speed, Tag, Wire};
use crate::kline::{Init, Line, Tester, Unit};
use crate::time::{CharTime, Instant};
use crate::transport::{Echo, Reach, Transport};

/// The instant that a script calls zero: late enough for what comes before it.
pub const ZERO: Instant = Instant::from_nanos(1_000_000_000_000);

/// One machine in virtual time, and what it has said so far.
#[derive(Debug)]
pub struct Script<M: Machine> {
    machine: M,
    now: Instant,
    line_free: Instant,
    char_time: CharTime,
    echoes: bool,
    reads_back: fn(Speed) -> Option<Speed>,
    bus: Bus,
    coming: Vec<(Instant, Coming)>,
    said: VecDeque<(Instant, Said<M::Event>)>,
}

/// What reaches the machine.
#[derive(Clone, Copy, PartialEq, Debug)]
enum Coming {
    Byte(u8),
    Edge(Level),
    Frame(Frame),
    Sent(Tag, Instant),
}

/// What the machine does.
#[derive(Clone, PartialEq, Debug)]
enum Said<E> {
    Byte(u8),
    Frame(Frame),
    Line(Level),
    Speed(Speed),
    Event(E),
}

impl Script<Tester> {
    /// A tester that has been told to connect so early that its first edge, or its readiness, falls on zero.
    pub fn tester(line: Line) -> Self {
        Self::tester_on(line, Reach::IDEAL)
    }

    /// The same on a port of this reach.
    pub fn tester_on(line: Line, reach: Reach) -> Self {
        let before = match line.init {
            Init::None => Duration::ZERO,
            Init::Fast => line.timing.t_idle,
            Init::FiveBaud(_) => line.timing.w0_min,
        };
        let mut script = Self::new(Tester::new(line, reach), line.char_time(), ZERO.before(before));
        script.echoes = reach.echo != Echo::Suppressed;
        script.machine.connect(script.now);
        script.turn_until(script.now);
        script.expect(Moment::from(script.now), &Said::Speed(line.speed()));
        script
    }

    /// A tester that is connected: its line needs no initialisation.
    pub fn connected_tester(line: Line) -> Self {
        let mut script = Self::tester(Line { init: Init::None, ..line });
        script.at("0 ms").event(crate::transport::Heard::Ready { key_bytes: None });
        script
    }
}

impl Script<Unit> {
    /// A unit whose speed has been set before zero.
    pub fn unit(line: Line) -> Self {
        Self::unit_on(line, Reach::IDEAL)
    }

    /// The same on a port of this reach.
    pub fn unit_on(line: Line, reach: Reach) -> Self {
        let mut script = Self::new(Unit::new(line, reach), line.char_time(), ZERO);
        script.echoes = reach.echo != Echo::Suppressed;
        script.turn_until(ZERO);
        script.expect(Moment::from(ZERO), &Said::Speed(line.speed()));
        script
    }

    /// A unit that is always started.
    pub fn started_unit(line: Line) -> Self {
        let mut script = Self::unit(Line { init: Init::None, ..line });
        script.at("0 ms").event(crate::kline::UnitEvent::Started { at: ZERO });
        script
    }
}

impl<M: Machine> Script<M>
where
    M::Event: Clone + PartialEq + Debug,
{
    /// Any machine, from `now` on, on a line with such characters.
    pub fn new(machine: M, char_time: CharTime, now: Instant) -> Self {
        Self {
            machine,
            now,
            line_free: now,
            char_time,
            echoes: true,
            reads_back: Some,
            bus: Bus::IDLE,
            coming: Vec::new(),
            said: VecDeque::new(),
        }
    }

    /// The machine, to look at.
    pub fn machine(&self) -> &M {
        &self.machine
    }

    /// The machine, to be set up.
    pub fn machine_mut(&mut self) -> &mut M {
        &mut self.machine
    }

    /// What the port reads back for a speed; the speed itself without this call.
    pub fn reads_back(&mut self, read: fn(Speed) -> Option<Speed>) {
        self.reads_back = read;
    }

    /// Something at this time since zero: `"25 ms"`, `"50 ms + 1 ns"`, or a duration.
    ///
    /// A time with decimals is meant to half of its last digit, one without is meant exactly.
    pub fn at(&mut self, time: impl Into<Moment>) -> At<'_, M> {
        At { moment: time.into(), script: self }
    }

    fn turn_until(&mut self, until: Instant) {
        loop {
            let deadline = self.drain();
            let next = self.coming.iter().map(|(at, _)| *at).min();
            let (at, input_first) = match (next, deadline) {
                (Some(input), Some(deadline)) if input <= deadline => (input, true),
                (_, Some(deadline)) => (deadline, false),
                (Some(input), None) => (input, true),
                (None, None) => break,
            };
            if at > until {
                break;
            }
            self.now = self.now.max(at);
            if input_first {
                self.hand_in(at);
            } else {
                self.machine.handle(Input::Timeout { now: self.now });
            }
        }
        self.now = self.now.max(until);
    }

    fn hand_in(&mut self, at: Instant) {
        let Some(place) = self.coming.iter().position(|(time, _)| *time == at) else { return };
        match self.coming.remove(place).1 {
            Coming::Byte(byte) => self.machine.handle(Input::Bytes { end: at, bytes: &[byte] }),
            Coming::Edge(level) => self.machine.handle(Input::Edge { at, level }),
            Coming::Frame(frame) => self.machine.handle(Input::Frame { end: at, frame: &frame }),
            Coming::Sent(tag, start) => {
                self.machine.handle(Input::Sent { tag, start, end: at, known: Known::Measured });
            }
        }
    }

    /// Obeys the machine; gives its deadline.
    fn drain(&mut self) -> Option<Instant> {
        loop {
            match self.machine.poll_output() {
                Output::Event(event) => self.said.push_back((self.now, Said::Event(event))),
                Output::WaitUntil { at, .. } => return Some(at),
                Output::Idle => return None,
                Output::Act(act) => self.obey(act),
            }
        }
    }

    fn obey(&mut self, act: Act) {
        match act {
            Act::Speed(speed) => {
                self.said.push_back((self.now, Said::Speed(speed)));
                let got = (self.reads_back)(speed);
                if let Some(Speed::Serial { baud, parity, stop_bits }) = got {
                    let parity_bit = u8::from(parity != crate::contract::Parity::None);
                    self.char_time = CharTime::new(9 + parity_bit + stop_bits, baud);
                }
                self.machine.handle(Input::SpeedIs { at: self.now, got });
            }
            Act::Line { level, .. } => {
                self.said.push_back((self.now, Said::Line(level)));
                self.machine.handle(Input::LineIs { at: self.now, level });
            }
            Act::Transmit { tag, wire } => {
                let chunk = match wire {
                    Wire::Bytes(chunk) => chunk,
                    Wire::Frame(frame) => return self.put(tag, frame),
                };
                let start = self.now.max(self.line_free);
                for (place, byte) in chunk.as_slice().iter().enumerate() {
                    self.said.push_back((start.after(self.char_time.of(place)), Said::Byte(*byte)));
                    if self.echoes {
                        let end = start.after(self.char_time.of(place + 1));
                        self.coming.push((end, Coming::Byte(*byte)));
                    }
                }
                let end = start.after(self.char_time.of(chunk.as_slice().len()));
                self.line_free = end;
                self.machine.handle(Input::Sent { tag, start, end, known: Known::Computed });
            }
        }
    }

    #[track_caller]
    fn expect(&mut self, moment: Moment, wanted: &Said<M::Event>) {
        match self.said.pop_front() {
            Some((at, said)) => {
                assert!(said == *wanted, "at {moment}: {wanted:?} was expected, {said:?} came at {}", Moment::from(at));
                assert!(moment.means(at), "{wanted:?} was expected at {moment} and came at {}", Moment::from(at));
            }
            None => panic!("at {moment}: {wanted:?} was expected and nothing came"),
        }
    }
}

/// A time in a script.
#[expect(missing_debug_implementations, reason = "it lives for one line of a script")]
pub struct At<'s, M: Machine> {
    moment: Moment,
    script: &'s mut Script<M>,
}

impl<M: Machine> At<'_, M>
where
    M::Event: Clone + PartialEq + Debug,
{
    /// The machine moves the line now.
    #[track_caller]
    pub fn line(self, level: Level) {
        self.script.turn_until(self.moment.latest());
        self.script.expect(self.moment, &Said::Line(level));
    }

    /// The machine sets this speed now.
    #[track_caller]
    pub fn speed(self, speed: Speed) {
        self.script.turn_until(self.moment.latest());
        self.script.expect(self.moment, &Said::Speed(speed));
    }

    /// The machine tells this event now.
    #[track_caller]
    pub fn event(self, event: M::Event) {
        self.script.turn_until(self.moment.latest());
        self.script.expect(self.moment, &Said::Event(event));
    }

    /// The machine sends these bytes; the first start bit is now, gaps are as it likes.
    #[track_caller]
    pub fn sends(self, hex: &str) {
        let wanted = bytes(hex);
        self.script.turn_until(self.moment.latest());
        self.script.expect(self.moment, &Said::Byte(wanted[0]));
        let mut sent = std::vec![wanted[0]];
        let patience = self.script.now.after(Duration::from_secs(10));
        while sent.len() < wanted.len() {
            match self.script.said.front() {
                Some((_, Said::Byte(byte))) => {
                    sent.push(*byte);
                    self.script.said.pop_front();
                }
                Some((at, other)) => panic!("{other:?} at {} after {}", Moment::from(*at), Hex(&sent)),
                None => {
                    let Some(next) = self.script.drain().filter(|next| *next < patience) else {
                        panic!("only {} of {} was sent", Hex(&sent), Hex(&wanted));
                    };
                    let next = self.script.coming.iter().map(|(at, _)| *at).fold(next, Ord::min);
                    self.script.turn_until(next);
                }
            }
        }
        assert_eq!(Hex(&sent), Hex(&wanted), "sent at {}", self.moment);
    }

    /// These bytes were sent some time until now; events before them are passed over.
    #[track_caller]
    pub fn sends_at_any_time(self, hex: &str) {
        self.script.turn_until(self.moment.latest());
        let said = self.script.said.drain(..);
        let sent: Vec<u8> =
            said.filter_map(|(_, said)| if let Said::Byte(byte) = said { Some(byte) } else { None }).collect();
        assert_eq!(Hex(&sent), Hex(&bytes(hex)), "sent until {}", self.moment);
    }

    /// These bytes come back to back; the first start bit is now.
    pub fn hears(self, hex: &str) {
        self.hears_paced(hex, Duration::ZERO);
    }

    /// These bytes come with `gap` between them; the first start bit is now.
    pub fn hears_paced(self, hex: &str, gap: Duration) {
        let mut start = self.moment.instant();
        for (place, byte) in bytes(hex).iter().enumerate() {
            let end = if gap.is_zero() {
                self.moment.instant().after(self.script.char_time.of(place + 1))
            } else {
                start.after(self.script.char_time.one())
            };
            self.script.coming.push((end, Coming::Byte(*byte)));
            start = end.after(gap);
        }
    }

    /// Somebody else moves the line now.
    pub fn edge(self, level: Level) {
        self.script.coming.push((self.moment.instant(), Coming::Edge(level)));
    }

    /// A call on the machine now.
    pub fn does<R>(self, call: impl FnOnce(&mut M, Instant) -> R) -> R {
        self.script.turn_until(self.moment.instant());
        call(&mut self.script.machine, self.script.now)
    }

    /// Until now the machine has said nothing beyond what was named.
    #[track_caller]
    pub fn nothing(self) {
        self.script.turn_until(self.moment.instant());
        if let Some((at, said)) = self.script.said.front() {
            panic!("nothing was expected until {}, {said:?} came at {}", self.moment, Moment::from(*at));
        }
    }

    /// Until now: all events that the machine has told and nobody has named, with their times since zero.
    pub fn events(self) -> Vec<(Duration, M::Event)> {
        self.script.turn_until(self.moment.instant());
        let said = self.script.said.drain(..);
        said.filter_map(|(at, said)| match said {
            Said::Event(event) => Some((at.since(ZERO), event)),
            _ => None,
        })
        .collect()
    }
}

/// Bytes written as hex pairs.
fn bytes(hex: &str) -> Vec<u8> {
    hex.split_whitespace()
        .map(|pair| u8::from_str_radix(pair, 16).unwrap_or_else(|_| panic!("{pair:?} is no hex byte")))
        .collect()
}
