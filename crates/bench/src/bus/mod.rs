//! The virtual CAN bus: a tester and control units in virtual time, exact to the nanosecond.
//!
//! [`Bus`] is a [`Port`]: drive the tester's machine on it with [`drive::turn`](tickover_framing::drive::turn) and
//! time passes from event to event, without waiting. The units stand on the bus as [`Station`]s and are obeyed on
//! the way.
//!
//! * Everybody has a queue in which no frame overtakes another. When the bus is free, the frame with the smallest
//!   arbitration field of those in front of the queues is sent; frames asked for in the same instant take part.
//! * A frame takes its longest time, with worst-case stuffing and the three bits of intermission
//!   ([`Frame::time`](tickover_framing::can::Frame::time)). At its end the sender has its report (`Sent`, measured)
//!   and everybody else hears it, stations first.
//! * Participants at another bit rate hear errors instead of frames, and destroy what they cannot read until their
//!   error counters make them passive. A frame that nobody acknowledges is repeated. The counters and what follows
//!   from them are those of ISO 11898-1:2015 12.1.4, with two simplifications: an error is noticed at the end of a
//!   frame, and costs 20 bits more (a flag of 12 bits and its delimiter).
//! * A controller that is off has lost what it had to send. It stays off until its speed is set again, or until the
//!   time of [`restart_after`](Bus::restart_after) and 128 times 11 bits have passed.
//! * Faults come by chance or as planned; each that strikes is counted and logged.

mod acts;
mod fault;
mod load;
mod node;
#[cfg(test)]
mod tests;
mod traffic;
mod wire;

use core::time::Duration;
use std::collections::VecDeque;

use tickover_framing::can::Filter;
use tickover_framing::contract::{Act, Input, Lost, Speed};
use tickover_framing::drive::{Port, Woke};
use tickover_framing::time::{Instant, earliest};
use tickover_framing::transport::Reach;

use fault::Faults;
pub use fault::{Background, Chances, Counts, Planned, Strike, Struck};
pub use load::{Load, Passed};
pub use node::Counters;
use node::Node;
use wire::{Rates, Running};

pub use crate::station::{Collecting, Station, Who};

/// A virtual bus with the tester's port at one end and stations on it.
#[derive(Debug)]
pub struct Bus<S> {
    now: Instant,
    reach: Reach,
    before: Rates,
    tester_always: Option<Speed>,
    wanted: Option<Vec<Filter>>,
    bystander: bool,
    cut_at: Option<Instant>,
    tester: Node,
    units: Vec<(S, Node)>,
    talker: Node,
    running: Option<Running>,
    free_from: Instant,
    /// What the tester notices and has not been told yet.
    told: VecDeque<Woke>,
    faults: Faults,
    load: Load,
    passed: VecDeque<Passed>,
    keep_passed: usize,
}

/// What happens next on the bus, in the order of one instant: everybody has heard and asked before a frame starts.
#[derive(Clone, Copy, Debug)]
enum Due {
    End,
    Hear(Who),
    Restart(Who),
    Deadline(usize),
    Talk,
    Start,
}

impl<S: Station> Bus<S> {
    /// Events of which the tester notices nothing, such as repetitions that nobody acknowledges, before a wait without
    /// a deadline ends.
    pub const HOPELESS: u32 = 100_000;

    /// An empty bus. `reach` is what the tester's port says of itself; [`Reach::IDEAL`] in virtual time. Everybody
    /// runs at `bit_rate`, in bits per second, until he sets another.
    ///
    /// ```
    /// use core::time::Duration;
    /// use tickover_bench::bus::{Bus, Collecting};
    /// use tickover_framing::can::Id;
    /// use tickover_framing::drive::Port;
    /// use tickover_framing::isotp::{Address, Line, Path, Tester, Unit};
    /// use tickover_framing::transport::{Answers, Ask, Heard, Peer, Reach, Transport};
    ///
    /// let [request, response] = [0x5A1, 0x5A9].map(|id| Address::Normal(Id::Standard(id)));
    /// let path = Path { request, response };
    /// let mut bus = Bus::new(Reach::IDEAL, 500_000);
    /// bus.attach(Collecting::new(Unit::<64>::new(Line::CLASSIC, path, None, Reach::IDEAL)));
    /// let mut tester: Tester<1, 64> = Tester::new(Line::CLASSIC, Reach::IDEAL);
    /// tester.add_unit(path).expect("room for one");
    /// tester.connect(bus.now());
    /// let ask = Ask { to: Peer::Address(request), answers: Answers::One, window: Duration::from_millis(50) };
    /// tester.request(bus.now(), &[0x3E, 0x00], ask)?;
    /// let until = bus.now().after(Duration::from_secs(1));
    /// let sent = bus.drive(&mut tester, until, |_, heard| match heard {
    ///     Heard::Sent { end, .. } => Some(end.as_nanos()),
    ///     _ => None,
    /// });
    /// assert_eq!(sent, Some(270_000)); // 135 bits
    /// # Ok::<(), tickover_framing::transport::Misuse>(())
    /// ```
    pub fn new(reach: Reach, bit_rate: u32) -> Self {
        let before = Rates { bit_rate: bit_rate.max(1), data_rate: None, listen_only: false };
        Self {
            now: Instant::ORIGIN,
            reach,
            before,
            tester_always: None,
            wanted: None,
            bystander: false,
            cut_at: None,
            tester: Node::new(before),
            units: Vec::new(),
            talker: Node::new(before),
            running: None,
            free_from: Instant::ORIGIN,
            told: VecDeque::new(),
            faults: Faults::new(),
            load: Load::default(),
            passed: VecDeque::new(),
            keep_passed: 0,
        }
    }

