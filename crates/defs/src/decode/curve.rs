//! Conversion tables.

use super::arithmetic::finite;
use crate::compiled::{Between, Curve, Outside};
use crate::value::Invalid;

/// The value of a curve at `x`.
pub(super) fn look_up(curve: &Curve, x: f64) -> Result<f64, Invalid> {
    let points = &*curve.points;
    let (Some(first), Some(last)) = (points.first(), points.last()) else {
        return Err(Invalid::OutsideCurve(curve.name.clone()));
    };
    if x < first.0 || x > last.0 {
        return outside(curve, x, *first, *last);
    }
    // The points at or before x, and the one after it.
    let after = points.partition_point(|point| point.0 <= x);
    let before = after.checked_sub(1).and_then(|place| points.get(place)).unwrap_or(first);
    match (points.get(after), curve.between) {
        (None, _) | (_, Between::Step) => Ok(before.1),
        _ if before.0 == x => Ok(before.1),
        (Some(next), Between::Linear) => line(*before, *next, x),
        (Some(next), Between::Nearest) => Ok(if x - before.0 <= next.0 - x { before.1 } else { next.1 }),
    }
}

fn outside(curve: &Curve, x: f64, first: (f64, f64), last: (f64, f64)) -> Result<f64, Invalid> {
    let below = x < first.0;
    let end = if below { first } else { last };
    match (curve.outside, curve.between, &*curve.points) {
        (Outside::Invalid, ..) => Err(Invalid::OutsideCurve(curve.name.clone())),
        (Outside::Extend, Between::Linear, [a, b, ..]) if below => line(*a, *b, x),
        (Outside::Extend, Between::Linear, [.., a, b]) => line(*a, *b, x),
        // Steps have no slope that could go on.
        _ => Ok(end.1),
    }
}

fn line(a: (f64, f64), b: (f64, f64), x: f64) -> Result<f64, Invalid> {
    if b.0 == a.0 {
        return Ok(a.1);
    }
    finite(a.1 + (x - a.0) * (b.1 - a.1) / (b.0 - a.0))
}
