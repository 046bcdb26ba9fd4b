//! From a wanted value to the bytes that mean it: what a simulated unit answers with.
//!
//! Only the bits of the field change. What cannot be inverted says so; the value that comes back is what the bytes now
//! mean, so a caller sees what rounding or a full field made of its wish.

mod error;
pub(crate) mod frame;
mod inverse;
#[cfg(test)]
mod tests;
mod write;

use crate::compiled::{Channel, Coding, Field, Layout, Origin};
use crate::decode::{self, Scope};
use crate::value::{Raw, Value};

pub use error::EncodeError;
pub use frame::{NotSent, frame};
#[cfg(feature = "std")]
pub(crate) use write::limits;
pub use write::raw;
pub(crate) use write::raw_of;

/// Writes a value of a channel into a record's data and says what the data now mean: the nearest value that the field
/// can hold, or exactly the wanted state or text.
///
/// ```
/// # use tickover_defs::{Definition, Value, decode::Nothing, encode};
/// # let text = "edition = 1\n[definition]\nid = \"small\"\ntitle = \"Small\"\nrevision = \"1\"\nsource = \"invented\"\n\
/// # [record.engine]\nread = { local_identifier = 1 }\nlength = 2\n\
/// # [channel.engine_speed]\nrecord = \"engine\"\nat = 0\ndata = \"u16be\"\nformula = \"raw / 4\"\nunit = \"/min\"\n";
/// let definition = Definition::parse(text, "small.toml").expect("it reads");
/// let layout = &definition.base;
/// let speed = layout.channels[0].as_ref().expect("the first channel");
/// let mut data = [0; 2];
/// let meant = encode::channel(layout, speed, &Value::Number(850.1), &Nothing, &mut data)?;
/// assert_eq!((meant, data), (Value::Number(850.0), [0x0D, 0x48]));
/// # Ok::<(), encode::EncodeError>(())
/// ```
///
/// # Errors
/// [`EncodeError`] says why nothing was written: a derived channel, a `when` that does not hold, a state or text that
/// the field cannot hold, a conversion without an inverse, data that end before the field.
pub fn channel(
    layout: &Layout,
    channel: &Channel,
    value: &Value,
    scope: &dyn Scope,
    data: &mut [u8],
) -> Result<Value, EncodeError> {
    if channel.when.as_ref().is_some_and(|when| !decode::holds(layout, when, scope)) {
        return Err(EncodeError::NotPresent);
    }
    match &channel.origin {
        Origin::Derived => return Err(EncodeError::Derived),
        Origin::Field { field, .. } => {
            let wanted = wanted(layout, channel, field, value, scope)?;
            raw(field, &wanted, data)?;
        }
        Origin::Parts { parts, .. } => {
            let Value::Number(number) = value else {
                return Err(EncodeError::NotANumber);
            };
            inverse::parts(layout, channel, parts, *number, scope, data)?;
        }
    }
    match decode::channel(layout, channel, data, scope).map(|reading| reading.value) {
        Some(Ok(value)) => Ok(value),
        Some(Err(invalid)) => Err(EncodeError::Invalid(invalid)),
        None => Err(EncodeError::NotPresent),
    }
}

/// Writes the raw value that the definition declares invalid with this meaning.
///
/// # Errors
/// [`EncodeError::NoSuchCode`] if the channel has no such code, or no single field to write it to.
pub fn invalid(channel: &Channel, meaning: &str, data: &mut [u8]) -> Result<(), EncodeError> {
    let code = channel.invalid.iter().find(|code| code.meaning == meaning);
    let (Some(code), Origin::Field { field, .. }) = (code, &channel.origin) else {
        return Err(EncodeError::NoSuchCode);
    };
    let wanted = raw_of(field, code.first).ok_or(EncodeError::NoSuchCode)?;
    raw(field, &wanted, data)
}

fn wanted(
    layout: &Layout,
    channel: &Channel,
    field: &Field,
    value: &Value,
    scope: &dyn Scope,
) -> Result<Raw, EncodeError> {
    match value {
        Value::Number(number) if number.is_finite() => inverse::field(layout, channel, field, *number, scope),
        Value::Number(_) => Err(EncodeError::NotANumber),
        Value::Text(text) => match field.coding {
            Coding::Ascii => write::ascii(field, text),
            Coding::Hex => write::hex(field, text),
            _ => {
                let state = channel.states.iter().find(|state| state.name == *text);
                let raw = state.and_then(|state| raw_of(field, state.first));
                raw.ok_or_else(|| EncodeError::UnknownState { wanted: text.clone() })
            }
        },
    }
}