    /// Puts a station on the bus.
    pub fn attach(&mut self, station: S) -> Who {
        let who = Who::Unit(self.units.len() as u8);
        self.units.push((station, Node::new(self.before)));
        self.settle(self.units.len() - 1);
        who
    }

    /// Misbehaves by chance from now on; the same seed gives the same faults.
    pub fn set_chances(&mut self, chances: Chances, seed: u64) {
        self.faults.chances = chances;
        self.faults.random = crate::random::Random::new(seed);
    }

    /// Misbehaves once, at its time.
    pub fn plan(&mut self, planned: Planned) {
        self.faults.plan(planned);
    }

    /// What the second talker sends all the time from now on; nothing: he is quiet.
    pub fn set_background(&mut self, background: &[Background]) {
        self.faults.set_background(self.now, background);
    }

    /// How many faults struck.
    pub const fn counts(&self) -> Counts {
        self.faults.counts
    }

    /// The faults that struck since the last call, in order.
    pub fn take_log(&mut self) -> Vec<Struck> {
        std::mem::take(&mut self.faults.log)
    }

    /// How busy the bus was since the last call.
    pub fn take_load(&mut self) -> Load {
        let since = Load { since: self.now, until: self.now, ..Load::default() };
        Load { until: self.now, ..std::mem::replace(&mut self.load, since) }
    }

    /// Keeps the last `count` frames that were on the bus; none without this call.
    pub fn keep_passed(&mut self, count: usize) {
        self.keep_passed = count;
        let surplus = self.passed.len().saturating_sub(count);
        self.passed.drain(..surplus);
    }

    /// The last frames that were on the bus, the oldest first.
    pub fn passed(&self) -> impl Iterator<Item = &Passed> {
        self.passed.iter()
    }

    /// An adapter that runs at this speed whatever is asked of it, and says so; `None`: at what is asked.
    pub fn tester_always_runs_at(&mut self, speed: Option<Speed>) {
        self.tester_always = speed;
        if let Some(rates) = speed.and_then(Rates::of) {
            self.restart(Who::Tester, rates);
        }
    }

    /// The tester's port hands in these frames only, as a filter in a driver does; `None`: all.
    pub fn tester_wants(&mut self, wanted: Option<&[Filter]>) {
        self.wanted = wanted.map(<[Filter]>::to_vec);
    }

    /// Whether somebody else is on the bus who only acknowledges, at the bit rate that the bus was made with: in a
    /// car a unit is never alone. Without him a unit that nobody listens to with acknowledgements repeats itself.
    pub fn set_bystander(&mut self, present: bool) {
        self.bystander = present;
        self.talker.restart(self.before);
    }

