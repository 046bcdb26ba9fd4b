//! What a simulated unit does wrong: by chance per request, or planned. Each is counted and logged.

use core::time::Duration;

use tickover_framing::Instant;
use tickover_services::ResponseCode;

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
    /// Answers late, by up to [`slow_by`](Self::slow_by).
    pub slow: u32,
    /// The longest such delay.
    pub slow_by: Duration,
    /// On CAN: sends consecutive frames without the separation that the tester asked for.
    pub hasty: u32,
    /// On CAN: a consecutive frame has a wrong sequence number.
    pub miscounted: u32,
    /// On CAN: two consecutive frames change places.
    pub swapped: u32,
    /// On CAN: no flow control comes to a request of several frames.
    pub no_flow_control: u32,
}

impl Trouble {
    /// A healthy unit.
    pub const NONE: Self = Self {
        pending: 0,
        busy: 0,
        reset: 0,
        silent: 0,
        silent_for: Duration::ZERO,
        slow: 0,
        slow_by: Duration::ZERO,
        hasty: 0,
        miscounted: 0,
        swapped: 0,
        no_flow_control: 0,
    };
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
    /// Refuses with this code.
    Refuse(ResponseCode),
    /// Answers so much later.
    Slow(Duration),
    /// On CAN: the answer's consecutive frames come without the separation that the tester asked for.
    Hasty,
    /// On CAN: the first consecutive frame of the answer has the next sequence number.
    Miscounted,
    /// On CAN: the first two consecutive frames of the answer change places.
    Swapped,
    /// On CAN: no flow control comes to a request of several frames.
    NoFlowControl,
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
    /// Requests refused otherwise.
    pub refused: u64,
    /// Late answers.
    pub slow: u64,
    /// Answers whose frames came wrong: hasty, miscounted, swapped.
    pub misframed: u64,
    /// Requests of several frames without flow control.
    pub no_flow_control: u64,
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
        let planned = self.planned.iter().position(|(at, mishap)| *at <= now && *mishap != Mishap::NoFlowControl);
        let mishap = match planned {
            Some(place) => self.planned.remove(place).1,
            None => self.by_chance()?,
        };
        self.note(now, mishap);
        Some(mishap)
    }

    /// Whether no flow control comes to a first frame that ended at `now`.
    pub(super) fn on_first_frame(&mut self, now: Instant) -> bool {
        let planned = self.planned.iter().position(|(at, mishap)| *at <= now && *mishap == Mishap::NoFlowControl);
        let chance = self.trouble.no_flow_control;
        let strikes = match planned {
            Some(place) => self.planned.remove(place).1 == Mishap::NoFlowControl,
            None => chance > 0 && self.random.happens(chance),
        };
        if strikes {
            self.note(now, Mishap::NoFlowControl);
        }
        strikes
    }

    fn note(&mut self, now: Instant, mishap: Mishap) {
        let count = match mishap {
            Mishap::Pending(_) => &mut self.counts.pending,
            Mishap::Busy => &mut self.counts.busy,
            Mishap::Reset => &mut self.counts.reset,
            Mishap::Silent(_) => &mut self.counts.silent,
            Mishap::Refuse(_) => &mut self.counts.refused,
            Mishap::Slow(_) => &mut self.counts.slow,
            Mishap::Hasty | Mishap::Miscounted | Mishap::Swapped => &mut self.counts.misframed,
            Mishap::NoFlowControl => &mut self.counts.no_flow_control,
        };
        *count += 1;
        self.log.push((now, mishap));
    }

    fn by_chance(&mut self) -> Option<Mishap> {
        let Trouble { pending, busy, reset, silent, silent_for, slow, slow_by, hasty, miscounted, swapped, .. } =
            self.trouble;
        if pending | busy | reset | silent | slow | hasty | miscounted | swapped == 0 {
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
        } else if hit(slow) {
            Some(Mishap::Slow(Duration::from_nanos(self.random.below(slow_by.as_nanos() as u64))))
        } else if hit(hasty) {
            Some(Mishap::Hasty)
        } else if hit(miscounted) {
            Some(Mishap::Miscounted)
        } else if hit(swapped) {
            Some(Mishap::Swapped)
        } else {
            None
        }
    }
}
