//! A script's times as people write them.

use core::fmt;
use core::time::Duration;

use super::ZERO;
use crate::time::Instant;

/// A time since a script's zero, with how exactly it is meant.
#[derive(Clone, Copy, PartialEq, Eq, Debug)]
pub struct Moment {
    nanos: i64,
    half_digit: i64,
}

impl Moment {
    /// The instant.
    pub fn instant(self) -> Instant {
        Self::shifted(self.nanos)
    }

    /// The latest instant that is still meant.
    pub(super) fn latest(self) -> Instant {
        Self::shifted(self.nanos + self.half_digit)
    }

    /// Whether this instant is meant.
    pub(super) fn means(self, at: Instant) -> bool {
        (Self::from(at).nanos - self.nanos).abs() <= self.half_digit
    }

    fn shifted(nanos: i64) -> Instant {
        let distance = Duration::from_nanos(nanos.unsigned_abs());
        if nanos < 0 { ZERO.before(distance) } else { ZERO.after(distance) }
    }
}

impl From<Instant> for Moment {
    fn from(at: Instant) -> Self {
        Self { nanos: at.as_nanos() as i64 - ZERO.as_nanos() as i64, half_digit: 0 }
    }
}

impl From<Duration> for Moment {
    fn from(since_zero: Duration) -> Self {
        Self { nanos: since_zero.as_nanos() as i64, half_digit: 0 }
    }
}

/// `"25 ms"`, `"86.731 ms"`, `"50 ms + 1 ns"`, `"24 ms - 1 ns"`.
impl From<&str> for Moment {
    fn from(text: &str) -> Self {
        let mut words = text.split_whitespace();
        let mut total = Self { nanos: 0, half_digit: 0 };
        let mut sign = 1;
        while let (Some(number), Some(unit)) = (words.next(), words.next()) {
            let (nanos, half_digit) = quantity(number, unit).unwrap_or_else(|| panic!("{text:?} is no time"));
            total.nanos += sign * nanos;
            total.half_digit = total.half_digit.max(half_digit);
            sign = match words.next() {
                Some("-") => -1,
                Some("+") | None => 1,
                Some(_) => panic!("{text:?} is no time"),
            };
        }
        total
    }
}

fn quantity(number: &str, unit: &str) -> Option<(i64, i64)> {
    let scale: i64 = match unit {
        "ns" => 1,
        "us" => 1_000,
        "ms" => 1_000_000,
        "s" => 1_000_000_000,
        _ => return None,
    };
    let (whole, decimals) = number.split_once('.').unwrap_or((number, ""));
    let digit = scale / 10_i64.checked_pow(decimals.len() as u32)?;
    let fraction = if decimals.is_empty() { 0 } else { decimals.parse::<i64>().ok()? * digit };
    let half_digit = if decimals.is_empty() { 0 } else { digit / 2 };
    Some((whole.parse::<i64>().ok()? * scale + fraction, half_digit))
}

/// Milliseconds with all their digits.
impl fmt::Display for Moment {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        let sign = if self.nanos < 0 { "-" } else { "" };
        let nanos = self.nanos.unsigned_abs();
        write!(f, "{sign}{}.{:06} ms", nanos / 1_000_000, nanos % 1_000_000)
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn times_read_as_written() {
        let nanos = |text| Moment::from(text).nanos;
        assert_eq!(nanos("25 ms"), 25_000_000);
        assert_eq!(nanos("50 ms + 1 ns"), 50_000_001);
        assert_eq!(nanos("24 ms - 1 ns"), 23_999_999);
        assert_eq!(nanos("1.5 s"), 1_500_000_000);
    }

    #[test]
    fn decimals_are_meant_to_half_of_their_last_digit() {
        let moment = Moment::from("86.731 ms");
        assert!(moment.means(ZERO.after(Duration::from_nanos(86_730_769))));
        assert!(!moment.means(ZERO.after(Duration::from_nanos(86_731_501))));
        assert!(!Moment::from("25 ms").means(ZERO.after(Duration::from_nanos(25_000_001))));
    }
}
