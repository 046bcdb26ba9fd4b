//! The virtual single-wire line: a tester and control units in virtual time, exact to the nanosecond.
//!
//! [`Line`] is a [`Port`]: drive the tester's machine on it with [`drive::turn`](tickover_framing::drive::turn) and
//! time passes from event to event, without waiting. The units stand on the line as [`Station`]s and are obeyed on
//! the way.
//!
//! * A transmission starts at once, or when the sender's own one has ended, and takes bytes x bits / baud at the
//!   sender's speed. Every other station hears it character by character, each at the end of its stop bit; the
//!   sender hears itself if its port has an echo.
//! * A level held is an edge for the others. On a port without pulses it reaches nobody.
//! * When stations talk at the same time, or at another speed than the listener's, the listener samples the wired
//!   AND in the middle of its own bits from the falling edge on, as a UART does. A character without a stop bit or
//!   with the wrong parity is passed on as Linux does: without parity it vanishes unless it is a break (all low),
//!   which reads as 00; with parity it reads as 00.
//! * Faults come by chance or as planned; each that strikes is counted and logged.

mod acts;
mod ear;
mod fault;
mod hearing;
#[cfg(test)]
mod tests;
mod wire;

use std::collections::VecDeque;

use tickover_framing::contract::{Act, Input, Level, Lost, Speed};
use tickover_framing::drive::{Port, Woke};
use tickover_framing::time::Instant;
use tickover_framing::transport::{Echo, Reach};

use ear::Ear;
use fault::Faults;
pub use fault::{Chances, Counts, Planned, Strike, Struck};
use wire::{Sending, Wire};

pub use crate::station::{Collecting, Station, Who};

/// A virtual line with the tester's port at one end and stations on it.
#[derive(Debug)]
pub struct Line<S> {
    now: Instant,
    reach: Reach,
    echoes: bool,
    breaks_read_as_bytes: bool,
    tester_always: Option<u32>,
    cut_at: Option<Instant>,
    wire: Wire,
    tester: End,
    units: Vec<(S, End)>,
    edges: VecDeque<(Who, Level)>,
    faults: Faults,
    heard: VecDeque<(Instant, u8)>,
    keep_heard: usize,
}

/// One station's end of the line.
#[derive(Debug)]
struct End {
    ear: Ear,
    free: Instant,
    deadline: Option<Instant>,
}

impl End {
    const fn new(deaf_to: Option<Who>) -> Self {
        Self { ear: Ear::new(deaf_to), free: Instant::ORIGIN, deadline: None }
    }
}

/// What happens next on the line.
enum Due {
    Edge,
    Character(usize),
    Sampled(Who),
    Deadline(usize),
    Talk,
}

impl<S: Station> Line<S> {
    /// An empty line. `reach` is what the tester's port says of itself; [`Reach::IDEAL`] in virtual time.
    ///
    /// An echo that has to be found out returns here; see [`returns_echo`](Self::returns_echo).
    pub fn new(reach: Reach) -> Self {
        let echoes = !matches!(reach.echo, Echo::Suppressed);
        Self {
            now: Instant::ORIGIN,
            reach,
            echoes,
            breaks_read_as_bytes: false,
            tester_always: None,
            cut_at: None,
            wire: Wire::default(),
            tester: End::new((!echoes).then_some(Who::Tester)),
            units: Vec::new(),
            edges: VecDeque::new(),
            faults: Faults::new(Chances::default(), 0, Instant::ORIGIN),
            heard: VecDeque::new(),
            keep_heard: 0,
        }
    }

    /// Puts a station on the line.
    pub fn attach(&mut self, station: S) -> Who {
        let who = Who::Unit(self.units.len() as u8);
        let deaf_to = (!station.hears_itself()).then_some(who);
        self.units.push((station, End::new(deaf_to)));
        self.settle(self.units.len() - 1);
        who
    }

    /// Misbehaves by chance from now on; the same seed gives the same faults.
    pub fn set_chances(&mut self, chances: Chances, seed: u64) {
        let log = std::mem::take(&mut self.faults.log);
        let counts = self.faults.counts;
        self.faults = Faults::new(chances, seed, self.now);
        (self.faults.log, self.faults.counts) = (log, counts);
    }

