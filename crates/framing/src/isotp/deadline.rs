//! Everything that an end of a conversation can wait for, by name and clause.

use crate::contract::Why;
use crate::time::Instant;

/// One thing waited for. Its place is that of its line in [`TABLE`].
#[derive(Clone, Copy, PartialEq, Eq, Debug)]
pub(crate) enum Deadline {
    /// A sender's frame is not confirmed.
    SenderConfirmation,
    /// Flow control of ours is not confirmed.
    ReceiverConfirmation,
    /// No flow control has come.
    FlowControl,
    /// Our flow control is to be sent.
    OwnFlowControl,
    /// The first consecutive frame of a block may be sent.
    Consecutive,
    /// The next consecutive frame of a block may be sent.
    Separation,
    /// No consecutive frame has come.
    NextConsecutive,
    /// An answer has not started.
    AnswerStart,
    /// Our answer is to start.
    Answer,
}

const fn line(deadline: Deadline, name: &'static str, clause: &'static str) -> (Deadline, Why) {
    (deadline, Why { name, clause })
}

/// Names and clauses, in the order of the variants.
const TABLE: [(Deadline, Why); 9] = [
    line(Deadline::SenderConfirmation, "N_As", "ISO 15765-2:2016 table 21"),
    line(Deadline::ReceiverConfirmation, "N_Ar", "ISO 15765-2:2016 table 21"),
    line(Deadline::FlowControl, "N_Bs", "ISO 15765-2:2016 table 21"),
    line(Deadline::OwnFlowControl, "N_Br", "ISO 15765-2:2016 table 21"),
    line(Deadline::Consecutive, "N_Cs", "ISO 15765-2:2016 table 21"),
    line(Deadline::Separation, "STmin", "ISO 15765-2:2016 9.6.5.4"),
    line(Deadline::NextConsecutive, "N_Cr", "ISO 15765-2:2016 table 21"),
    line(Deadline::AnswerStart, "P2max", "ISO 14229-2, ISO 15765-4"),
    line(Deadline::Answer, "P2", "ISO 14229-2, ISO 15765-4"),
];

impl Deadline {
    pub(crate) fn why(self) -> Why {
        match TABLE.get(self as usize) {
            Some((_, why)) => *why,
            None => Why { name: "", clause: "" },
        }
    }
}

/// The one thing that a sender or a receiver waits for, and until when.
#[derive(Clone, Copy, PartialEq, Eq, Debug)]
pub(crate) struct Timer(Option<(Instant, Deadline)>);

impl Timer {
    pub(crate) const OFF: Self = Self(None);

    pub(crate) fn arm(&mut self, deadline: Deadline, at: Instant) {
        self.0 = Some((at, deadline));
    }

    pub(crate) fn disarm(&mut self) {
        self.0 = None;
    }

    pub(crate) fn due(self) -> Option<(Instant, Deadline)> {
        self.0
    }

    /// Takes what is due by `now`.
    pub(crate) fn take_due(&mut self, now: Instant) -> Option<(Instant, Deadline)> {
        self.0.take_if(|(at, _)| *at <= now)
    }
}

/// The earlier of two; of two at one instant the first.
pub(crate) fn sooner(a: Option<(Instant, Deadline)>, b: Option<(Instant, Deadline)>) -> Option<(Instant, Deadline)> {
    match (a, b) {
        (Some(a), Some(b)) => Some(if b.0 < a.0 { b } else { a }),
        (one, None) | (None, one) => one,
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn every_deadline_stands_in_its_own_line_of_the_table() {
        for (place, (deadline, why)) in TABLE.iter().enumerate() {
            assert_eq!(*deadline as usize, place);
            assert_eq!(deadline.why(), *why);
            assert!(!why.name.is_empty() && !why.clause.is_empty());
        }
    }

    #[test]
    fn a_timer_holds_until_its_instant() {
        let mut timer = Timer::OFF;
        timer.arm(Deadline::FlowControl, Instant::from_nanos(7));
        assert_eq!(timer.take_due(Instant::from_nanos(6)), None);
        assert_eq!(timer.take_due(Instant::from_nanos(7)), Some((Instant::from_nanos(7), Deadline::FlowControl)));
        assert_eq!(timer.due(), None);
    }
}
