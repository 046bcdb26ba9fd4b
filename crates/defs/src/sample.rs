//! Parts of compiled definitions for tests.

use std::borrow::ToOwned;
use std::vec;
use std::vec::Vec;

use crate::compiled::{
    Affine, Between, Channel, Coding, Conversion, Curve, Every, Field, Layout, List, Origin, Outside,
};
use crate::compiled::{Pattern, Read, Record, Template};
use crate::value::{ChannelId, RecordId};

/// A channel with nothing but a name and an origin.
pub(crate) fn channel(id: u16, name: &str, origin: Origin) -> Channel {
    Channel {
        id: ChannelId(id),
        name: name.to_owned().into(),
        label: "".into(),
        origin,
        when: None,
        invalid: List::default(),
        states: List::default(),
        conversion: Conversion::None,
        unit: None,
        quantity: None,
        reference: None,
        range: None,
        decimals: 0,
        max_age: None,
        inputs: List::default(),
        total: None,
        sent: None,
    }
}

/// A channel of one field of record 0.
pub(crate) fn field_channel(id: u16, name: &str, field: Field, conversion: Conversion) -> Channel {
    let mut channel = channel(id, name, Origin::Field { record: RecordId(0), field });
    channel.conversion = conversion;
    channel
}

/// A field of these bytes, the most significant first, all bits used.
pub(crate) fn field(bytes: &[u16], coding: Coding) -> Field {
    let text = matches!(coding, Coding::Ascii | Coding::Bcd | Coding::Hex);
    let width = if text { 0 } else { 8 * bytes.len() as u8 };
    Field { bytes: bytes.to_vec().into(), coding, low_bit: 0, width }
}

pub(crate) fn curve(name: &'static str, between: Between, outside: Outside) -> Curve {
    Curve { name: name.into(), points: vec![(0.0, 10.0), (10.0, 20.0), (20.0, 0.0)].into(), between, outside }
}

/// A layout of these channels in one record of `length` data bytes.
pub(crate) fn layout(channels: Vec<Channel>, curves: Vec<Curve>, length: u16) -> Layout {
    let record = Record {
        id: RecordId(0),
        read: Read::LocalIdentifier(1),
        request: Template(List::default()),
        answer: Pattern(List::default()),
        length: (length, length),
        reserved: List::default(),
        every: Every::Wanted,
        session: None,
        frame: None,
        channels: channels
            .iter()
            .filter(|channel| channel.origin != Origin::Derived)
            .map(|channel| channel.id)
            .collect(),
    };
    Layout {
        records: vec![Some(record)].into(),
        channels: channels.into_iter().map(Some).collect(),
        curves: curves.into(),
        groups: List::default(),
        faults: None,
        procedures: List::default(),
        several: List::default(),
    }
}

pub(crate) fn affine(scale: i64, offset: i64, divisor: i64) -> Conversion {
    Conversion::Affine(Affine { scale, offset, divisor })
}