    /// Misbehaves once, at its time.
    pub fn plan(&mut self, planned: Planned) {
        self.faults.plan(planned);
    }

    /// How many faults struck.
    pub const fn counts(&self) -> Counts {
        self.faults.counts
    }

    /// The faults that struck since the last call, in order.
    pub fn take_log(&mut self) -> Vec<Struck> {
        std::mem::take(&mut self.faults.log)
    }

    /// Keeps the last `count` characters that the tester heard; none without this call.
    pub fn keep_heard(&mut self, count: usize) {
        self.keep_heard = count;
        self.heard.truncate(count);
    }

    /// The last characters that the tester heard, each with its end, the oldest first.
    pub fn heard(&self) -> impl Iterator<Item = (Instant, u8)> {
        self.heard.iter().rev().copied()
    }

    /// Whether the tester's own characters come back, whatever its port says of itself.
    pub fn returns_echo(&mut self, returns: bool) {
        self.echoes = returns;
        self.tester.ear.deaf_to = (!returns).then_some(Who::Tester);
    }

    /// Whether the tester's own breaks come back as 00, as Linux reads them.
    pub fn breaks_read_as_bytes(&mut self, yes: bool) {
        self.breaks_read_as_bytes = yes;
    }

    /// An adapter that makes this speed whatever is asked of it, and says so; `None`: what is asked.
    pub fn tester_always_runs_at(&mut self, baud: Option<u32>) {
        self.tester_always = baud;
    }

    /// The tester's port is gone from this instant on; `None`: it is back.
    pub fn cut_at(&mut self, at: Option<Instant>) {
        self.cut_at = at;
    }

    /// The stations, in the order attached.
    pub fn units(&self) -> impl Iterator<Item = &S> {
        self.units.iter().map(|(unit, _)| unit)
    }

    /// The stations, in the order attached. Call [`nudge`](Self::nudge) after a command to one's machine.
    pub fn units_mut(&mut self) -> impl Iterator<Item = &mut S> {
        self.units.iter_mut().map(|(unit, _)| unit)
    }

    /// A station, by the order attached. Call [`nudge`](Self::nudge) after a command to its machine.
    pub fn unit_mut(&mut self, place: usize) -> Option<&mut S> {
        self.units.get_mut(place).map(|(unit, _)| unit)
    }

    /// Obeys what a station wants after a command.
    pub fn nudge(&mut self, place: usize) {
        self.settle(place);
    }

    /// The speed that somebody runs at; `None` for one who is not on the line.
    pub fn speed_of(&self, who: Who) -> Option<Speed> {
        match who {
            Who::Tester => Some(self.tester.ear.shape.speed()),
            Who::Unit(place) => self.units.get(usize::from(place)).map(|(_, end)| end.ear.shape.speed()),
            Who::Talker => None,
        }
    }

    /// When the last character that the tester has sent so far is out.
    pub const fn tester_sends_until(&self) -> Instant {
        self.tester.free
    }

    /// When something happens next, as far as is known.
    pub fn next_due(&self) -> Option<Instant> {
        self.due().map(|(at, _)| at)
    }

    /// The line is idle for the tester until `until`: time passes, the stations do what they do.
    /// Characters for the tester are dropped.
    pub fn pass_until(&mut self, until: Instant) {
        let mut buffer = [0; 8];
        let cut_at = self.cut_at.take();
        while !matches!(self.wait(Some(until), &mut buffer), Woke::Deadline { .. }) {}
        self.cut_at = cut_at;
    }

