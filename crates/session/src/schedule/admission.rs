//! What can be promised for a set of costs and periods.

use alloc::vec::Vec;
use core::fmt;
use core::time::Duration;

use super::stretch_of;

/// What can be promised for the records wanted now.
#[derive(Clone, Copy, PartialEq, Debug, Default)]
pub enum Admission {
    /// The set passes the exact test: no period is missed as long as costs stay.
    Guaranteed,
    /// The line carries it all; a sample may come late by the longest exchange.
    #[default]
    BestEffort,
    /// More is wanted than the line carries: all periods are stretched by this factor.
    Stretched(f64),
}

impl Admission {
    /// The one that promises less.
    pub(crate) fn weaker(self, other: Self) -> Self {
        match (self, other) {
            (Self::Stretched(a), Self::Stretched(b)) => Self::Stretched(a.max(b)),
            (Self::Stretched(_), _) | (Self::BestEffort, Self::Guaranteed) => self,
            (Self::Guaranteed, _) | (_, Self::Stretched(_)) => other,
            (Self::BestEffort, Self::BestEffort) => self,
        }
    }
}

impl fmt::Display for Admission {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        match self {
            Self::Guaranteed => f.write_str("every wanted rate can be kept"),
            Self::BestEffort => f.write_str("every wanted rate fits, one sample may wait for an exchange"),
            Self::Stretched(factor) => {
                write!(f, "more is wanted than the line carries, every wanted period is stretched {factor:.2} times")
            }
        }
    }
}

/// Steps of the exact test beyond which only best effort is promised.
const MOST_STEPS: u64 = 100_000;

/// Judges costs and periods; `filler` is the dearest exchange that fills idle time.
pub(crate) fn admit(set: &[(Duration, Duration)], filler: Option<Duration>) -> Admission {
    let load: f64 = set.iter().map(|(cost, period)| cost.as_nanos() as f64 / (period.as_nanos() as f64).max(1.0)).sum();
    let stretch = stretch_of(load);
    if stretch > 1.0 {
        return Admission::Stretched(stretch);
    }
    if passes(set, filler) { Admission::Guaranteed } else { Admission::BestEffort }
}

/// Jeffay, Stanat and Martel (RTSS 1991, condition from memory): with periods rising, for every i > 1 and
/// every T1 < L < Ti, `L >= Ci + sum over j < i of floor((L - 1) / Tj) Cj`. Only the L where the sum steps matter.
///
/// What fills idle time blocks like a job with an endless period.
fn passes(set: &[(Duration, Duration)], filler: Option<Duration>) -> bool {
    let nanos = |duration: Duration| duration.as_nanos() as u64;
    let mut jobs: Vec<(u64, u64)> = set.iter().map(|(cost, period)| (nanos(*period).max(1), nanos(*cost))).collect();
    jobs.sort_unstable();
    let Some(longest) = jobs.last().map(|(period, _)| *period) else { return true };
    if let Some(cost) = filler {
        jobs.push((longest.saturating_mul(2), nanos(cost)));
    }
    let mut steps = 0;
    for (i, (period, cost)) in jobs.iter().enumerate() {
        let (before, _) = jobs.split_at(i);
        for (other, _) in before {
            let mut length = other.saturating_add(1);
            while length < *period {
                let demand = before.iter().map(|(t, c)| ((length - 1) / t).saturating_mul(*c));
                if length < demand.fold(*cost, u64::saturating_add) {
                    return false;
                }
                length = length.saturating_add(*other);
                steps += before.len() as u64;
                if steps > MOST_STEPS {
                    return false;
                }
            }
        }
    }
    true
}

#[cfg(test)]
mod tests {
    use super::*;

    fn ms(cost: u64, period: u64) -> (Duration, Duration) {
        (Duration::from_millis(cost), Duration::from_millis(period))
    }

    /// Worked by hand from the condition: 3/10 and 8/40 blocks the first beyond its period when 8 > 10 + 1 ns - 3.
    #[test]
    fn a_long_request_among_short_ones_breaks_the_guarantee() {
        assert_eq!(admit(&[ms(3, 10), ms(7, 40)], None), Admission::Guaranteed);
        assert_eq!(admit(&[ms(3, 10), ms(8, 40)], None), Admission::BestEffort);
        assert_eq!(admit(&[ms(3, 10)], Some(Duration::from_millis(8))), Admission::BestEffort);
    }

    #[test]
    fn more_than_the_line_carries_is_stretched() {
        assert_eq!(admit(&[ms(97, 100), ms(97, 100)], None), Admission::Stretched(2.0));
        assert_eq!(admit(&[], None), Admission::Guaranteed);
    }
}
