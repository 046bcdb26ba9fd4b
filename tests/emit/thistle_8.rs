//! Written by the emitter from `thistle-8.toml`.

/// Thistle 8, a unit with declared framing, revision 0.1.0.
#[allow(clippy::approx_constant)]
pub static THISTLE_8: ::tickover_defs::Definition = {
    #[allow(unused_imports, clippy::wildcard_imports)]
    use ::tickover_defs::emitted::*;
    Definition {
        id: Cow::Borrowed("thistle-8"),
        title: Cow::Borrowed("Thistle 8, a unit with declared framing"),
        revision: Cow::Borrowed("0.1.0"),
        source: Cow::Borrowed("invented for the test of emitted definitions"),
        line: Some(Line::KLine(KLine {
            line: kline::Line {
                baud: 9600,
                parity: Parity::Even,
                stop_bits: 1,
                init: kline::Init::None,
                unit: 77,
                functional: None,
                tester: 0,
                framing: kline::Framing::Declared(kline::BlockFraming {
                    fields: [kline::BlockField::Unit, kline::BlockField::Constant(156), kline::BlockField::Length, kline::BlockField::Data, kline::BlockField::Checksum, kline::BlockField::Constant(0), kline::BlockField::Constant(0), kline::BlockField::Constant(0)],
                    count: 5,
                    length_counts: kline::LengthCounts::AfterLength,
                    checksum: kline::Checksum::NegatedSum8,
                }),
                timing: kline::Timing {
                    p1_max: Duration::new(0, 20000000),
                    p2_min: Duration::new(0, 25000000),
                    p2_max: Duration::new(0, 50000000),
                    p2_star_max: Duration::new(5, 0),
                    p3_min: Duration::new(0, 55000000),
                    p3_max: Some(Duration::new(5, 0)),
                    p4_min: Duration::new(0, 5000000),
                    p4_max: Duration::new(0, 20000000),
                    w0_min: Duration::new(0, 2000000),
                    w1_min: Duration::new(0, 60000000),
                    w1_max: Duration::new(0, 300000000),
                    w2_min: Duration::new(0, 5000000),
                    w2_max: Duration::new(0, 20000000),
                    w3_min: Duration::new(0, 0),
                    w3_max: Duration::new(0, 20000000),
                    w4_min: Duration::new(0, 25000000),
                    w4_max: Duration::new(0, 50000000),
                    w5_min: Duration::new(0, 300000000),
                    t_idle: Duration::new(0, 300000000),
                    t_inil: Duration::new(0, 25000000),
                    t_wup: Duration::new(0, 50000000),
                },
            },
            services: None,
            keep_alive: Some(KeepAlive {
                send: Cow::Borrowed(&[160]),
                expect: Some(Pattern(Cow::Borrowed(&[
                    PatternByte::Is(176),
                ]))),
                every: Duration::new(1, 500000000),
            }),
            effects: Cow::Borrowed(&[
                (160, Effect::Session),
                (164, Effect::Reads),
            ]),
            refusal: Some(Refusal {
                prefix: Cow::Borrowed(&[191]),
                meanings: Cow::Borrowed(&[
                    (1, Cow::Borrowed("not understood")),
                ]),
            }),
        })),
        sessions: Cow::Borrowed(&[]),
        channels: Cow::Borrowed(&[
            Cow::Borrowed("load"),
        ]),
        arrays: Cow::Borrowed(&[]),
        records: Cow::Borrowed(&[
            Cow::Borrowed("engine"),
        ]),
        base: Layout {
            records: Cow::Borrowed(&[
                Some(Record {
                    id: RecordId(0),
                    read: Read::Request,
                    request: Template(Cow::Borrowed(&[
                        TemplatePart::Byte(164),
                    ])),
                    answer: Pattern(Cow::Borrowed(&[
                        PatternByte::Is(180),
                    ])),
                    length: (1, 1),
                    reserved: Cow::Borrowed(&[]),
                    every: Every::Wanted,
                    session: None,
                    channels: Cow::Borrowed(&[ChannelId(0)]),
                    frame: None,
                }),
            ]),
            channels: Cow::Borrowed(&[
                Some(Channel {
                    id: ChannelId(0),
                    name: Cow::Borrowed("load"),
                    label: Cow::Borrowed("load"),
                    origin: Origin::Field {
                        record: RecordId(0),
                        field: Field {
                            bytes: Cow::Borrowed(&[0]),
                            coding: Coding::Unsigned,
                            low_bit: 0,
                            width: 8,
                        },
                    },
                    when: None,
                    invalid: Cow::Borrowed(&[]),
                    states: Cow::Borrowed(&[]),
                    conversion: Conversion::Affine(Affine {
                        scale: 20,
                        offset: 0,
                        divisor: 51,
                    }),
                    unit: Some(UnitCode(1)),
                    quantity: None,
                    reference: None,
                    range: None,
                    decimals: 1,
                    max_age: None,
                    inputs: Cow::Borrowed(&[]),
                    total: None,
                    sent: None,
                }),
            ]),
            curves: Cow::Borrowed(&[]),
            groups: Cow::Borrowed(&[]),
            faults: None,
            procedures: Cow::Borrowed(&[]),
            several: Cow::Borrowed(&[]),
        },
        variants: Cow::Borrowed(&[]),
    }
};
