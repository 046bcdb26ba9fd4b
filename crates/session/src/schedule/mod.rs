//! Which request goes next: elastic non-preemptive EDF on a grid of periods.
//!
//! Every periodic record has a cost C (measured), a wanted period T and a release. `U = sum C/T`, and all
//! periods are stretched by `s = max(1, U / 0.97)`. Of the released the one with the earliest deadline
//! (release + s T) goes first; nothing released means idle. A missed period is dropped, the grid stays.
//! Records wanted "as fast as possible" share what is left, round by round. Keep-alive and single requests
//! are jobs with a deadline like all others.
//!
//! Promises, for costs that do not change by themselves:
//! 1. U <= 0.97: every wanted rate is met.
//! 2. Two requests of a record start at most `2 s T + Cmax` apart, plus one time-out per lost response as long as
//!    the line carries the time-outs, too.
//! 3. In overload all periods are stretched by the same s.
//! 4. A set that passes [the exact test](admission) is [`Admission::Guaranteed`]: no deadline is missed.
//!
//! The room holds no line and no clock: it is told when a job ran and what it cost.

mod admission;
#[cfg(test)]
mod promises;

use alloc::collections::VecDeque;
use alloc::vec::Vec;
use core::time::Duration;

use tickover_defs::RecordId;
use tickover_framing::Instant;
use tickover_framing::time::earliest;

pub use admission::Admission;
pub(crate) use admission::admit;

/// The share of the line that periods may fill; the rest absorbs what costs more than expected.
const FULL: f64 = 0.97;
/// The share of the line that "as fast as possible" gets even in overload.
const RESERVED: f64 = 0.02;
/// A single request is sent about this long after it was asked for.
const ONE_SHOT_WITHIN: Duration = Duration::from_millis(100);

/// What a record costs and how often it is wanted.
#[derive(Clone, Copy, PartialEq, Debug)]
pub(crate) struct Wanted {
    pub(crate) record: RecordId,
    /// Wanted at least once in every period.
    pub(crate) period: Option<Duration>,
    /// Wanted as fast as possible, too.
    pub(crate) fastest: bool,
    /// What it is expected to cost until it has been measured.
    pub(crate) cost: Duration,
}

/// Something to send.
#[derive(Clone, Copy, PartialEq, Eq, Debug)]
pub(crate) enum Job {
    Record(RecordId),
    KeepAlive,
    /// By ticket.
    OneShot(u32),
}

/// What to do now.
#[derive(Clone, Copy, PartialEq, Eq, Debug)]
pub(crate) enum Pick {
    Run(Job),
    Wait(Instant),
    Nothing,
}

#[derive(Clone, Debug)]
pub(crate) struct Schedule {
    periodic: Vec<Entry>,
    /// Wanted as fast as possible; the front goes next.
    ring: VecDeque<Entry>,
    one_shots: VecDeque<(u32, Instant)>,
    keep_alive: Option<KeepAlive>,
    /// When the ring was last served.
    ring_served: Instant,
    stretch: f64,
}

#[derive(Clone, Copy, Debug)]
struct KeepAlive {
    every: Duration,
    release: Instant,
}

#[derive(Clone, Debug)]
struct Entry {
    record: RecordId,
    /// Wanted; zero in the ring.
    period: Duration,
    release: Instant,
    /// Nanoseconds, smoothed.
    cost: f64,
    /// Nanoseconds, the dearest of late.
    dearest: f64,
    measured: bool,
}

impl Entry {
    fn new(wanted: &Wanted, period: Duration, release: Instant) -> Self {
        let cost = wanted.cost.as_nanos() as f64;
        Self { record: wanted.record, period, release, cost, dearest: cost, measured: false }
    }

    /// Share of the line at the wanted rate.
    fn load(&self) -> f64 {
        self.cost / (self.period.as_nanos() as f64).max(1.0)
    }

    fn stretched(&self, stretch: f64) -> Duration {
        Duration::from_nanos((self.period.as_nanos() as f64 * stretch) as u64).max(Duration::from_nanos(1))
    }

