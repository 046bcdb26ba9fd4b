//! What a simulated unit does wrong: by chance per request, or planned. Each is counted and logged.

use core::time::Duration;

use tickover_framing::Instant;

use crate::random::Random;

/// How often a unit misbehaves: so many of a million requests. All zero: never.
#[derive(Clone, Copy, PartialEq, Eq, Debug, Default)]
pub struct Trouble {
    /// Answers "response pending" once or twice first. Only with ISO 14230-3 services.
    pub pending: u32,
    /// Refuses: busy, repeat the request.
    pub busy: u32,
    /// Resets in the middle of things: forgets the connection and is deaf for half a second.
    pub reset: u32,
    /// Is deaf for a while, this request included.
    pub silent: u32,
    /// The longest time that it is deaf.
    pub silent_for: Duration,
}

/// One thing that a unit does wrong.
#[derive(Clone, Copy, PartialEq, Eq, Hash, Debug)]
pub enum Mishap {
    /// "Response pending" so many times, then the answer.
    Pending(u8),
    /// Refuses with "busy, repeat the request".
    Busy,
    /// Forgets the connection and is deaf for half a second.
    Reset,
    /// Is deaf for this long.
    Silent(Duration),
}

/// How many of them there were.
#[derive(Clone, Copy, PartialEq, Eq, Debug, Default)]
pub struct MishapCounts {
    /// Requests answered with "response pending" first.
    pub pending: u64,
    /// Requests refused as busy.
    pub busy: u64,
    /// Resets.
    pub reset: u64,
    /// Times it was deaf.
    pub silent: u64,
}

/// Draws mishaps.
#[derive(Clone, Debug)]
pub(super) struct Dice {
    pub(super) trouble: Trouble,
    random: Random,
    planned: Vec<(Instant, Mishap)>,
    pub(super) counts: MishapCounts,
    pub(super) log: Vec<(Instant, Mishap)>,
}

/// How long a reset unit is deaf.
pub(super) const BOOT: Duration = Duration::from_millis(500);

impl Dice {
    pub(super) fn new(trouble: Trouble, seed: u64) -> Self {
        let (counts, log) = (MishapCounts::default(), Vec::new());
        Self { trouble, random: Random::new(seed), planned: Vec::new(), counts, log }
    }

    pub(super) fn plan(&mut self, at: Instant, mishap: Mishap) {
        self.planned.push((at, mishap));
        self.planned.sort_by_key(|(at, _)| *at);
    }

    /// What goes wrong with a request that ended at `now`.
    pub(super) fn on_request(&mut self, now: Instant) -> Option<Mishap> {
        let mishap = match self.planned.first() {
            Some((at, _)) if *at <= now => Some(self.planned.remove(0).1),
            _ => self.by_chance(),
        }?;
        match mishap {
            Mishap::Pending(_) => self.counts.pending += 1,
            Mishap::Busy => self.counts.busy += 1,
            Mishap::Reset => self.counts.reset += 1,
            Mishap::Silent(_) => self.counts.silent += 1,
        }
        self.log.push((now, mishap));
        Some(mishap)
    }

    fn by_chance(&mut self) -> Option<Mishap> {
        let Trouble { pending, busy, reset, silent, silent_for } = self.trouble;
        if pending | busy | reset | silent == 0 {
            return None;
        }
        let mut dice = self.random.below(1_000_000) as u32;
        let mut hit = |chance: u32| {
            let hit = dice < chance;
            dice = dice.wrapping_sub(chance);
            hit
        };
        if hit(pending) {
            Some(Mishap::Pending(1 + self.random.below(2) as u8))
        } else if hit(busy) {
            Some(Mishap::Busy)
        } else if hit(reset) {
            Some(Mishap::Reset)
        } else if hit(silent) {
            Some(Mishap::Silent(Duration::from_nanos(self.random.below(silent_for.as_nanos() as u64))))
        } else {
            None
        }
    }
}
