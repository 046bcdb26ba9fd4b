//! Instants and the time that characters take on a serial line.
//!
//! Durations are [`core::time::Duration`]. There is no `now()` here: only the link crate reads a clock.

use core::fmt;
use core::time::Duration;

/// Nanoseconds since an origin that the driver chose; monotonic.
#[derive(Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash, Default)]
pub struct Instant(u64);

impl Instant {
    /// The driver's origin.
    pub const ORIGIN: Self = Self(0);

    /// The instant `nanos` nanoseconds after the origin.
    pub const fn from_nanos(nanos: u64) -> Self {
        Self(nanos)
    }

    /// Nanoseconds since the origin.
    pub const fn as_nanos(self) -> u64 {
        self.0
    }

    /// `duration` later; stays at the end of time instead of wrapping (after 584 years).
    pub const fn after(self, duration: Duration) -> Self {
        let nanos = duration.as_nanos();
        if nanos > u64::MAX as u128 { Self(u64::MAX) } else { Self(self.0.saturating_add(nanos as u64)) }
    }

    /// `duration` earlier, not before the origin.
    pub const fn before(self, duration: Duration) -> Self {
        let nanos = duration.as_nanos();
        if nanos > u64::MAX as u128 { Self(0) } else { Self(self.0.saturating_sub(nanos as u64)) }
    }

    /// Time since `earlier`; zero if `earlier` is later.
    pub const fn since(self, earlier: Self) -> Duration {
        Duration::from_nanos(self.0.saturating_sub(earlier.0))
    }
}

/// Seconds with six decimals: `12.480000 s`.
impl fmt::Display for Instant {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        write!(f, "{}.{:06} s", self.0 / 1_000_000_000, self.0 / 1_000 % 1_000_000)
    }
}

impl fmt::Debug for Instant {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        write!(f, "{}.{:09} s", self.0 / 1_000_000_000, self.0 % 1_000_000_000)
    }
}

/// The earlier of two optional instants, where `None` means "never".
///
/// `Option::min` would take `None` as the earliest; this is the only way that deadlines are compared here.
pub fn earliest(a: Option<Instant>, b: Option<Instant>) -> Option<Instant> {
    match (a, b) {
        (Some(a), Some(b)) => Some(a.min(b)),
        (one, None) | (None, one) => one,
    }
}

/// How long characters take on a serial line.
#[derive(Clone, Copy, PartialEq, Eq, Debug)]
pub struct CharTime {
    bits: u64,
    baud: u64,
}

impl CharTime {
    /// Characters of `bits` bits (start, data, parity and stop together) at `baud` bits per second.
    ///
    /// A baud of zero counts as one.
    pub const fn new(bits: u8, baud: u32) -> Self {
        Self { bits: bits as u64, baud: if baud == 0 { 1 } else { baud as u64 } }
    }

    /// The time of `count` characters back to back, rounded to the nearest nanosecond once.
    pub const fn of(self, count: usize) -> Duration {
        let bits = self.bits as u128 * count as u128;
        let nanos = (bits * 1_000_000_000 + self.baud as u128 / 2) / self.baud as u128;
        Duration::from_nanos(nanos as u64)
    }

    /// The time of one character.
    pub const fn one(self) -> Duration {
        self.of(1)
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn never_is_later_than_any_instant() {
        let five = Some(Instant::from_nanos(5));
        assert_eq!(earliest(five, None), five);
        assert_eq!(earliest(None, five), five);
        assert_eq!(earliest(five, Some(Instant::from_nanos(4))), Some(Instant::from_nanos(4)));
        assert_eq!(earliest(None, None), None);
    }

    /// ISO 14230-2: 10 bits at 10 400 Bd are 0.9615 ms; computed by hand.
    #[test]
    fn characters_are_rounded_once() {
        let time = CharTime::new(10, 10_400);
        assert_eq!(time.one(), Duration::from_nanos(961_538));
        assert_eq!(time.of(260), Duration::from_nanos(250_000_000));
    }

    #[test]
    fn instants_saturate() {
        assert_eq!(Instant::ORIGIN.before(Duration::from_secs(1)), Instant::ORIGIN);
        assert_eq!(Instant::from_nanos(u64::MAX).after(Duration::MAX), Instant::from_nanos(u64::MAX));
        assert_eq!(Instant::from_nanos(3).since(Instant::from_nanos(5)), Duration::ZERO);
    }
}