    fn deadline(&self, stretch: f64) -> Instant {
        self.release.after(self.stretched(stretch))
    }

    fn learn(&mut self, cost: Duration) {
        let cost = cost.as_nanos() as f64;
        if self.measured {
            self.cost += (cost - self.cost) / 8.0;
            self.dearest = cost.max(self.dearest - (self.dearest - self.cost) / 64.0);
        } else {
            (self.cost, self.dearest, self.measured) = (cost, cost, true);
        }
    }

    /// The next place on the grid. Periods that passed more than `slack` before `now` are dropped: one exchange late
    /// is caught up, so that no rate is lost to a long exchange, while what a time-out took is not.
    fn advance(&mut self, now: Instant, stretch: f64, slack: Duration) {
        let period = self.stretched(stretch);
        self.release = self.release.after(period);
        let behind = now.before(slack).since(self.release).as_nanos() / period.as_nanos().max(1);
        let dropped = period.as_nanos().saturating_mul(behind);
        self.release = self.release.after(Duration::from_nanos(u64::try_from(dropped).unwrap_or(u64::MAX)));
    }
}

impl Schedule {
    pub(crate) fn new() -> Self {
        Self {
            periodic: Vec::new(),
            ring: VecDeque::new(),
            one_shots: VecDeque::new(),
            keep_alive: None,
            ring_served: Instant::ORIGIN,
            stretch: 1.0,
        }
    }

    /// Takes another set of records; those that stay keep their grid and their measured cost.
    pub(crate) fn set(&mut self, now: Instant, wanted: &[Wanted]) {
        let old: Vec<Entry> = self.periodic.drain(..).chain(self.ring.drain(..)).collect();
        let mut spread = now;
        for wanted in wanted {
            let entry = |period| {
                let mut entry = Entry::new(wanted, period, spread);
                if let Some(known) = old.iter().find(|entry| entry.record == wanted.record) {
                    (entry.cost, entry.dearest, entry.measured) = (known.cost, known.dearest, known.measured);
                }
                let kept = old.iter().find(|entry| entry.record == wanted.record && entry.period == period);
                entry.release = kept.map_or(spread, |kept| kept.release);
                entry
            };
            self.periodic.extend(wanted.period.map(entry));
            self.ring.extend(wanted.fastest.then(|| entry(Duration::ZERO)));
            spread = spread.after(wanted.cost);
        }
        self.ring_served = now;
        self.stretch();
    }

    /// Begins all grids anew, spread by cumulative cost: after a connection was made.
    pub(crate) fn restart(&mut self, now: Instant) {
        let mut release = now;
        for entry in &mut self.periodic {
            entry.release = release;
            release = release.after(Duration::from_nanos(entry.cost as u64));
        }
        self.ring_served = now;
    }

    /// A keep-alive request whenever nothing else was sent for `every`.
    pub(crate) fn keep_alive(&mut self, now: Instant, every: Option<Duration>) {
        self.keep_alive = every.map(|every| KeepAlive { every, release: now.after(every) });
    }

    pub(crate) fn add_one_shot(&mut self, now: Instant, ticket: u32) {
        self.one_shots.push_back((ticket, now.after(ONE_SHOT_WITHIN)));
    }

    pub(crate) fn clear_one_shots(&mut self) {
        self.one_shots.clear();
    }

