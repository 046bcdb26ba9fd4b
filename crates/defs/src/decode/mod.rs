//! From bytes to readings: fields, codes and states, conversions, conditions.
//!
//! Nothing here panics on any bytes, and no number that comes out is NaN or infinite. Ages, and the totals of counters
//! that wrap, belong to the session; a [`Scope`] is how it lends what it knows.

pub(crate) mod arithmetic;
mod curve;
mod evaluate;
pub(crate) mod field;
mod frame;
mod quotient;
mod record;
mod scope;
#[cfg(test)]
mod tests;
mod total;

use alloc::borrow::Cow;
use core::time::Duration;

pub(crate) use evaluate::{Evaluation, Given};
pub use field::raw;
pub use frame::{FrameMistake, frame};
pub use quotient::quotient;
pub use record::{WrongLength, record};
pub use scope::{Nothing, Scope};
pub use total::{Counted, counted};

use crate::compiled::{Affine, Channel, Conversion, Expr, Layout, Origin};
use crate::value::{Invalid, Raw, Reading, Value};
use field::Content;

/// One channel of a response's data; `None` if its `when` does not hold or the data end before its field.
///
/// A derived channel needs no data: see [`derived`].
pub fn channel(layout: &Layout, channel: &Channel, data: &[u8], scope: &dyn Scope) -> Option<Reading> {
    if channel.when.as_ref().is_some_and(|when| !holds(layout, when, scope)) {
        return None;
    }
    match &channel.origin {
        Origin::Field { field, .. } => {
            let raw = raw(field, data)?;
            let value = convert(layout, channel, &raw, scope);
            Some(reading(channel, Some(raw), value))
        }
        Origin::Parts { parts, .. } => {
            let mut contents = alloc::vec::Vec::with_capacity(parts.len());
            for part in parts.iter() {
                contents.push(field::content(&part.field, &raw(&part.field, data)?));
            }
            let value = combine(layout, channel, &contents, scope);
            Some(reading(channel, None, value))
        }
        Origin::Derived => Some(derived(layout, channel, scope)),
    }
}

/// A channel that reads only other channels, from the latest reading of each.
///
/// Its codes and states are looked up on the result. A `when` that does not hold makes it invalid, "no reading yet".
pub fn derived(layout: &Layout, channel: &Channel, scope: &dyn Scope) -> Reading {
    let value = match &channel.when {
        Some(when) if !holds(layout, when, scope) => Err(Invalid::NoReading),
        _ => calculate(layout, channel, Given::Nothing, scope),
    };
    reading(channel, None, value)
}

/// What a raw value of this channel means: codes first, then states, then the conversion.
///
/// # Errors
/// [`Invalid`] is what a reading would carry.
pub fn convert(layout: &Layout, channel: &Channel, raw: &Raw, scope: &dyn Scope) -> Result<Value, Invalid> {
    let Origin::Field { field, .. } = &channel.origin else {
        return Err(Invalid::NoReading);
    };
    let content = field::content(field, raw);
    if let Some(found) = content.key(raw).and_then(|key| looked_up(channel, |first, last| first <= key && key <= last))
    {
        return found;
    }
    let content = match (content, channel.total) {
        (Content::Whole(whole), Some(rule)) => {
            let raw = u64::try_from(whole).map_err(|_| Invalid::StepTooLarge)?;
            Content::Whole(i128::from(total::total(rule, scope.counted(channel.id), raw)?))
        }
        (content, _) => content,
    };
    let number = match content {
        Content::Text(text) => return Ok(Value::Text(Cow::Owned(text))),
        Content::Bad(invalid) => return Err(invalid),
        Content::Whole(whole) => match &channel.conversion {
            Conversion::Identity => whole as f64,
            Conversion::Affine(affine) => exactly(*affine, whole)?,
            Conversion::Expr(expr) => evaluation(layout, expr, Given::Raw(&content), scope).number()?,
            Conversion::None => return Err(Invalid::Unlisted),
        },
        Content::Float(float) => match &channel.conversion {
            Conversion::Identity => float,
            Conversion::Affine(Affine { scale, offset, divisor }) => {
                arithmetic::finite((float * *scale as f64 + *offset as f64) / *divisor as f64)?
            }
            Conversion::Expr(expr) => evaluation(layout, expr, Given::Raw(&content), scope).number()?,
            Conversion::None => return Err(Invalid::Unlisted),
        },
    };
    Ok(Value::Number(positive_zero(number)))
}

