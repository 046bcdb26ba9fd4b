//! How many decimals of a channel are worth showing.

use crate::compiled::{Code, Conversion, Curve, Origin, State};
use crate::formula::knowledge;
use crate::model::channel::Channel;

/// Of what is not computed from one field, and has no range.
const UNKNOWN: u8 = 2;
/// Significant digits of what is no straight line: its smallest step says little about the others.
const SIGNIFICANT: i32 = 5;

/// Decimals from the resolution of the conversion.
pub(super) fn of(
    channel: &Channel,
    origin: &Origin,
    conversion: &Conversion,
    codes: (&[Code], &[State]),
    curves: &[Curve],
) -> u8 {
    let known = match origin {
        Origin::Field { field, .. } => Some(knowledge::of_field(field, conversion, codes.0, codes.1, curves)),
        Origin::Parts { .. } | Origin::Derived => None,
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
    use super::significant;

    #[test]
    fn five_digits_are_shown_of_what_is_no_straight_line() {
        assert_eq!([7000.0, 120.0, 1.3, 0.02, 250_000.0].map(significant), [1, 2, 4, 4, 0]);
    }
}