    /// What goes next.
    pub(crate) fn pick(&self, now: Instant) -> Pick {
        let s = self.stretch;
        let released = self.periodic.iter().filter(|entry| entry.release <= now);
        let periodic = released.map(|entry| (entry.deadline(s), Job::Record(entry.record)));
        let one_shot = self.one_shots.front().map(|(ticket, deadline)| (*deadline, Job::OneShot(*ticket)));
        let due = self.keep_alive.filter(|keep_alive| keep_alive.release <= now);
        let keep_alive = due.map(|it| (it.release.after(it.every / 4), Job::KeepAlive));
        let ring = self.ring.front();
        let reserved = ring.map(|entry| (self.ring_deadline(entry), Job::Record(entry.record)));
        let urgent = periodic.chain(one_shot).chain(keep_alive).min_by_key(|(deadline, _)| *deadline);
        match (urgent, reserved) {
            (Some(urgent), Some(reserved)) if reserved.0 < urgent.0 => Pick::Run(reserved.1),
            (Some((_, job)), _) | (None, Some((_, job))) => Pick::Run(job),
            (None, None) => {
                let release = self.periodic.iter().map(|entry| entry.release).min();
                match earliest(release, self.keep_alive.map(|keep_alive| keep_alive.release)) {
                    Some(at) => Pick::Wait(at),
                    None => Pick::Nothing,
                }
            }
        }
    }

    /// A job that was started at `started` was carried out or given up; the line is free again at `free`.
    /// `cost` is that of a clean exchange.
    pub(crate) fn ran(&mut self, job: Job, started: Instant, free: Instant, cost: Option<Duration>) {
        if let Some(keep_alive) = &mut self.keep_alive {
            keep_alive.release = free.after(keep_alive.every);
        }
        match job {
            Job::KeepAlive => {}
            Job::OneShot(ticket) => self.one_shots.retain(|(other, _)| *other != ticket),
            Job::Record(record) => self.record_ran(record, started, free, cost),
        }
    }

    fn record_ran(&mut self, record: RecordId, started: Instant, free: Instant, cost: Option<Duration>) {
        let entries = self.periodic.iter_mut().chain(&mut self.ring).filter(|entry| entry.record == record);
        entries.for_each(|entry| cost.into_iter().for_each(|cost| entry.learn(cost)));
        self.stretch();
        let (stretch, dearest) = (self.stretch, self.dearest());
        let due = self.periodic.iter_mut().find(|entry| entry.record == record && entry.release <= started);
        due.into_iter().for_each(|entry| entry.advance(free, stretch, dearest));
        if let Some(place) = self.ring.iter().position(|entry| entry.record == record) {
            let served = self.ring.remove(place);
            self.ring.extend(served);
            self.ring_served = free;
        }
    }

    /// The dearest exchange of all.
    fn dearest(&self) -> Duration {
        let dearest = self.periodic.iter().chain(&self.ring).map(|entry| entry.dearest);
        Duration::from_nanos(dearest.fold(0.0, f64::max) as u64)
    }

    fn stretch(&mut self) {
        self.stretch = stretch_of(self.periodic.iter().map(Entry::load).sum());
    }

    fn ring_deadline(&self, entry: &Entry) -> Instant {
        self.ring_served.after(Duration::from_nanos((entry.cost / RESERVED) as u64))
    }

    /// The factor by which all periods are stretched; 1 if every wish can be met.
    pub(crate) fn factor(&self) -> f64 {
        self.stretch
    }

    /// What can be promised for the records wanted now.
    pub(crate) fn admission(&self) -> Admission {
        let costs = |entry: &Entry| (Duration::from_nanos(entry.dearest as u64), entry.period);
        admit(&self.periodic.iter().map(costs).collect::<Vec<_>>(), self.ring.iter().map(costs).map(|(c, _)| c).max())
    }

    /// The time from one reading of a record to the next that is to be expected; `None` if it is not polled.
    pub(crate) fn interval(&self, record: RecordId) -> Option<Duration> {
        if let Some(entry) = self.periodic.iter().find(|entry| entry.record == record) {
            return Some(entry.stretched(self.stretch));
        }
        self.ring.iter().find(|entry| entry.record == record)?;
        let load: f64 = self.periodic.iter().map(Entry::load).sum();
        let round: f64 = self.ring.iter().map(|entry| entry.cost).sum();
        Some(Duration::from_nanos((round / (1.0 - load / self.stretch).max(RESERVED)) as u64))
    }
}

/// The factor by which periods are stretched when they load the line by `load`.
pub(crate) fn stretch_of(load: f64) -> f64 {
    (load / FULL).max(1.0)
}
