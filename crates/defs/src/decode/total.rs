//! Totals of counters that wrap.

use crate::compiled::{Channel, Origin, Total};
use crate::value::{Invalid, Raw, Reading};

/// How far a counter has come.
#[derive(Clone, Copy, PartialEq, Eq, Debug)]
pub struct Counted {
    /// Since the session began.
    pub total: u64,
    /// The raw value that this counts from; `None`: the next one is not believed, whatever it is.
    pub raw: Option<u64>,
}

impl Total {
    /// What a raw value makes of the total.
    ///
    /// The first one is where counting begins: 0. A step that is not believed adds nothing, and counting goes on from
    /// the new raw value.
    pub fn count(self, before: Option<Counted>, raw: u64) -> Counted {
        let total = before.map_or(0, |before| before.total);
        let step = self.believed(before, raw).unwrap_or(0);
        Counted { total: total.saturating_add(step), raw: (raw <= self.last).then_some(raw) }
    }

    /// The step to this raw value; `None`: it is not believed.
    fn believed(self, before: Option<Counted>, raw: u64) -> Option<u64> {
        if raw > self.last {
            return None;
        }
        let Some(before) = before else { return Some(0) };
        let from = before.raw?;
        let step = match raw.checked_sub(from) {
            Some(step) => step,
            None => (self.last - from.min(self.last)).checked_add(raw)?.checked_add(1)?,
        };
        (step <= self.largest_step).then_some(step)
    }
}

/// The total with this raw value.
pub(crate) fn total(rule: Total, before: Option<Counted>, raw: u64) -> Result<u64, Invalid> {
    match rule.believed(before, raw) {
        Some(_) => Ok(rule.count(before, raw).total),
        None => Err(Invalid::StepTooLarge),
    }
}

/// How far a channel's counter has come with this reading: what the next reading is to be decoded with.
///
/// A raw value that means "no value" counts nothing. `None`: the channel has no total, or has not begun to count.
pub fn counted(channel: &Channel, before: Option<Counted>, reading: &Reading) -> Option<Counted> {
    let (Some(rule), Some(Raw::Unsigned(raw))) = (channel.total, &reading.raw) else { return before };
    let coded = matches!(channel.origin, Origin::Field { .. })
        && channel.invalid.iter().any(|code| (code.first..=code.last).contains(&i128::from(*raw)));
    if coded { before } else { Some(rule.count(before, *raw)) }
}

#[cfg(test)]
mod tests {
    use super::*;

    const RULE: Total = Total { last: 0xFFEF, largest_step: 4000 };

    /// The raw values of a session: the total after each, or `None` where it is not believed.
    fn run(raws: &[u64]) -> std::vec::Vec<Option<u64>> {
        let mut counted = None;
        let mut totals = std::vec::Vec::new();
        for raw in raws {
            totals.push(total(RULE, counted, *raw).ok());
            counted = Some(RULE.count(counted, *raw));
        }
        totals
    }

    #[test]
    fn counting_begins_at_nothing_and_goes_on_over_the_wrap() {
        assert_eq!(run(&[0xFFEE, 0xFFEF, 0, 1, 1]), [Some(0), Some(1), Some(2), Some(3), Some(3)]);
    }

    #[test]
    fn a_step_too_large_is_not_believed_and_the_next_counts_from_there() {
        assert_eq!(run(&[100, 4100, 8101, 8102]), [Some(0), Some(4000), None, Some(4001)]);
        assert_eq!(run(&[100, 99, 100]), [Some(0), None, Some(1)], "backwards is nearly all the way round");
    }

    #[test]
    fn a_raw_value_beyond_the_last_is_not_believed_nor_is_the_one_after_it() {
        assert_eq!(run(&[5, 0xFFF0, 6, 7]), [Some(0), None, None, Some(1)]);
        assert_eq!(run(&[0xFFF0, 6, 7]), [None, None, Some(1)]);
    }

    #[test]
    fn no_numbers_overflow() {
        let whole = Total { last: u64::MAX, largest_step: u64::MAX };
        let counted = whole.count(Some(Counted { total: u64::MAX, raw: Some(7) }), 6);
        assert_eq!(counted, Counted { total: u64::MAX, raw: Some(6) });
    }
}