    fn due(&self) -> Option<(Instant, Due)> {
        if !self.edges.is_empty() {
            return Some((self.now, Due::Edge));
        }
        let mut first = self.wire.first_end().map(|(place, at)| (at, Due::Character(place)));
        let mut offer = |at: Option<Instant>, due: Due| {
            if let Some(at) = at
                && first.as_ref().is_none_or(|(first, _)| at < *first)
            {
                first = Some((at, due));
            }
        };
        if self.tester.ear.is_sampling() {
            offer(self.tester.ear.due(&self.wire), Due::Sampled(Who::Tester));
        }
        for (place, (_, end)) in self.units.iter().enumerate() {
            if end.ear.is_sampling() {
                offer(end.ear.due(&self.wire), Due::Sampled(Who::Unit(place as u8)));
            }
        }
        // After all characters of the same instant: a deadline passes only if nothing is readable.
        for (place, (_, end)) in self.units.iter().enumerate() {
            offer(end.deadline, Due::Deadline(place));
        }
        offer(self.faults.talk_due(), Due::Talk);
        first.map(|(at, due)| (at.max(self.now), due))
    }

    /// Lets one thing happen; what the tester notices of it comes back.
    fn step(&mut self, due: Due, buffer: &mut [u8]) -> Option<Woke> {
        match due {
            Due::Edge => {
                let (by, level) = self.edges.pop_front()?;
                return self.deliver_edge(by, level);
            }
            Due::Character(place) => {
                let sending = self.wire.sendings.get_mut(place)?;
                let (from, byte) = (sending.from, sending.take()?);
                let woke = self.deliver_sent(from, byte, buffer);
                self.tidy();
                return woke;
            }
            Due::Sampled(who) => {
                let ear = match who {
                    Who::Unit(place) => &mut self.units.get_mut(usize::from(place))?.1.ear,
                    _ => &mut self.tester.ear,
                };
                let heard = ear.take(&self.wire);
                let woke = heard.and_then(|byte| self.deliver_to(who, byte, buffer));
                self.tidy();
                return woke;
            }
            Due::Deadline(place) => {
                let now = self.now;
                let (unit, end) = self.units.get_mut(place)?;
                end.deadline = None;
                unit.handle(Input::Timeout { now });
                self.settle(place);
            }
            Due::Talk => {
                let chunk = self.faults.talk(self.now)?;
                let shape = self.tester.ear.shape;
                self.put(Sending::new(Who::Talker, shape, self.now, chunk));
            }
        }
        None
    }

    /// Forgets what nobody needs; a listener hears whole characters again once the line is quiet.
    fn tidy(&mut self) {
        let quiet =
            self.wire.sendings.iter().all(Sending::is_over) && self.wire.holds.iter().all(|h| h.until.is_some());
        let mut horizon = self.now;
        let Self { wire, units, tester, .. } = self;
        for ear in units.iter_mut().map(|(_, end)| &mut end.ear).chain([&mut tester.ear]) {
            if quiet && ear.is_sampling() && ear.due(wire).is_none() {
                ear.stop_sampling();
            }
            if let Some(since) = ear.needs_since() {
                horizon = horizon.min(since);
            }
        }
        wire.forget_before(horizon);
    }
}

impl<S: Station> Port for Line<S> {
    fn reach(&self) -> Reach {
        self.reach
    }

    fn now(&self) -> Instant {
        self.now
    }

    fn act(&mut self, act: &Act) -> Option<Input<'static>> {
        if let Some(at) = self.cut_at.filter(|&at| at <= self.now) {
            return Some(Input::Lost { at, cause: Lost::Gone });
        }
        Some(self.obey(Who::Tester, act))
    }

    /// Lets time pass until something reaches the tester. With nothing to wait for and nothing to come it returns
    /// [`Woke::Command`] at once: whoever drives this must find out what it waits for.
    fn wait(&mut self, until: Option<Instant>, buffer: &mut [u8]) -> Woke {
        loop {
            let until = tickover_framing::time::earliest(until, self.cut_at);
            match (self.due(), until) {
                (Some((at, due)), until) if until.is_none_or(|until| at <= until) => {
                    self.now = at;
                    if let Some(woke) = self.step(due, buffer) {
                        return woke;
                    }
                }
                (_, Some(until)) => {
                    self.now = self.now.max(until);
                    return match self.cut_at {
                        Some(at) if at <= self.now => Woke::Lost { at, cause: Lost::Gone },
                        _ => Woke::Deadline { now: self.now },
                    };
                }
                (_, None) => return Woke::Command,
            }
        }
    }
}
