//! Faults of the bus: by chance, or planned for an instant. Each one that strikes is counted and logged.

use core::time::Duration;

use tickover_framing::can::{Frame, Id};
use tickover_framing::time::{Instant, earliest};

use crate::random::Random;
use crate::station::Who;

/// How often the bus misbehaves by itself: so many of a million frames. All zero: never.
#[derive(Clone, Copy, PartialEq, Eq, Debug, Default)]
pub struct Chances {
    /// Not handed to a listener, although its controller acknowledged it.
    pub lost: u32,
    /// Handed to a listener twice.
    pub repeated: u32,
    /// Handed to a listener after the next one.
    pub overtaken: u32,
    /// Handed to a listener late, by up to [`late_by`](Self::late_by).
    pub late: u32,
    /// The longest such delay.
    pub late_by: Duration,
    /// Lost to a listener, whose controller says that it was overrun.
    pub overrun: u32,
    /// Destroyed on the bus by an error: everybody hears of it, and it is sent again.
    pub destroyed: u32,
    /// Not taken from a sender at once, because its queue is full: up to [`full_for`](Self::full_for).
    pub full: u32,
    /// The longest time that a queue is full.
    pub full_for: Duration,
}

/// What happens to one frame, or on the bus.
#[derive(Clone, Copy, PartialEq, Eq, Debug)]
pub enum Strike {
    /// Not heard.
    Lose,
    /// Heard twice.
    Repeat,
    /// Heard after the next one.
    Overtake,
    /// Heard this much later; those behind it wait.
    Late(Duration),
    /// Not heard; the controller says that it was overrun.
    Overrun,
    /// Destroyed by an error, and sent again.
    Destroy,
    /// Not taken from the sender before this time has passed; those behind it wait.
    Full(Duration),
    /// The second talker sends this, at the tester's rates.
    Talk(Frame),
}

/// A fault that strikes once.
#[derive(Clone, Copy, PartialEq, Eq, Debug)]
pub struct Planned {
    /// The first frame that ends (of [`Full`](Strike::Full): is to be sent) at or after this is struck.
    pub at: Instant,
    /// Who mishears; of [`Destroy`](Strike::Destroy) and [`Full`](Strike::Full) whose frame it is; of
    /// [`Talk`](Strike::Talk) it means nothing.
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
    /// The frame as it was sent.
    pub frame: Frame,
}

/// How many faults struck.
#[derive(Clone, Copy, PartialEq, Eq, Debug, Default)]
pub struct Counts {
    /// Frames not heard.
    pub lost: u64,
    /// Frames heard twice.
    pub repeated: u64,
    /// Frames heard after the next one.
    pub overtaken: u64,
    /// Frames heard late.
    pub late: u64,
    /// Frames lost to an overrun.
    pub overrun: u64,
    /// Frames destroyed.
    pub destroyed: u64,
    /// Frames that a full queue did not take at once.
    pub full: u64,
    /// Frames of the second talker that were planned.
    pub talked: u64,
}

/// Frames that the second talker sends all the time: load, or so many of them that nobody else gets through.
///
/// One more waits behind the one on the bus; what is due beyond them is left out.
#[derive(Clone, Copy, PartialEq, Eq, Debug)]
pub struct Background {
    /// The identifier, which is the priority.
    pub id: Id,
    /// Data bytes, whatever they are: at most 8.
    pub bytes: u8,
    /// From one to the next.
    pub every: Duration,
}

/// All faults of a bus: what may come, and what came.
#[derive(Clone, Debug)]
pub(super) struct Faults {
    pub(super) chances: Chances,
    pub(super) counts: Counts,
    pub(super) log: Vec<Struck>,
    pub(super) random: Random,
    planned: Vec<Planned>,
    backgrounds: Vec<(Instant, Background)>,
}

impl Faults {
    pub(super) fn new() -> Self {
        Self {
            chances: Chances::default(),
            counts: Counts::default(),
            log: Vec::new(),
            random: Random::new(0),
            planned: Vec::new(),
            backgrounds: Vec::new(),
        }
    }

    pub(super) fn plan(&mut self, planned: Planned) {
        self.planned.push(planned);
        self.planned.sort_by_key(|planned| planned.at);
    }

    pub(super) fn set_background(&mut self, now: Instant, background: &[Background]) {
        let sent = background.iter().filter(|background| !background.every.is_zero());
        self.backgrounds = sent.map(|background| (now, *background)).collect();
    }