/// Whether a condition holds; an invalid one never does.
pub fn holds(layout: &Layout, condition: &Expr, scope: &dyn Scope) -> bool {
    truth(layout, condition, scope) == Ok(true)
}

/// The truth of a condition over channels.
///
/// # Errors
/// [`Invalid`] says what kept it from having one.
pub fn truth(layout: &Layout, condition: &Expr, scope: &dyn Scope) -> Result<bool, Invalid> {
    evaluation(layout, condition, Given::Nothing, scope).truth()
}

/// The number that an expression over channels gives; finite.
///
/// # Errors
/// [`Invalid`] says what kept it from having one.
pub fn number(layout: &Layout, expr: &Expr, scope: &dyn Scope) -> Result<f64, Invalid> {
    evaluation(layout, expr, Given::Nothing, scope).number().map(positive_zero)
}

/// What an expression over channels gives: a number, or the state or text of the channel that it names.
///
/// # Errors
/// [`Invalid`] says what kept it from having one.
pub fn value(layout: &Layout, expr: &Expr, scope: &dyn Scope) -> Result<Value, Invalid> {
    match evaluation(layout, expr, Given::Nothing, scope).value()? {
        Value::Number(number) => Ok(Value::Number(positive_zero(number))),
        text => Ok(text),
    }
}

fn evaluation<'a>(layout: &'a Layout, expr: &'a Expr, given: Given<'a>, scope: &'a dyn Scope) -> Evaluation<'a> {
    Evaluation { expr, curves: &layout.curves, channels: &layout.channels, given, scope }
}

/// What the parts of a channel mean together.
pub(crate) fn combine(
    layout: &Layout,
    channel: &Channel,
    parts: &[Content],
    scope: &dyn Scope,
) -> Result<Value, Invalid> {
    calculate(layout, channel, Given::Parts(parts), scope)
}

/// A channel without a single raw value: codes and states are looked up on the result.
fn calculate(layout: &Layout, channel: &Channel, given: Given<'_>, scope: &dyn Scope) -> Result<Value, Invalid> {
    let Conversion::Expr(expr) = &channel.conversion else {
        return Err(Invalid::NoReading);
    };
    let number = positive_zero(evaluation(layout, expr, given, scope).number()?);
    match looked_up(channel, |first, last| first as f64 <= number && number <= last as f64) {
        Some(found) => found,
        None if channel.unit.is_none() && !channel.states.is_empty() => Err(Invalid::Unlisted),
        None => Ok(Value::Number(number)),
    }
}

/// The code or state in whose range the value lies.
fn looked_up(channel: &Channel, inside: impl Fn(i128, i128) -> bool) -> Option<Result<Value, Invalid>> {
    let code = channel.invalid.iter().find(|code| inside(code.first, code.last));
    if let Some(code) = code {
        return Some(Err(Invalid::Declared(code.meaning.clone())));
    }
    let state = channel.states.iter().find(|state| inside(state.first, state.last))?;
    Some(Ok(Value::Text(state.name.clone())))
}

/// Exact until the one rounding.
pub(crate) fn exactly(affine: Affine, raw: i128) -> Result<f64, Invalid> {
    let scaled = i128::from(affine.scale).checked_mul(raw);
    let sum = scaled.and_then(|scaled| scaled.checked_add(i128::from(affine.offset)));
    match sum {
        Some(sum) if affine.divisor > 0 => Ok(quotient(sum, i128::from(affine.divisor))),
        Some(_) => Err(Invalid::DivisionByZero),
        None => Err(Invalid::Overflow),
    }
}

fn reading(channel: &Channel, raw: Option<Raw>, value: Result<Value, Invalid>) -> Reading {
    let (unit, decimals) = (channel.unit, channel.decimals);
    Reading { channel: channel.id, raw, value, unit, decimals, age: Duration::ZERO }
}

/// Nobody reads minus zero off a gauge.
fn positive_zero(number: f64) -> f64 {
    number + 0.0
}
