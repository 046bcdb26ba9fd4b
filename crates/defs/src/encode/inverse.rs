//! The raw value whose number is nearest to the wanted one.

use alloc::vec::Vec;

use super::{EncodeError, write};
use crate::compiled::{Affine, Channel, Coding, Conversion, Field, Layout, Part};
use crate::decode::field::{Content, content};
use crate::decode::{self, Scope};
use crate::value::{Invalid, Raw, Value};

/// Fields and parts up to this many bits can be tried through.
const TRIED_BITS: u32 = 16;
/// Points of one round of the search.
const GRID: i128 = 256;

pub(super) fn field(
    layout: &Layout,
    channel: &Channel,
    field: &Field,
    wanted: f64,
    scope: &dyn Scope,
) -> Result<Raw, EncodeError> {
    if field.coding == Coding::Float {
        return float(channel, field, wanted);
    }
    let limits = write::limits(field).ok_or(EncodeError::NotANumber)?;
    let number = |raw: i128| {
        let raw = write::raw_of(field, raw)?;
        match decode::convert(layout, channel, &raw, scope) {
            Ok(Value::Number(number)) => Some(number),
            _ => None,
        }
    };
    let found = match &channel.conversion {
        Conversion::None => return Err(EncodeError::NotANumber),
        Conversion::Identity => affine(channel, Affine { scale: 1, offset: 0, divisor: 1 }, limits, wanted, &number),
        Conversion::Affine(conversion) if conversion.scale == 0 => return Err(EncodeError::NotInvertible),
        Conversion::Affine(conversion) => affine(channel, *conversion, limits, wanted, &number),
        Conversion::Expr(_) => search(limits, wanted, &number),
    };
    match found.and_then(|raw| write::raw_of(field, raw)) {
        Some(raw) => Ok(raw),
        None => Err(why_not(layout, channel, field, scope)),
    }
}

/// Whether a raw value is as near to the wanted number as a step of the field allows.
pub(super) fn fits(
    layout: &Layout,
    channel: &Channel,
    field: &Field,
    raw: &Raw,
    wanted: f64,
    scope: &dyn Scope,
) -> bool {
    let Content::Whole(whole) = content(field, raw) else { return false };
    let number = |raw: i128| {
        let raw = write::raw_of(field, raw)?;
        match decode::convert(layout, channel, &raw, scope) {
            Ok(Value::Number(number)) => Some(number),
            _ => None,
        }
    };
    close(whole, wanted, &number)
}

/// Several fields: the last one alone if that gets there, else all of them together while they are few.
pub(super) fn parts(
    layout: &Layout,
    channel: &Channel,
    parts: &[Part],
    wanted: f64,
    scope: &dyn Scope,
    data: &mut [u8],
) -> Result<(), EncodeError> {
    let mut limits = Vec::with_capacity(parts.len());
    let mut now = Vec::with_capacity(parts.len());
    for part in parts {
        let raw = decode::raw(&part.field, data);
        let needed = part.field.bytes.iter().map(|offset| usize::from(*offset) + 1).max().unwrap_or(0);
        let raw = raw.ok_or(EncodeError::TooShort { needed, came: data.len() })?;
        let whole = if let Content::Whole(whole) = content(&part.field, &raw) { whole } else { 0 };
        limits.push(
            write::limits(&part.field)
                .filter(|_| part.field.coding != Coding::Float)
                .ok_or(EncodeError::NotInvertible)?,
        );
        now.push(whole);
    }
    let number = |wholes: &[i128]| {
        let contents: Vec<Content> = wholes.iter().map(|whole| Content::Whole(*whole)).collect();
        match decode::combine(layout, channel, &contents, scope) {
            Ok(Value::Number(number)) => Some(number),
            _ => None,
        }
    };
    let (Some(last), Some((_, others))) = (limits.last().copied(), now.split_last()) else {
        return Err(EncodeError::NotInvertible);
    };
    let with_last = |whole: i128| {
        let mut wholes = others.to_vec();
        wholes.push(whole);
        number(&wholes)
    };
    let alone = grid(last, wanted, &with_last).filter(|whole| close(*whole, wanted, &with_last));
    let chosen = match alone {
        Some(whole) => [others, &[whole]].concat(),
        None => together(&limits, wanted, &number)?,
    };
    for (part, whole) in parts.iter().zip(chosen) {
        let raw = write::raw_of(&part.field, whole).ok_or(EncodeError::DoesNotFit)?;
        write::raw(&part.field, &raw, data)?;
    }
    Ok(())
}

/// Every combination of the parts.
fn together(
    limits: &[(i128, i128)],
    wanted: f64,
    number: &dyn Fn(&[i128]) -> Option<f64>,
) -> Result<Vec<i128>, EncodeError> {
    let sizes = limits.iter().map(|(least, greatest)| greatest - least + 1);
    let total = sizes.fold(1i128, |total, size| total.saturating_mul(size));
    if total > 1 << TRIED_BITS {
        return Err(EncodeError::NotInvertible);
    }
    let mut best: Option<(f64, Vec<i128>)> = None;
    for place in 0..total {
        let mut rest = place;
        let mut wholes = Vec::with_capacity(limits.len());
        for (least, greatest) in limits {
            let size = greatest - least + 1;
            wholes.push(least + rest % size);
            rest /= size;
        }
        let Some(distance) = number(&wholes).map(|number| libm::fabs(number - wanted)) else {
            continue;
        };
        if best.as_ref().is_none_or(|(nearest, _)| distance < *nearest) {
            best = Some((distance, wholes));
        }
    }
    best.map(|(_, wholes)| wholes).ok_or(EncodeError::Invalid(Invalid::NoRealResult))
}

