//! Everything that a K-line machine can wait for, by name and clause.

use crate::contract::Why;
use crate::time::{Instant, earliest};

/// One thing waited for. Its place is that of its line in [`TABLE`].
#[derive(Clone, Copy, PartialEq, Eq, Debug)]
pub(crate) enum Deadline {
    /// The line must be idle before an initialisation.
    Idle,
    /// End of the low pulse of a fast initialisation.
    PulseEnd,
    /// Start of StartCommunication after the wake-up pattern.
    WakeUp,
    /// Next edge of a five-baud address, or its end.
    Bit,
    /// The unit's synchronisation byte is late.
    Synchronisation,
    /// The unit's first key byte is late.
    FirstKeyByte,
    /// The unit's second key byte is late.
    SecondKeyByte,
    /// The inverted second key byte is to be sent, or to come.
    InvertedKeyByte,
    /// The inverted address is to be sent, or to come.
    InvertedAddress,
    /// A request may start.
    MayRequest,
    /// The next byte of our own message may start.
    OwnByte,
    /// An answer has not started.
    AnswerStart,
    /// A message has not gone on.
    NextByte,
    /// Our answer is to start.
    Answer,
    /// No request has come.
    NextRequest,
    /// Our own bytes are out and the speed may change.
    SpeedChange,
    /// The line is never quiet.
    Quiet,
}

const fn line(deadline: Deadline, name: &'static str, clause: &'static str) -> (Deadline, Why) {
    (deadline, Why { name, clause })
}

const COUNT: usize = 17;

/// Names and clauses, in the order of the variants. SSF 14230-2 is the free edition of ISO 14230-2.
const TABLE: [(Deadline, Why); COUNT] = [
    line(Deadline::Idle, "Tidle", "ISO 14230-2 5.1.2.2 (W0, W5 before a five-baud address)"),
    line(Deadline::PulseEnd, "TiniL", "ISO 14230-2 table 5"),
    line(Deadline::WakeUp, "TWup", "ISO 14230-2 table 5"),
    line(Deadline::Bit, "bit of the address", "five-baud initialisation: 200 ms"),
    line(Deadline::Synchronisation, "W1max", "five-baud initialisation"),
    line(Deadline::FirstKeyByte, "W2max", "five-baud initialisation"),
    line(Deadline::SecondKeyByte, "W3max", "five-baud initialisation"),
    line(Deadline::InvertedKeyByte, "W4", "five-baud initialisation"),
    line(Deadline::InvertedAddress, "W4", "five-baud initialisation"),
    line(Deadline::MayRequest, "P3min", "ISO 14230-2 4.4, table 1a"),
    line(Deadline::OwnByte, "P4min", "ISO 14230-2 4.4, table 1a (P1 from the unit)"),
    line(Deadline::AnswerStart, "P2max", "ISO 14230-2 4.4, table 1a"),
    line(Deadline::NextByte, "P1max", "ISO 14230-2 4.5 (P4max at the unit)"),
    line(Deadline::Answer, "P2", "ISO 14230-2 4.4, table 1a"),
    line(Deadline::NextRequest, "P3max", "ISO 14230-2 5.2.1.3"),
    line(Deadline::SpeedChange, "end of our bytes", "a speed change never overtakes them"),
    line(Deadline::Quiet, "longest message", "a line that is never quiet holds nothing up for ever"),
];

impl Deadline {
    pub(crate) fn why(self) -> Why {
        match TABLE.get(self as usize) {
            Some((_, why)) => *why,
            None => Why { name: "", clause: "" },
        }
    }
}

/// When each thing waited for is due.
#[derive(Clone, Copy, Debug)]
pub(crate) struct Deadlines {
    at: [Option<Instant>; COUNT],
}

impl Deadlines {
    pub(crate) const NONE: Self = Self { at: [None; COUNT] };

    pub(crate) fn arm(&mut self, deadline: Deadline, at: Instant) {
        if let Some(slot) = self.at.get_mut(deadline as usize) {
            *slot = Some(at);
        }
    }

    pub(crate) fn disarm(&mut self, deadline: Deadline) {
        if let Some(slot) = self.at.get_mut(deadline as usize) {
            *slot = None;
        }
    }

    /// The next one due; of several at one instant the first in the table.
    pub(crate) fn next(&self) -> Option<(Instant, Deadline)> {
        let first = self.at.iter().fold(None, |first, at| earliest(first, *at))?;
        let place = self.at.iter().position(|at| *at == Some(first))?;
        TABLE.get(place).map(|(deadline, _)| (first, *deadline))
    }

    /// Takes the next one that was due strictly before `now`.
    pub(crate) fn take_before(&mut self, now: Instant) -> Option<(Instant, Deadline)> {
        let (at, deadline) = self.next().filter(|(at, _)| *at < now)?;
        self.disarm(deadline);
        Some((at, deadline))
    }

    /// Takes the next one that is due at `now` or before.
    pub(crate) fn take_due(&mut self, now: Instant) -> Option<(Instant, Deadline)> {
        let (at, deadline) = self.next().filter(|(at, _)| *at <= now)?;
        self.disarm(deadline);
        Some((at, deadline))
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn every_deadline_stands_in_its_own_line_of_the_table() {
        for (place, (deadline, why)) in TABLE.iter().enumerate() {
            assert_eq!(*deadline as usize, place);
            assert!(!why.name.is_empty() && !why.clause.is_empty());
        }
    }

    #[test]
    fn the_earliest_comes_first_and_an_instant_not_yet_over_stays() {
        let mut deadlines = Deadlines::NONE;
        deadlines.arm(Deadline::NextRequest, Instant::from_nanos(9));
        deadlines.arm(Deadline::NextByte, Instant::from_nanos(7));
        assert_eq!(deadlines.take_before(Instant::from_nanos(7)), None);
        assert_eq!(deadlines.take_due(Instant::from_nanos(7)), Some((Instant::from_nanos(7), Deadline::NextByte)));
        assert_eq!(deadlines.next(), Some((Instant::from_nanos(9), Deadline::NextRequest)));
        deadlines.disarm(Deadline::NextRequest);
        assert_eq!(deadlines.next(), None);
    }
}
