//! Units of measurement: a closed list of UCUM codes that a car needs, exact, without an allocator.
//!
//! The codes are those of the Unified Code for Units of Measure (ucum.org), case sensitive. A [`UnitCode`] is a
//! place in [`UNITS`]. What a number means beyond its dimension (a torque is no energy, a gauge pressure is not
//! absolute) is its [`Measure`].

mod measure;
mod mistake;
mod table;
#[cfg(test)]
mod tests;

pub use measure::{Measure, Mismatch, Quantity, Reference};
pub use mistake::Mistake;
pub use table::UNITS;

/// A unit of measurement: its place in the closed list of UCUM codes.
#[derive(Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash, Debug)]
pub struct UnitCode(pub u8);

/// One unit of the list: `SI value = value * factor + offset`.
#[derive(Clone, Copy, PartialEq, Eq, Debug)]
pub struct Unit {
    /// UCUM code, case sensitive: `Cel`.
    pub code: &'static str,
    /// As shown to people: `°C`.
    pub symbol: &'static str,
    /// Powers of the base units.
    pub dimension: Dimension,
    /// Of one such unit in base units, exact.
    pub factor: Fraction,
    /// Zero of the scale in base units, exact; only temperatures have one.
    pub offset: Fraction,
    /// What an annotation counts (`stroke` of `mg/{stroke}`); such units only compare among themselves.
    pub annotation: &'static str,
}

/// Powers of metre, kilogram, second, ampere, kelvin and degree of angle.
#[derive(Clone, Copy, PartialEq, Eq, Hash, Debug)]
pub struct Dimension(pub [i8; 6]);

/// An exact number; the denominator is greater than zero.
#[derive(Clone, Copy, PartialEq, Eq, Debug)]
pub struct Fraction {
    /// Numerator.
    pub numerator: i64,
    /// Denominator, greater than zero.
    pub denominator: i64,
}

impl UnitCode {
    /// Pure number.
    pub const ONE: Self = Self(0);

    /// Its entry in the list; `None` for a code made up by hand.
    pub fn unit(self) -> Option<&'static Unit> {
        UNITS.get(usize::from(self.0))
    }

    /// UCUM code: `Cel`. Of a code made up by hand `?`.
    pub fn code(self) -> &'static str {
        self.unit().map_or("?", |unit| unit.code)
    }

    /// As shown to people: `°C`; empty for pure numbers.
    pub fn symbol(self) -> &'static str {
        self.unit().map_or("?", |unit| unit.symbol)
    }
}

/// The unit with this UCUM code.
///
/// # Errors
/// [`Mistake`] says what the text really means (`mph` is milliphot) or that it is not in the list, and what to
/// write instead where that is known.
///
/// ```
/// use tickover_defs::unit;
/// assert_eq!(unit::find("km/h").unwrap().symbol(), "km/h");
/// assert_eq!(unit::find("mph").unwrap_err().suggestion, Some("[mi_i]/h"));
/// ```
pub fn find(code: &str) -> Result<UnitCode, Mistake> {
    match UNITS.iter().position(|unit| unit.code == code) {
        Some(place) => Ok(UnitCode(place as u8)),
        None => Err(mistake::explain(code)),
    }
}

/// Whether values of the two units can be converted into each other by their dimension alone.
pub fn same_dimension(a: UnitCode, b: UnitCode) -> bool {
    match (a.unit(), b.unit()) {
        (Some(a), Some(b)) => a.dimension == b.dimension && a.annotation == b.annotation,
        _ => false,
    }
}

/// A value in another unit of the same dimension, through exact factors; within two units of the last place.
///
/// `None`: another dimension. Quantity and reference are not judged here: see [`Measure::convert`].
pub fn convert(value: f64, from: UnitCode, to: UnitCode) -> Option<f64> {
    if from == to {
        return from.unit().map(|_| value);
    }
    if !same_dimension(from, to) {
        return None;
    }
    let (from, to) = (from.unit()?, to.unit()?);
    let scale = from.factor.divided_by(to.factor)?;
    let shift = from.offset.minus(to.offset)?.divided_by_fraction(to.factor)?;
    // One common divisor, so that -40 degrees Fahrenheit are -40 degrees Celsius.
    let (n, d) = (scale.0, scale.1);
    let (m, e) = (shift.0, shift.1);
    match (n.checked_mul(e), m.checked_mul(d), d.checked_mul(e)) {
        (Some(n), Some(m), Some(d)) if m != 0 => Some((value * n as f64 + m as f64) / d as f64),
        _ if m == 0 => Some(value * n as f64 / d as f64),
        _ => Some(value * n as f64 / d as f64 + m as f64 / e as f64),
    }
}

/// Numerator and denominator, reduced.
struct Wide(i128, i128);

impl Wide {
    fn reduced(numerator: i128, denominator: i128) -> Option<Self> {
        let (mut a, mut b) = (numerator.checked_abs()?, denominator.checked_abs()?);
        while b != 0 {
            (a, b) = (b, a % b);
        }
        (a != 0).then(|| Self(numerator / a, denominator / a))
    }

    fn divided_by_fraction(&self, by: Fraction) -> Option<Self> {
        Self::reduced(self.0.checked_mul(i128::from(by.denominator))?, self.1.checked_mul(i128::from(by.numerator))?)
    }
}

impl Fraction {
    /// A whole number.
    pub const fn whole(numerator: i64) -> Self {
        Self { numerator, denominator: 1 }
    }

    /// A fraction; the denominator must be greater than zero.
    pub const fn new(numerator: i64, denominator: i64) -> Self {
        Self { numerator, denominator }
    }

    fn divided_by(self, by: Self) -> Option<Wide> {
        Wide(i128::from(self.numerator), i128::from(self.denominator)).divided_by_fraction(by)
    }

    fn minus(self, other: Self) -> Option<Wide> {
        let (a, b) = (i128::from(self.numerator), i128::from(self.denominator));
        let (c, d) = (i128::from(other.numerator), i128::from(other.denominator));
        Wide::reduced((a * d).checked_sub(c * b)?, b * d)
    }
}
