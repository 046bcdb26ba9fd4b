//! How many decimals of a channel are worth showing.

use core::cell::Cell;

use crate::compiled::{self, Code, Conversion, Curve, Origin, State};
use crate::formula::knowledge;
use crate::model::channel::Channel;

/// Of what is not computed from one field, and has no range.
const UNKNOWN: u8 = 2;
/// Significant digits of what is no straight line: its smallest step says little about the others.
const SIGNIFICANT: i32 = 5;

/// How much work may go into trying conversions: raw values times nodes, for all layouts of a file together.
///
/// What comes after that is treated as a field of more bits than are tried.
#[derive(Debug)]
pub(crate) struct Trials(Cell<u64>);

impl Trials {
    /// As much as 300 square roots of all values of 16 bits.
    pub(crate) const fn new() -> Self {
        Self(Cell::new(300 * 2 * 65_536))
    }

    /// Takes the work of one conversion, if there is enough left.
    fn take(&self, work: u64) -> bool {
        let left = self.0.get().checked_sub(work);
        self.0.set(left.unwrap_or(0));
        left.is_some()
    }
}

/// What a channel's decimals depend on, beside its range.
pub(super) struct Tried<'a> {
    pub(super) origin: &'a Origin,
    pub(super) conversion: &'a Conversion,
    pub(super) invalid: &'a [Code],
    pub(super) states: &'a [State],
}

impl Tried<'_> {
    /// Whether a compiled channel is converted in the same way.
    pub(super) fn is_like(&self, other: &compiled::Channel) -> bool {
        let shape = |origin: &Origin| match origin {
            Origin::Field { field, .. } => Some((field.coding, field.low_bit, field.width, field.bytes.len())),
            Origin::Parts { .. } | Origin::Derived => None,
        };
        shape(self.origin).is_some_and(|own| shape(&other.origin) == Some(own))
            && *self.conversion == other.conversion
            && *self.invalid == *other.invalid
            && *self.states == *other.states
    }
}

/// Decimals from the resolution of the conversion.
pub(super) fn of(channel: &Channel, tried: &Tried<'_>, curves: &[Curve], trials: &Trials) -> u8 {
    let conversion = tried.conversion;
    let known = match tried.origin {
        Origin::Field { field, .. } if trials.take(knowledge::work(field, conversion)) => {
            Some(knowledge::of_field(field, conversion, tried.invalid, tried.states, curves))
        }
        _ => None,
    };
    match (conversion, known) {
        (Conversion::None, _) => 0,
        (Conversion::Identity | Conversion::Affine(_), Some(known)) if known.resolution.is_some() => known.decimals,
        (_, known) => {
            let range = channel.range.or_else(|| known.and_then(|known| known.range));
            let most = range.map_or(UNKNOWN, |(low, high)| significant(low.abs().max(high.abs())));
            known.filter(|known| known.resolution.is_some()).map_or(most, |known| known.decimals.min(most))
        }
    }
}

/// Decimals that show five significant digits of a number this large.
fn significant(largest: f64) -> u8 {
    let before_point = if largest >= 1.0 { libm::floor(libm::log10(largest)) as i32 + 1 } else { 1 };
    u8::try_from((SIGNIFICANT - before_point).max(0)).unwrap_or(0)
}

#[cfg(test)]
mod tests {
    use super::{Trials, significant};

    #[test]
    fn work_is_taken_until_there_is_none() {
        let trials = Trials::new();
        assert!(trials.take(300 * 2 * 65_536) && trials.take(0) && !trials.take(1));
    }

    #[test]
    fn five_digits_are_shown_of_what_is_no_straight_line() {
        assert_eq!([7000.0, 120.0, 1.3, 0.02, 250_000.0].map(significant), [1, 2, 4, 4, 0]);
    }
}
