//! How often a channel is wanted.

use core::time::Duration;

/// The least rate at which a channel is wanted.
#[derive(Clone, Copy, PartialEq, Debug)]
pub enum Rate {
    /// At least once in every period; a session holds it between 0.1 ms and a day.
    Every(Duration),
    /// As often as the line allows after all periods are kept; shared round by round.
    Fastest,
}

impl Rate {
    /// The longest period that a wish can have: a day.
    const LONGEST: Duration = Duration::from_secs(86_400);
    /// The shortest period that a wish can have.
    const SHORTEST: Duration = Duration::from_micros(100);

    /// `times` per second, held between once a day and 10 000 per second.
    ///
    /// Zero, negative numbers and not-a-number become once a day; check what a person typed with
    /// [`checked_per_second`](Self::checked_per_second).
    pub fn per_second(times: impl Into<f64>) -> Self {
        let times = times.into();
        let longest = Self::LONGEST.as_secs_f64();
        let seconds = if times > 0.0 { (1.0 / times).min(longest) } else { longest };
        Self::Every(Duration::from_nanos(libm::round(seconds * 1e9) as u64)).held()
    }

    /// `times` per second; `None` unless it lies between once a day and 10 000 per second.
    pub fn checked_per_second(times: f64) -> Option<Self> {
        let (longest, shortest) = (Self::LONGEST.as_secs_f64(), Self::SHORTEST.as_secs_f64());
        (times >= 1.0 / longest && times <= 1.0 / shortest).then(|| Self::per_second(times))
    }

    /// The same with a period that a schedule can keep.
    pub(crate) fn held(self) -> Self {
        match self {
            Self::Every(period) => Self::Every(period.clamp(Self::SHORTEST, Self::LONGEST)),
            Self::Fastest => Self::Fastest,
        }
    }

    /// The period, if there is one.
    pub const fn period(self) -> Option<Duration> {
        match self {
            Self::Every(period) => Some(period),
            Self::Fastest => None,
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_rate_is_a_period_and_nonsense_is_held_in_bounds() {
        assert_eq!(Rate::per_second(20), Rate::Every(Duration::from_millis(50)));
        assert_eq!(Rate::per_second(0.5), Rate::Every(Duration::from_secs(2)));
        assert_eq!(Rate::per_second(f64::INFINITY), Rate::Every(Duration::from_micros(100)));
        for nonsense in [0.0, -1.0, f64::NAN, f64::NEG_INFINITY, -0.0] {
            assert_eq!(Rate::per_second(nonsense), Rate::Every(Duration::from_secs(86_400)), "{nonsense}");
            assert_eq!(Rate::checked_per_second(nonsense), None, "{nonsense}");
        }
        assert_eq!(Rate::checked_per_second(1e9), None);
        assert_eq!(Rate::checked_per_second(20.0), Some(Rate::per_second(20)));
    }
}
