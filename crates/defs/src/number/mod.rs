//! Exact decimals and rationals: what literals of a definition are until something is rounded.
//!
//! The one rounding stands in [`quotient`], which the decoder uses as well, so a folded
//! constant and a decoded value agree to the last bit.

#[cfg(test)]
mod tests;

use core::cmp::Ordering;
use core::fmt;
use std::string::String;

use num_rational::Ratio;
use num_traits::{CheckedAdd, CheckedMul, CheckedSub};

use crate::decode::quotient;

/// An exact rational number of 128-bit parts. Every operation that could leave them says `None`.
#[derive(Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash, Debug)]
pub struct Exact(Ratio<i128>);

/// A decimal as written: its value and the number of digits after the point.
#[derive(Clone, Copy, PartialEq, Eq, Debug)]
pub struct Decimal {
    /// The value.
    pub value: Exact,
    /// Digits after the point, as written; of an exponent form what remains.
    pub decimals: u8,
}

impl Exact {
    /// Zero.
    pub const ZERO: Self = Self(Ratio::new_raw(0, 1));
    /// One.
    pub const ONE: Self = Self(Ratio::new_raw(1, 1));

    /// A whole number; `None` for the one that cannot be negated.
    pub fn whole(value: i128) -> Option<Self> {
        Self::kept(Ratio::from_integer(value))
    }

    /// A fraction; `None` if the denominator is zero or a part too large.
    pub fn new(numerator: i128, denominator: i128) -> Option<Self> {
        Self::whole(numerator)?.over(Self::whole(denominator)?)
    }

    /// Numerator of the reduced fraction.
    pub fn numerator(&self) -> i128 {
        *self.0.numer()
    }

    /// Denominator of the reduced fraction, greater than zero.
    pub fn denominator(&self) -> i128 {
        *self.0.denom()
    }

    /// `self + other`
    pub fn plus(self, other: Self) -> Option<Self> {
        Self::kept(self.0.checked_add(&other.0)?)
    }

    /// `self - other`
    pub fn minus(self, other: Self) -> Option<Self> {
        Self::kept(self.0.checked_sub(&other.0)?)
    }

    /// `self * other`
    pub fn times(self, other: Self) -> Option<Self> {
        Self::kept(self.0.checked_mul(&other.0)?)
    }

    /// `self / other`; `None` also for a division by zero.
    pub fn over(self, other: Self) -> Option<Self> {
        let (numerator, denominator) = (other.numerator(), other.denominator());
        let reciprocal = match numerator.cmp(&0) {
            Ordering::Equal => return None,
            Ordering::Greater => Ratio::new_raw(denominator, numerator),
            Ordering::Less => Ratio::new_raw(-denominator, -numerator),
        };
        self.times(Self(reciprocal))
    }

    /// `-self`
    pub fn negate(self) -> Self {
        Self(Ratio::new_raw(-self.numerator(), self.denominator()))
    }

    /// Magnitude.
    pub fn magnitude(self) -> Self {
        if self < Self::ZERO { self.negate() } else { self }
    }

    /// The whole number at or below.
    pub fn floor(self) -> Self {
        Self(Ratio::from_integer(self.numerator().div_euclid(self.denominator())))
    }

    /// `self mod other`, with the sign of `other`; `None` also for a division by zero.
    pub fn modulo(self, other: Self) -> Option<Self> {
        self.minus(other.times(self.over(other)?.floor())?)
    }

    /// `self` to a whole power of magnitude 64 at most; `None` also for a negative power of zero.
    pub fn power(self, exponent: Self) -> Option<Self> {
        let exponent = exponent.as_whole().filter(|e| (-64..=64).contains(e))?;
        let mut result = Self::ONE;
        for _ in 0..exponent.unsigned_abs() {
            result = result.times(self)?;
        }
        if exponent < 0 { Self::ONE.over(result) } else { Some(result) }
    }

    /// The value if it is a whole number.
    pub fn as_whole(&self) -> Option<i128> {
        self.0.is_integer().then(|| self.numerator())
    }

