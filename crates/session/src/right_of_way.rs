//! Which lane may start a request. Physical ones run at the same time; a request to all units runs alone, for a unit
//! answers one request at a time.
//!
//! After a request to all, a unit whose own lane did not send it may still answer it: that lane waits until its unit
//! has, or until P2max is over. Who has waited longest goes first, so that nobody is kept out for good.

use tickover_framing::Instant;

use crate::UnitId;
use crate::conversation::Conversation;
use crate::machine::Session;

/// What a lane may start now.
#[derive(Clone, Copy, PartialEq, Eq, Debug)]
pub(crate) struct Way {
    /// A request to its own unit.
    pub(crate) to_its_unit: bool,
    /// A request to all.
    pub(crate) to_all: bool,
    /// Before this its unit may still answer a request to all that another lane sent.
    pub(crate) from: Instant,
}

impl Way {
    /// Nobody else is there.
    pub(crate) const FREE: Self = Self { to_its_unit: true, to_all: true, from: Instant::ORIGIN };
}

/// A lane with something to send that must wait.
#[derive(Clone, Copy, PartialEq, Eq, Debug)]
pub(crate) struct Waits {
    pub(crate) since: Instant,
    /// For the bus alone.
    pub(crate) for_all: bool,
}

impl Session {
    /// What this unit's lane may start, as the others are now.
    pub(crate) fn way_of(&self, unit: UnitId) -> Way {
        if self.others.is_empty() {
            return Way::FREE;
        }
        let Some(lane) = self.conversation(unit) else { return Way::FREE };
        let others = || self.conversations().filter(|other| other.id != unit);
        let mine = lane.waits.map(|waits| (waits.since, unit));
        let longer =
            |other: &Conversation| other.waits.filter(|theirs| mine.is_none_or(|mine| (theirs.since, other.id) < mine));
        let clear = !others().any(Conversation::asks_all);
        Way {
            to_its_unit: clear && !others().any(|other| longer(other).is_some_and(|waits| waits.for_all)),
            to_all: clear && !others().any(|other| other.is_asking() || longer(other).is_some()),
            from: lane.own_unit_free,
        }
    }

    /// A request to all is out: the units of the other lanes may answer it, too.
    pub(crate) fn spread_requests_to_all(&mut self) {
        for place in 0..self.unit_count() {
            let asked = self.conversations_mut().nth(place).and_then(|by| Some((by.id, by.asked_all.take()?)));
            let Some((by, end)) = asked else { continue };
            let within = self.conversation(by).map(Conversation::answers_within).unwrap_or_default();
            self.asked_all(end.after(within));
            for other in self.conversations_mut().filter(|other| other.id != by) {
                other.own_unit_free = end.after(other.answers_within());
            }
        }
    }
}

impl Conversation {
    pub(crate) fn is_asking(&self) -> bool {
        self.lane.as_ref().is_some_and(|lane| lane.flight.is_some())
    }

    /// Whether a request to all is under way.
    pub(crate) fn asks_all(&self) -> bool {
        self.lane.as_ref().and_then(|lane| lane.flight.as_ref()).is_some_and(|flight| flight.exchange.goes_to_all())
    }

    /// Whether the next request must wait for other lanes; remembers since when.
    pub(crate) fn must_wait(&mut self) -> bool {
        let before = self.waits.take();
        if self.way == Way::FREE {
            return false;
        }
        let Some(for_all) = self.next_goes_to_all() else { return false };
        let may = if for_all { self.way.to_all } else { self.way.to_its_unit };
        if may && self.now >= self.way.from {
            return false;
        }
        self.waits = Some(Waits { since: before.map_or(self.now, |before| before.since), for_all });
        true
    }
}