    /// A controller that is off tries again after this time and 128 times 11 bits; `None`: it stays off.
    pub fn restart_after(&mut self, who: Who, after: Option<Duration>) {
        if let Some(node) = self.node_mut(who) {
            node.restarts_after = after;
        }
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

    /// The speed that somebody runs at; `None` for one who is not on the bus.
    pub fn speed_of(&self, who: Who) -> Option<Speed> {
        self.node(who).map(|node| node.rates.speed())
    }

    /// The error counters of somebody's controller; `None` for one who is not on the bus.
    pub fn counters_of(&self, who: Who) -> Option<Counters> {
        self.node(who).map(|node| node.counters)
    }

    /// When something happens next, as far as is known.
    pub fn next_due(&self) -> Option<Instant> {
        if self.told.is_empty() { self.due().map(|(at, _)| at) } else { Some(self.now) }
    }

    /// The bus is idle for the tester until `until`: time passes, the stations do what they do.
    /// Frames for the tester are dropped.
    pub fn pass_until(&mut self, until: Instant) {
        let cut_at = self.cut_at.take();
        while !matches!(self.wait(Some(until), &mut []), Woke::Deadline { .. }) {}
        self.cut_at = cut_at;
    }

    fn node(&self, who: Who) -> Option<&Node> {
        match who {
            Who::Tester => Some(&self.tester),
            Who::Unit(place) => self.units.get(usize::from(place)).map(|(_, node)| node),
            Who::Talker => Some(&self.talker),
        }
    }

    fn node_mut(&mut self, who: Who) -> Option<&mut Node> {
        match who {
            Who::Tester => Some(&mut self.tester),
            Who::Unit(place) => self.units.get_mut(usize::from(place)).map(|(_, node)| node),
            Who::Talker => Some(&mut self.talker),
        }
    }

    /// Everybody, stations first.
    fn everybody(&self) -> impl Iterator<Item = (Who, &Node)> + use<'_, S> {
        let units = self.units.iter().enumerate().map(|(place, (_, node))| (Who::Unit(place as u8), node));
        units.chain([(Who::Tester, &self.tester), (Who::Talker, &self.talker)])
    }

    /// What comes next. A start comes after everything else of its instant.
    fn due(&self) -> Option<(Instant, Due)> {
        let mut first: Option<(Instant, Due)> = self.running.as_ref().map(|running| (running.end, Due::End));
        let mut offer = |at: Option<Instant>, due: Due| {
            if let Some(at) = at
                && first.as_ref().is_none_or(|(first, _)| at < *first)
            {
                first = Some((at, due));
            }
        };
        for (who, node) in self.everybody() {
            offer(node.inbox.due(), Due::Hear(who));
            offer(node.restarts_at, Due::Restart(who));
        }
        for (place, (_, node)) in self.units.iter().enumerate() {
            offer(node.deadline, Due::Deadline(place));
        }
        offer(self.faults.talk_due(), Due::Talk);
        offer(self.start_due(), Due::Start);
        first.map(|(at, due)| (at.max(self.now), due))
    }

    fn step(&mut self, due: Due) {
        match due {
            Due::End => self.end_frame(),
            Due::Hear(who) => {
                let now = self.now;
                if let Some(frame) = self.node_mut(who).and_then(|node| node.inbox.take(now)) {
                    self.hand(who, frame);
                }
            }
            Due::Restart(who) => {
                if let Some(node) = self.node_mut(who) {
                    let rates = node.rates;
                    node.restart(rates);
                    self.tell(who, tickover_framing::can::Condition::Active);
                }
            }
            Due::Deadline(place) => {
                let now = self.now;
                if let Some((unit, node)) = self.units.get_mut(place) {
                    node.deadline = None;
                    unit.handle(Input::Timeout { now });
                }
                self.settle(place);
            }
            Due::Talk => self.talk(),
            Due::Start => self.start_frame(),
        }
    }
}

impl<S: Station> Port for Bus<S> {
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
        self.obey(Who::Tester, act)
    }

    /// Lets time pass until something reaches the tester. With nothing to wait for and nothing to come it returns
    /// [`Woke::Command`], also if nothing has come of [`Bus::HOPELESS`] events: whoever drives this must find out what
    /// it waits for.
    fn wait(&mut self, until: Option<Instant>, _buffer: &mut [u8]) -> Woke {
        for event in 0_u32.. {
            if let Some(woke) = self.told.pop_front() {
                return woke;
            }
            let until = earliest(until, self.cut_at);
            let next = self.due().filter(|(at, due)| match until {
                // What is asked for at a deadline takes part in the arbitration of its instant.
                Some(until) if matches!(due, Due::Start) => *at < until,
                Some(until) => *at <= until,
                None => event < Self::HOPELESS,
            });
            match (next, until) {
                (Some((at, due)), _) => {
                    self.now = at;
                    self.step(due);
                }
                (None, Some(until)) => {
                    self.now = self.now.max(until);
                    return match self.cut_at {
                        Some(at) if at <= self.now => Woke::Lost { at, cause: Lost::Gone },
                        _ => Woke::Deadline { now: self.now },
                    };
                }
                (None, None) => return Woke::Command,
            }
        }
        Woke::Command
    }
}