    /// When the second talker speaks next.
    pub(super) fn talk_due(&self) -> Option<Instant> {
        let planned = self.planned.iter().find(|p| matches!(p.strike, Strike::Talk(_))).map(|p| p.at);
        earliest(planned, self.backgrounds.iter().map(|(at, _)| *at).min())
    }

    /// What the second talker wants to send, now that its time has come. `busy`: it has enough to send.
    pub(super) fn talk(&mut self, now: Instant, busy: bool) -> Option<Frame> {
        if let Some(Planned { strike: Strike::Talk(frame), .. }) =
            self.take(|p| p.at <= now && matches!(p.strike, Strike::Talk(_)))
        {
            self.note(now, Who::Talker, Strike::Talk(frame), frame);
            return Some(frame);
        }
        let (at, background) = self.backgrounds.iter_mut().find(|(at, _)| *at <= now)?;
        *at = at.after(background.every);
        let (id, count) = (background.id, usize::from(background.bytes.min(8)));
        let bytes = self.random.bits().to_be_bytes();
        if busy { None } else { Frame::classic(id, bytes.get(..count)?) }
    }

    /// Whether the frame of `who` that ends at `now` is destroyed.
    pub(super) fn destroys(&mut self, now: Instant, who: Who, frame: Frame) -> bool {
        let planned = self.take(|p| p.at <= now && p.who == who && p.strike == Strike::Destroy).is_some();
        let destroyed = planned || (self.chances.destroyed > 0 && self.random.happens(self.chances.destroyed));
        if destroyed {
            self.note(now, who, Strike::Destroy, frame);
        }
        destroyed
    }

    /// How long the queue of `who` is full from `now` on.
    pub(super) fn on_put(&mut self, now: Instant, who: Who, frame: Frame) -> Option<Duration> {
        let planned = self.take(|p| p.at <= now && p.who == who && matches!(p.strike, Strike::Full(_)));
        let by = match planned {
            Some(Planned { strike: Strike::Full(by), .. }) => by,
            _ if self.chances.full > 0 && self.random.happens(self.chances.full) => {
                Duration::from_nanos(self.random.below(self.chances.full_for.as_nanos() as u64))
            }
            _ => return None,
        };
        self.note(now, who, Strike::Full(by), frame);
        Some(by)
    }

    /// What strikes a frame that `who` hears at `now`.
    pub(super) fn on_heard(&mut self, now: Instant, who: Who, frame: Frame) -> Option<Strike> {
        let heard = |p: &Planned| {
            !matches!(p.strike, Strike::Destroy | Strike::Full(_) | Strike::Talk(_)) && p.at <= now && p.who == who
        };
        let planned = if self.planned.is_empty() { None } else { self.take(heard) };
        let strike = planned.map(|planned| planned.strike).or_else(|| self.chance_on_heard())?;
        self.note(now, who, strike, frame);
        Some(strike)
    }

    fn chance_on_heard(&mut self) -> Option<Strike> {
        let Chances { lost, repeated, overtaken, late, late_by, overrun, .. } = self.chances;
        if lost | repeated | overtaken | late | overrun == 0 {
            return None;
        }
        let mut dice = self.random.below(1_000_000) as u32;
        let mut hit = |chance: u32| {
            let hit = dice < chance;
            dice = dice.wrapping_sub(chance);
            hit
        };
        if hit(lost) {
            Some(Strike::Lose)
        } else if hit(repeated) {
            Some(Strike::Repeat)
        } else if hit(overtaken) {
            Some(Strike::Overtake)
        } else if hit(late) {
            Some(Strike::Late(Duration::from_nanos(self.random.below(late_by.as_nanos() as u64))))
        } else if hit(overrun) {
            Some(Strike::Overrun)
        } else {
            None
        }
    }

    fn take(&mut self, fits: impl Fn(&Planned) -> bool) -> Option<Planned> {
        let place = self.planned.iter().position(fits)?;
        Some(self.planned.remove(place))
    }

    fn note(&mut self, at: Instant, who: Who, strike: Strike, frame: Frame) {
        let count = match strike {
            Strike::Lose => &mut self.counts.lost,
            Strike::Repeat => &mut self.counts.repeated,
            Strike::Overtake => &mut self.counts.overtaken,
            Strike::Late(_) => &mut self.counts.late,
            Strike::Overrun => &mut self.counts.overrun,
            Strike::Destroy => &mut self.counts.destroyed,
            Strike::Full(_) => &mut self.counts.full,
            Strike::Talk(_) => &mut self.counts.talked,
        };
        *count += 1;
        self.log.push(Struck { at, who, strike, frame });
    }
}