    /// The nearest binary64; a tie goes to the even one.
    pub fn to_f64(self) -> f64 {
        quotient(self.numerator(), self.denominator())
    }

    /// Digits after the point that write it exactly; `None` for a third and its like.
    pub fn decimals(&self) -> Option<u8> {
        let (mut rest, mut twos, mut fives) = (self.denominator(), 0u8, 0u8);
        while rest % 2 == 0 {
            rest /= 2;
            twos += 1;
        }
        while rest % 5 == 0 {
            rest /= 5;
            fives += 1;
        }
        (rest == 1).then_some(twos.max(fives))
    }

    /// Keeps the parts in the range that can be negated.
    fn kept(ratio: Ratio<i128>) -> Option<Self> {
        (*ratio.numer() != i128::MIN && *ratio.denom() > 0).then_some(Self(ratio))
    }
}

impl fmt::Display for Exact {
    /// A decimal where one is exact, else a fraction.
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        let (numerator, denominator) = (self.numerator(), self.denominator());
        let scaled = self.decimals().and_then(|places| {
            let power = 10i128.checked_pow(u32::from(places))?;
            Some((numerator.checked_mul(power / denominator)?, power, usize::from(places)))
        });
        match scaled {
            Some((value, _, 0)) => write!(f, "{value}"),
            Some((value, power, places)) => {
                let sign = if value < 0 { "-" } else { "" };
                let (value, power) = (value.unsigned_abs(), power.unsigned_abs());
                write!(f, "{sign}{}.{:0places$}", value / power, value % power)
            }
            None => write!(f, "{numerator}/{denominator}"),
        }
    }
}

/// Reads a number as TOML and the formulas write it: `-1_000.50e-3`, `0xFF`, `0b11`, `0o17`.
///
/// `None` if it is no finite number or does not fit 128-bit parts.
///
/// ```
/// use tickover_defs::number::{Exact, decimal};
/// let written = decimal("0.250").unwrap();
/// assert_eq!(written.value, Exact::new(1, 4).unwrap());
/// assert_eq!(written.decimals, 3);
/// ```
pub fn decimal(text: &str) -> Option<Decimal> {
    let (negative, digits) = match text.as_bytes().first()? {
        b'-' => (true, &text[1..]),
        b'+' => (false, &text[1..]),
        _ => (false, text),
    };
    let digits: String = digits.chars().filter(|c| *c != '_').collect();
    let magnitude = match digits.get(..2) {
        Some("0x") => radix(&digits[2..], 16)?,
        Some("0o") => radix(&digits[2..], 8)?,
        Some("0b") => radix(&digits[2..], 2)?,
        _ => scientific(&digits)?,
    };
    Some(Decimal { value: if negative { magnitude.value.negate() } else { magnitude.value }, ..magnitude })
}

fn radix(digits: &str, radix: u32) -> Option<Decimal> {
    let signed = digits.starts_with(['+', '-']);
    let value = if signed { None } else { i128::from_str_radix(digits, radix).ok() }?;
    Some(Decimal { value: Exact::whole(value)?, decimals: 0 })
}

fn scientific(text: &str) -> Option<Decimal> {
    let (mantissa, exponent) = match text.split_once(['e', 'E']) {
        Some((mantissa, exponent)) => (mantissa, exponent.parse::<i32>().ok()?),
        None => (text, 0),
    };
    let (whole, part) = mantissa.split_once('.').unwrap_or((mantissa, ""));
    if whole.is_empty() || mantissa.ends_with('.') {
        return None;
    }
    let mut digits = 0i128;
    for c in whole.chars().chain(part.chars()) {
        digits = digits.checked_mul(10)?.checked_add(i128::from(c.to_digit(10)?))?;
    }
    let shift = exponent.checked_sub(i32::try_from(part.len()).ok()?)?;
    let power = Exact::whole(10i128.checked_pow(shift.unsigned_abs())?)?;
    let digits = Exact::whole(digits)?;
    let value = if shift < 0 { digits.over(power)? } else { digits.times(power)? };
    let decimals = u8::try_from(shift.min(0).unsigned_abs()).ok()?;
    Some(Decimal { value, decimals })
}
