//! Faults of the line: by chance, or planned for an instant. Each one that strikes is counted and logged.

use core::time::Duration;

use tickover_framing::contract::Chunk;
use tickover_framing::time::Instant;

use crate::random::Random;
use crate::station::Who;

/// How often the line misbehaves by itself: so many of a million characters. All zero: never.
#[derive(Clone, Copy, PartialEq, Eq, Debug, Default)]
pub struct Chances {
    /// Heard with one bit changed, in one case of four with several.
    pub flipped: u32,
    /// Not heard.
    pub lost: u32,
    /// Heard together with a character that nobody sent.
    pub extra: u32,
    /// Sent late, by up to [`late_by`](Self::late_by); the rest of its message follows it.
    pub late: u32,
    /// The longest such delay.
    pub late_by: Duration,
    /// Mean time between two outbursts of the second talker; zero: there is none.
    pub talker_every: Duration,
}

/// What happens to one character, or on the line.
#[derive(Clone, Copy, PartialEq, Eq, Debug)]
pub enum Strike {
    /// Heard with these bits changed.
    Flip(u8),
    /// Not heard.
    Lose,
    /// Heard together with this character, which comes after it.
    Extra(u8),
    /// Sent this much later, and the rest of its message with it.
    Late(Duration),
    /// The second talker sends this, whoever else is talking, at the tester's speed.
    Talk(Chunk),
}

/// A fault that strikes once.
#[derive(Clone, Copy, PartialEq, Eq, Debug)]
pub struct Planned {
    /// The first character that ends (or, of [`Late`](Strike::Late), starts) at or after this is struck.
    pub at: Instant,
    /// Who mishears; of [`Late`](Strike::Late) who is late; of [`Talk`](Strike::Talk) it means nothing.
    pub who: Who,
    /// What happens.
    pub strike: Strike,
}

/// A fault that struck.
#[derive(Clone, Copy, PartialEq, Eq, Debug)]
pub struct Struck {
    /// When.
    pub at: Instant,
    /// Whom.
    pub who: Who,
    /// With what.
    pub strike: Strike,
    /// The character as it was sent.
    pub byte: u8,
}

/// How many faults struck.
#[derive(Clone, Copy, PartialEq, Eq, Debug, Default)]
pub struct Counts {
    /// Characters heard with changed bits.
    pub flipped: u64,
    /// Characters not heard.
    pub lost: u64,
    /// Characters that nobody sent.
    pub extra: u64,
    /// Messages with a late character.
    pub late: u64,
    /// Outbursts of the second talker.
    pub talked: u64,
    /// Transmissions that overlapped another one.
    pub collided: u64,
}

/// All faults of a line: what may come, and what came.
#[derive(Clone, Debug)]
pub(super) struct Faults {
    pub(super) chances: Chances,
    pub(super) counts: Counts,
    pub(super) log: Vec<Struck>,
    planned: Vec<Planned>,
    random: Random,
    next_talk: Option<Instant>,
}

impl Faults {
    pub(super) fn new(chances: Chances, seed: u64, now: Instant) -> Self {
        let mut faults = Self {
            chances,
            counts: Counts::default(),
            log: Vec::new(),
            planned: Vec::new(),
            random: Random::new(seed),
            next_talk: None,
        };
        faults.plan_talk(now);
        faults
    }

    pub(super) fn plan(&mut self, planned: Planned) {
        self.planned.push(planned);
        self.planned.sort_by_key(|planned| planned.at);
    }

    /// When the second talker speaks next.
    pub(super) fn talk_due(&self) -> Option<Instant> {
        let planned = self.planned.iter().find(|p| matches!(p.strike, Strike::Talk(_))).map(|p| p.at);
        tickover_framing::time::earliest(planned, self.next_talk)
    }

