//! A definition compiled in: one record of one channel.

use alloc::borrow::Cow;

use tickover_defs::compiled::line::Services;
use tickover_defs::compiled::{
    Affine, Channel, Coding, Conversion, Definition, Every, Field, KLine, Layout, Line, Origin, Pattern, PatternByte,
    Read, Record, Template, TemplatePart, UnitCode,
};
use tickover_defs::{ChannelId, RecordId};
use tickover_framing::kline;

const fn none<T: Clone>() -> Cow<'static, [T]> {
    Cow::Borrowed(&[])
}

const ENGINE: Record = Record {
    id: RecordId(0),
    read: Read::LocalIdentifier(0x01),
    request: Template(Cow::Borrowed(&[TemplatePart::Byte(0x21), TemplatePart::Byte(0x01)])),
    answer: Pattern(Cow::Borrowed(&[PatternByte::Is(0x61), PatternByte::Is(0x01)])),
    length: (2, 2),
    reserved: none(),
    every: Every::Wanted,
    session: None,
    channels: Cow::Borrowed(&[ChannelId(0)]),
    frame: None,
};

const ENGINE_SPEED: Channel = Channel {
    id: ChannelId(0),
    name: Cow::Borrowed("engine_speed"),
    label: Cow::Borrowed("Engine speed"),
    origin: Origin::Field {
        record: RecordId(0),
        field: Field { bytes: Cow::Borrowed(&[0, 1]), coding: Coding::Unsigned, low_bit: 0, width: 16 },
    },
    when: None,
    invalid: none(),
    states: none(),
    conversion: Conversion::Affine(Affine { scale: 1, offset: 0, divisor: 4 }),
    unit: Some(UnitCode::ONE),
    quantity: None,
    reference: None,
    range: None,
    decimals: 2,
    max_age: None,
    inputs: none(),
    total: None,
    sent: None,
};

pub(crate) static DEFINITION: Definition = Definition {
    id: Cow::Borrowed("bare"),
    title: Cow::Borrowed("One record of one channel"),
    revision: Cow::Borrowed("1"),
    source: Cow::Borrowed("invented"),
    line: Some(Line::KLine(KLine {
        line: kline::Line::iso14230(0x1C, 0xF1),
        services: Some(Services::Iso14230),
        keep_alive: None,
        effects: none(),
        refusal: None,
    })),
    sessions: none(),
    channels: Cow::Borrowed(&[Cow::Borrowed("engine_speed")]),
    arrays: none(),
    records: Cow::Borrowed(&[Cow::Borrowed("engine")]),
    base: Layout {
        records: Cow::Borrowed(&[Some(ENGINE)]),
        channels: Cow::Borrowed(&[Some(ENGINE_SPEED)]),
        curves: none(),
        groups: none(),
        faults: None,
        procedures: none(),
        several: none(),
    },
    variants: none(),
};
