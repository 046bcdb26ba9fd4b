//! All channels of one response.

use alloc::vec::Vec;
use core::fmt;

use super::{Counted, Scope, channel};
use crate::compiled::{Layout, Record};
use crate::value::{ChannelId, Invalid, Reading, Value};

/// The data of a response have another length than the record: nothing of it is decoded.
#[derive(Clone, Copy, PartialEq, Eq, Debug)]
pub struct WrongLength {
    /// Fewest and most bytes that the definition allows.
    pub expected: (u16, u16),
    /// Bytes that came.
    pub came: usize,
}

impl fmt::Display for WrongLength {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        let (least, most) = self.expected;
        match least == most {
            true => write!(f, "the response has {} data bytes, the definition says {least}", self.came),
            false => write!(f, "the response has {} data bytes, the definition says {least} to {most}", self.came),
        }
    }
}

impl core::error::Error for WrongLength {}

/// The readings of a response's data, in file order; `data` begin after the echo.
///
/// A channel whose `when` does not hold has no reading. Where a formula or a `when` reads a channel of the same record,
/// it is this response's; if that has none, the scope's latest.
///
/// ```
/// # use tickover_defs::{Definition, RecordId, decode};
/// # let text = "edition = 1\n[definition]\nid = \"small\"\ntitle = \"Small\"\nrevision = \"1\"\nsource = \"invented\"\n\
/// # [record.engine]\nread = { local_identifier = 1 }\nlength = 2\n\
/// # [channel.engine_speed]\nrecord = \"engine\"\nat = 0\ndata = \"u16be\"\nformula = \"raw / 4\"\nunit = \"/min\"\n";
/// let definition = Definition::parse(text, "small.toml").expect("it reads");
/// let layout = &definition.base;
/// let engine = layout.record(RecordId(0)).expect("the first record");
/// let readings = decode::record(layout, engine, &[0x0D, 0x48], &decode::Nothing)?;
/// assert_eq!(readings[0].number(), Some(850.0));
/// # Ok::<(), decode::WrongLength>(())
/// ```
///
/// # Errors
/// [`WrongLength`]: the data are not of the length that the record has.
pub fn record(layout: &Layout, record: &Record, data: &[u8], scope: &dyn Scope) -> Result<Vec<Reading>, WrongLength> {
    if !(usize::from(record.length.0)..=usize::from(record.length.1)).contains(&data.len()) {
        return Err(WrongLength { expected: record.length, came: data.len() });
    }
    let mut places: Vec<Place> = record
        .channels
        .iter()
        .filter(|id| layout.channel(**id).is_some())
        .map(|id| Place { id: *id, reading: None })
        .collect();
    // Each round decodes the channels whose inputs are there; the compiler has refused circles.
    loop {
        let mut progress = false;
        for place in 0..places.len() {
            let Some((id, found)) = decode_at(layout, &places, place, data, scope) else {
                continue;
            };
            if let Some(place) = places.iter_mut().find(|place| place.id == id) {
                place.reading = Some(found);
                progress = true;
            }
        }
        if !progress {
            break;
        }
    }
    Ok(places.into_iter().filter_map(|place| place.reading.flatten()).collect())
}

/// A channel of the record: not decoded yet, decoded without a reading, or with one.
struct Place {
    id: ChannelId,
    reading: Option<Option<Reading>>,
}

fn decode_at(
    layout: &Layout,
    places: &[Place],
    place: usize,
    data: &[u8],
    scope: &dyn Scope,
) -> Option<(ChannelId, Option<Reading>)> {
    let place = places.get(place).filter(|place| place.reading.is_none())?;
    let definition = layout.channel(place.id)?;
    let waits = |id: &ChannelId| places.iter().any(|other| other.id == *id && other.reading.is_none());
    if definition.inputs.iter().any(waits) {
        return None;
    }
    Some((place.id, channel(layout, definition, data, &Within { places, outer: scope })))
}

/// This response first, then what is known from before.
struct Within<'a> {
    places: &'a [Place],
    outer: &'a dyn Scope,
}

impl Scope for Within<'_> {
    fn latest(&self, channel: ChannelId) -> Result<&Value, Invalid> {
        let here = self.places.iter().find(|place| place.id == channel);
        match here.and_then(|place| place.reading.as_ref()).and_then(Option::as_ref) {
            Some(reading) => reading.value.as_ref().map_err(Clone::clone),
            None => self.outer.latest(channel),
        }
    }

    fn supported(&self, channel: ChannelId) -> bool {
        self.outer.supported(channel)
    }

    fn rate(&self, channel: ChannelId) -> Result<f64, Invalid> {
        self.outer.rate(channel)
    }

    fn counted(&self, channel: ChannelId) -> Option<Counted> {
        self.outer.counted(channel)
    }
}