    /// What the second talker says, now that its time has come.
    pub(super) fn talk(&mut self, now: Instant) -> Option<Chunk> {
        let planned = self.take(|p| p.at <= now && matches!(p.strike, Strike::Talk(_)));
        let chunk = match planned {
            Some(Planned { strike: Strike::Talk(chunk), .. }) => chunk,
            _ if self.next_talk.is_some_and(|at| at <= now) => {
                let length = 1 + self.random.below(12) as usize;
                let bytes = [self.random.bits().to_be_bytes(), self.random.bits().to_be_bytes()].concat();
                self.plan_talk(now);
                Chunk::split_from(bytes.get(..length).unwrap_or(&bytes)).0
            }
            _ => return None,
        };
        self.note(now, Who::Talker, Strike::Talk(chunk), chunk.as_slice().first().copied().unwrap_or(0));
        Some(chunk)
    }

    /// What strikes a character that `who` hears at `now`.
    pub(super) fn on_heard(&mut self, now: Instant, who: Who, byte: u8) -> Option<Strike> {
        let strike = if self.planned.is_empty() { None } else { self.planned_on_heard(now, who) };
        let strike = strike.or_else(|| self.chance_on_heard())?;
        self.note(now, who, strike, byte);
        Some(strike)
    }

    /// Which of the characters that `who` starts to send at `start` is late, and by how much.
    pub(super) fn on_sent(&mut self, start: Instant, who: Who, bytes: &[u8]) -> Option<(usize, Duration)> {
        let planned = self.take(|p| p.at <= start && p.who == who && matches!(p.strike, Strike::Late(_)));
        let (index, by) = match planned {
            Some(Planned { strike: Strike::Late(by), .. }) => (0, by),
            _ => {
                let Chances { late, late_by, .. } = self.chances;
                let index = if late == 0 { None } else { (0..bytes.len()).find(|_| self.random.happens(late)) }?;
                (index, Duration::from_nanos(self.random.below(late_by.as_nanos() as u64)))
            }
        };
        self.note(start, who, Strike::Late(by), bytes.get(index).copied().unwrap_or(0));
        Some((index, by))
    }

    fn planned_on_heard(&mut self, now: Instant, who: Who) -> Option<Strike> {
        let heard = |p: &Planned| matches!(p.strike, Strike::Flip(_) | Strike::Lose | Strike::Extra(_));
        self.take(|p| p.at <= now && p.who == who && heard(p)).map(|p| p.strike)
    }

    fn chance_on_heard(&mut self) -> Option<Strike> {
        let Chances { flipped, lost, extra, .. } = self.chances;
        if flipped | lost | extra == 0 {
            return None;
        }
        let dice = self.random.below(1_000_000) as u32;
        if dice < flipped {
            let bits = self.random.bits();
            let one = 1 << (bits & 7);
            let several = (bits >> 8) as u8;
            Some(Strike::Flip(if bits >> 16 & 3 == 0 && several != 0 { several } else { one }))
        } else if dice < flipped.saturating_add(lost) {
            Some(Strike::Lose)
        } else if dice < flipped.saturating_add(lost).saturating_add(extra) {
            Some(Strike::Extra(self.random.bits() as u8))
        } else {
            None
        }
    }

    fn plan_talk(&mut self, now: Instant) {
        let mean = self.chances.talker_every.as_nanos() as u64;
        self.next_talk = (mean > 0).then(|| now.after(Duration::from_nanos(1 + self.random.below(2 * mean))));
    }

    fn take(&mut self, fits: impl Fn(&Planned) -> bool) -> Option<Planned> {
        let place = self.planned.iter().position(fits)?;
        Some(self.planned.remove(place))
    }

    fn note(&mut self, at: Instant, who: Who, strike: Strike, byte: u8) {
        let count = match strike {
            Strike::Flip(_) => &mut self.counts.flipped,
            Strike::Lose => &mut self.counts.lost,
            Strike::Extra(_) => &mut self.counts.extra,
            Strike::Late(_) => &mut self.counts.late,
            Strike::Talk(_) => &mut self.counts.talked,
        };
        *count += 1;
        self.log.push(Struck { at, who, strike, byte });
    }
}
