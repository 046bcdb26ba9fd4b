//! How often a channel is wanted.

use core::time::Duration;

/// The least rate at which a channel is wanted.
#[derive(Clone, Copy, PartialEq, Debug)]
pub enum Rate {
    /// At least once in every period.
    Every(Duration),
    /// As often as the line allows after all periods are kept; shared round by round.
    Fastest,
}

impl Rate {
    /// `times` per second. Zero, negative and not-a-number mean [`Fastest`](Self::Fastest) does not apply:
    /// they give `None`.
    pub fn per_second(times: f64) -> Option<Self> {
        let period = 1.0 / times;
        (times > 0.0 && period.is_finite() && period < 1e9).then(|| Self::Every(Duration::from_secs_f64(period)))
    }

    /// The period, if there is one.
    pub const fn period(self) -> Option<Duration> {
        match self {
            Self::Every(period) => Some(period),
            Self::Fastest => None,
        }
    }
}
