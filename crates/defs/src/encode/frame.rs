//! A frame that we send, from the values that its channels say.

use alloc::vec;
use alloc::vec::Vec;
use core::fmt;

use super::{EncodeError, inverse, raw, raw_of};
use crate::compiled::{Channel, Coding, Direction, Field, Layout, Origin, Record, SentOutside, Text};
use crate::decode::{self, Scope};
use crate::value::{Invalid, Raw, Value};

/// Why a frame is not sent.
#[derive(Clone, PartialEq, Debug)]
#[non_exhaustive]
pub enum NotSent {
    /// The record is no frame that we send: the caller's mistake.
    NotOurs,
    /// A channel is invalid and has no code that says so.
    Invalid {
        /// The channel.
        channel: Text,
        /// Why it is invalid.
        why: Invalid,
    },
    /// A value does not fit, and the channel has no code that says so.
    Outside {
        /// The channel.
        channel: Text,
        /// The value, in the channel's unit.
        value: Value,
    },
    /// A channel cannot be written: the definition's mistake.
    Encode {
        /// The channel.
        channel: Text,
        /// Why.
        why: EncodeError,
    },
}

impl fmt::Display for NotSent {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        match self {
            Self::NotOurs => f.write_str("the record is no frame that we send"),
            Self::Invalid { channel, why } => write!(f, "{channel} is invalid and has no code for it: {why}"),
            Self::Outside { channel, value } => {
                write!(f, "{channel} has no code for a value that does not fit: ")?;
                match value {
                    Value::Number(number) => write!(f, "{number}"),
                    Value::Text(text) => write!(f, "'{text}'"),
                }
            }
            Self::Encode { channel, why } => write!(f, "{channel} cannot be written: {why}"),
        }
    }
}

impl core::error::Error for NotSent {}

/// The data of a frame that we send, of the record's one length.
///
/// What no channel writes is filled; each channel carries the raw value nearest to what its `from` gives in `scope`, or
/// its one `invalid` code; then come `count`, in as many bits as the counter has, and the checksum. The counter of a
/// session begins at 0 and goes up by one a frame.
///
/// # Errors
/// [`NotSent`] if a channel is invalid, or does not fit, and has no code to say so.
pub fn frame(layout: &Layout, record: &Record, scope: &dyn Scope, count: u8) -> Result<Vec<u8>, NotSent> {
    let Some((rules, Direction::Sent { fill })) = record.frame.map(|rules| (rules, rules.direction)) else {
        return Err(NotSent::NotOurs);
    };
    let mut data = vec![fill; usize::from(record.length.1)];
    for channel in record.channels.iter().filter_map(|id| layout.channel(*id)) {
        let raw_value = said(layout, channel, scope)?;
        let Origin::Field { field, .. } = &channel.origin else {
            return Err(NotSent::Encode { channel: channel.name.clone(), why: EncodeError::NotInvertible });
        };
        raw(field, &raw_value, &mut data).map_err(|why| NotSent::Encode { channel: channel.name.clone(), why })?;
    }
    if let Some(counter) = rules.counter {
        counter.write(count, &mut data);
    }
    if let Some(checksum) = rules.checksum
        && let (Some(sum), Some(place)) = (checksum.of(&data), data.get_mut(usize::from(checksum.at)))
    {
        *place = sum;
    }
    Ok(data)
}

/// The raw value that a channel carries.
fn said(layout: &Layout, channel: &Channel, scope: &dyn Scope) -> Result<Raw, NotSent> {
    let (Some(sent), Origin::Field { field, .. }) = (&channel.sent, &channel.origin) else {
        return Err(NotSent::Encode { channel: channel.name.clone(), why: EncodeError::NotInvertible });
    };
    let value = match decode::value(layout, &sent.from, scope) {
        Ok(value) => value,
        Err(why) => {
            return code(channel, field).ok_or_else(|| NotSent::Invalid { channel: channel.name.clone(), why });
        }
    };
    match meant(layout, channel, field, &value, sent.outside, scope) {
        Ok(raw) => Ok(raw),
        Err(EncodeError::DoesNotFit | EncodeError::UnknownState { .. }) => {
            code(channel, field).ok_or_else(|| NotSent::Outside { channel: channel.name.clone(), value })
        }
        Err(why) => Err(NotSent::Encode { channel: channel.name.clone(), why }),
    }
}

/// The raw value nearest to a value that is sent.
///
/// # Errors
/// [`EncodeError::DoesNotFit`] and [`EncodeError::UnknownState`] are about the value, all others about the channel.
pub(crate) fn meant(
    layout: &Layout,
    channel: &Channel,
    field: &Field,
    value: &Value,
    outside: SentOutside,
    scope: &dyn Scope,
) -> Result<Raw, EncodeError> {
    let raw = super::wanted(layout, channel, field, value, scope)?;
    let fits = match value {
        Value::Number(number) if outside == SentOutside::Invalid && field.coding != Coding::Float => {
            inverse::fits(layout, channel, field, &raw, *number, scope)
        }
        _ => true,
    };
    if fits { Ok(raw) } else { Err(EncodeError::DoesNotFit) }
}

/// The one raw value that says "no value".
pub(crate) fn code(channel: &Channel, field: &Field) -> Option<Raw> {
    raw_of(field, channel.invalid.first()?.first)
}