/// The inverse of a straight line, then the neighbours: some raw values may be codes or states.
fn affine(
    channel: &Channel,
    conversion: Affine,
    limits: (i128, i128),
    wanted: f64,
    number: &dyn Fn(i128) -> Option<f64>,
) -> Option<i128> {
    let Affine { scale, offset, divisor } = conversion;
    let estimate = (wanted * divisor as f64 - offset as f64) / scale as f64;
    // A conversion to an integer stops at its ends; beyond 53 bits the estimate itself is coarse.
    let estimate = (libm::rint(estimate) as i128).clamp(limits.0, limits.1);
    let slack = if limits.1 - limits.0 >= 1 << 48 { 1 << 16 } else { 1 };
    let around = ((estimate - slack).max(limits.0), (estimate + slack).min(limits.1));
    let near = grid(around, wanted, number);
    // All around may be codes: the next raw value on either side that is none.
    let below = outward(channel, around.0, -1).filter(|raw| *raw >= limits.0);
    let above = outward(channel, around.1, 1).filter(|raw| *raw <= limits.1);
    nearest([near, below, above].into_iter().flatten(), wanted, number)
}

/// Leaves the ranges of codes and states in one direction.
fn outward(channel: &Channel, from: i128, step: i128) -> Option<i128> {
    let ranges = || {
        let codes = channel.invalid.iter().map(|code| (code.first, code.last));
        codes.chain(channel.states.iter().map(|state| (state.first, state.last)))
    };
    let mut raw = from;
    for _ in 0..=channel.invalid.len() + channel.states.len() {
        match ranges().find(|(first, last)| (*first..=*last).contains(&raw)) {
            Some((first, last)) => raw = if step < 0 { first.checked_sub(1)? } else { last.checked_add(1)? },
            None => return Some(raw),
        }
    }
    None
}

/// Any conversion: finer and finer grids, and every raw value where that misses and they are few.
fn search(limits: (i128, i128), wanted: f64, number: &dyn Fn(i128) -> Option<f64>) -> Option<i128> {
    let found = grid(limits, wanted, number);
    let good = found.filter(|raw| close(*raw, wanted, number));
    if good.is_some() || limits.1 - limits.0 >= 1 << TRIED_BITS {
        return found;
    }
    nearest(limits.0..=limits.1, wanted, number)
}

/// Exact where the numbers rise or fall throughout.
fn grid(limits: (i128, i128), wanted: f64, number: &dyn Fn(i128) -> Option<f64>) -> Option<i128> {
    let (mut low, mut high) = limits;
    loop {
        let step = ((high - low) / GRID).max(1);
        let points = (0..).map(|place| low + place * step).take_while(|raw| *raw < high);
        let best = nearest(points.chain([high]), wanted, number)?;
        if step == 1 {
            return Some(best);
        }
        (low, high) = ((best - step).max(limits.0), (best + step).min(limits.1));
    }
}

fn nearest(raws: impl Iterator<Item = i128>, wanted: f64, number: &dyn Fn(i128) -> Option<f64>) -> Option<i128> {
    let mut best: Option<(f64, i128)> = None;
    for raw in raws {
        let Some(distance) = number(raw).map(|number| libm::fabs(number - wanted)) else {
            continue;
        };
        if best.is_none_or(|(nearest, _)| distance < nearest) {
            best = Some((distance, raw));
        }
    }
    best.map(|(_, raw)| raw)
}

/// Within half a step of the wanted number.
fn close(raw: i128, wanted: f64, number: &dyn Fn(i128) -> Option<f64>) -> bool {
    let Some(here) = number(raw) else { return false };
    let step =
        [raw - 1, raw + 1].into_iter().filter_map(number).map(|next| libm::fabs(next - here)).fold(0.0, f64::max);
    libm::fabs(here - wanted) <= step / 2.0
}

/// A float field holds the number itself, or a straight line of it.
fn float(channel: &Channel, field: &Field, wanted: f64) -> Result<Raw, EncodeError> {
    let inner = match &channel.conversion {
        Conversion::Identity => wanted,
        Conversion::Affine(Affine { scale, offset, divisor }) if *scale != 0 => {
            (wanted * *divisor as f64 - *offset as f64) / *scale as f64
        }
        Conversion::None => return Err(EncodeError::NotANumber),
        Conversion::Affine(_) | Conversion::Expr(_) => return Err(EncodeError::NotInvertible),
    };
    let bits = if field.width <= 32 { u64::from((inner as f32).to_bits()) } else { inner.to_bits() };
    Ok(Raw::Unsigned(bits))
}

/// A reason to show: that of the least raw value.
fn why_not(layout: &Layout, channel: &Channel, field: &Field, scope: &dyn Scope) -> EncodeError {
    let least = write::limits(field).and_then(|(least, _)| write::raw_of(field, least));
    match least.map(|raw| decode::convert(layout, channel, &raw, scope)) {
        Some(Err(invalid)) => EncodeError::Invalid(invalid),
        _ => EncodeError::NotInvertible,
    }
}
