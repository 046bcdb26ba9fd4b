//! What the cores cost: a message, a response decoded, a definition read, a minute of a line in virtual time.
//!
//! `cargo bench -p tickover-benches`. Benchmarks measure speed and assert nothing about it.
#![allow(missing_docs)] // criterion's macros make public items

use std::hint::black_box;
use std::path::Path;

use criterion::{Criterion, Throughput, criterion_group, criterion_main};
use tickover::bench::{Line, Options, Simulated};
use tickover::defs::Definition;
use tickover::defs::decode::{self, Nothing};
use tickover::framing::Instant;
use tickover::framing::drive::Port;
use tickover::framing::kline::message::MessageView;
use tickover::framing::transport::Reach;
use tickover::session::{Rate, Session};

fn path(name: &str) -> String {
    let path = Path::new(env!("CARGO_MANIFEST_DIR")).join("../defs").join(name);
    path.display().to_string()
}

fn definition() -> Definition {
    Definition::load(path("bramble-40.toml")).unwrap_or_else(|report| panic!("{report:?}"))
}

fn message(c: &mut Criterion) {
    let bytes = [0x83, 0xF1, 0x1C, 0xC1, 0xE9, 0x8F, 0xC9];
    c.bench_function("parse a K-line message of 7 bytes", |b| b.iter(|| MessageView::parse(black_box(&bytes)).is_ok()));
}

fn record(c: &mut Criterion) {
    let definition = definition();
    let layout = &definition.base;
    let longest = layout.records.iter().flatten().max_by_key(|record| record.channels.len());
    let Some(record) = longest else { return };
    let data = vec![0x40; usize::from(record.length.0)];
    let mut group = c.benchmark_group("decode");
    group.throughput(Throughput::Elements(record.channels.len() as u64));
    group.bench_function("the record with the most channels", |b| {
        b.iter(|| decode::record(layout, record, black_box(&data), &Nothing));
    });
    group.finish();
}

fn read(c: &mut Criterion) {
    let text = std::fs::read_to_string(path("bramble-40.toml")).unwrap_or_default();
    let mut group = c.benchmark_group("definition");
    group.throughput(Throughput::Bytes(text.len() as u64)).sample_size(20);
    group.bench_function("read, check and compile", |b| b.iter(|| Definition::parse(black_box(&text), "bramble-40")));
    group.finish();
}

fn minute(c: &mut Criterion) {
    let definition = definition();
    let mut group = c.benchmark_group("virtual time");
    group.sample_size(10);
    group.bench_function("one minute of bramble-40, both sides", |b| b.iter(|| minute_of(&definition)));
    group.finish();
}

fn minute_of(definition: &Definition) -> u64 {
    let watched = ["engine_speed", "coolant"].map(|name| definition.channel(name));
    let mut session = watched
        .into_iter()
        .flatten()
        .fold(Session::new(definition.clone()), |session, channel| session.watch(channel, Rate::Fastest));
    let mut line = Line::new(Reach::IDEAL);
    match Simulated::new(definition, &Options::default(), Instant::ORIGIN) {
        Ok(unit) => line.attach(unit),
        Err(error) => panic!("{error:?}"),
    };
    session.connect(line.now(), line.reach());
    line.drive(&mut session, Instant::from_nanos(60_000_000_000), |_, _| None::<()>);
    session.report(line.now()).responses
}

criterion_group!(cores, message, record, read, minute);
criterion_main!(cores);
