//! Units that only send their frames, heard by nobody in particular.

use core::time::Duration;

use tickover_defs::{Definition, Value, decode};
use tickover_framing::Instant;
use tickover_framing::can::{Frame, Id};
use tickover_framing::drive::{Port, Woke};
use tickover_framing::transport::Reach;

use super::super::{Options, Simulated};
use crate::bus::Bus;

const FLAX: &str = r#"
edition = 1
[definition]
id = "flax-7"
title = "Flax 7 drive bus"
revision = "1"
source = "invented"
[line]
type = "can"
bit_rate = 500000
[record.drive]
read = { frame = "1B4" }
every = "10 ms"
length = 8
counter = { at = 6, bits = "0..3" }
checksum = { at = 7, method = "xor8", over = "0..6", start = 0x5C }
reserved = ["2..5"]
[channel.engine_speed]
record = "drive"
at = 0
data = "u16le"
formula = "raw / 4"
unit = "/min"
[channel.brake]
record = "drive"
at = 6
data = "u8"
bits = "4..7"
states = { 0 = "off", 1 = "on" }
[record.paged]
read = { frame = "14A8C201" }
every = "50 ms"
length = 3
[channel.page]
record = "paged"
at = 0
data = "u8"
states = { 0 = "temperatures", 1 = "supply" }
[channel.coolant]
record = "paged"
when = "page == 'temperatures'"
at = 1
data = "u16be"
formula = "raw / 10 - 40"
unit = "Cel"
[channel.battery]
record = "paged"
when = "page == 'supply'"
at = 1
data = "u16be"
formula = "raw / 1000"
unit = "V"
[record.fuel]
read = { frame = "2C6" }
every = "20 ms"
length = 2
[channel.fuel_used]
record = "fuel"
at = 0
data = "u16be"
total = { last = 0xFFEF, largest_step = 4000 }
formula = "raw / 1000"
unit = "mL"
[record.doors]
read = { frame = "3A0" }
every = "on event"
length = 1
[channel.door]
record = "doors"
at = 0
data = "u8"
states = { 0 = "closed", 1 = "open" }
"#;

fn flax() -> Definition {
    Definition::parse(FLAX, "flax-7.toml").unwrap_or_else(|report| panic!("{report}"))
}

/// The frames of this time with their ends.
fn listen(bus: &mut Bus<Simulated>, time: Duration) -> Vec<(Instant, Frame)> {
    let until = bus.now().after(time);
    let mut frames = Vec::new();
    loop {
        match bus.wait(Some(until), &mut []) {
            Woke::Frame { end, frame } => frames.push((end, frame)),
            Woke::Deadline { .. } => return frames,
            other => panic!("{other:?}"),
        }
    }
}

fn bus(options: &Options) -> Bus<Simulated> {
    let mut bus = Bus::new(Reach::IDEAL, 500_000);
    bus.attach(Simulated::new(&flax(), options, Instant::ORIGIN).expect("a unit"));
    bus
}

#[test]
fn every_frame_comes_at_its_period_and_one_on_event_once() {
    let frames = listen(&mut bus(&Options::default()), Duration::from_secs(1));
    let count = |id: Id| frames.iter().filter(|(_, frame)| frame.id == id).count();
    let counts = [Id::Standard(0x1B4), Id::Extended(0x14A8_C201), Id::Standard(0x2C6), Id::Standard(0x3A0)].map(count);
    assert_eq!(counts, [100, 20, 50, 1]);
    let drive: Vec<Instant> =
        frames.iter().filter(|(_, frame)| frame.id == Id::Standard(0x1B4)).map(|(end, _)| *end).collect();
    let jitter = Duration::from_micros(640);
    let is_kept = |pair: &[Instant]| pair[1].since(pair[0]).abs_diff(Duration::from_millis(10)) <= jitter;
    assert!(drive.windows(2).all(is_kept), "others are in the way for two frames at most");
}

#[test]
fn counters_checksums_pages_and_totals_are_as_a_listener_checks_them() {
    let definition = flax();
    let frames = listen(&mut bus(&Options::default()), Duration::from_secs(2));
    let layout = &definition.base;
    let record = |name: &str| {
        let place = definition.records.iter().position(|record| record == name).expect("it is there");
        layout.records[place].as_ref().expect("it is there")
    };
    let (drive, paged, fuel) = (record("drive"), record("paged"), record("fuel"));
    let (mut last, mut pages, mut raws) = (None, Vec::new(), Vec::new());
    for (_, frame) in &frames {
        let data = frame.data.as_slice();
        match frame.id {
            Id::Standard(0x1B4) => {
                let rules = drive.frame.expect("a frame");
                assert_eq!(decode::frame(drive, &rules, data, &mut last), Ok(()), "{frame}");
                let readings = decode::record(layout, drive, data, &decode::Nothing).expect("its length");
                let Ok(Value::Number(speed)) = readings[0].value else { panic!("{readings:?}") };
                assert!((100.0..7_000.0).contains(&speed));
            }
            Id::Extended(_) => {
                assert_eq!(data.len(), usize::from(paged.length.1));
                pages.push(data[0]);
                let raw = u16::from_be_bytes([data[1], data[2]]);
                let plausible = if data[0] == 0 { 550..1_400 } else { 9_000..15_500 };
                assert!(plausible.contains(&raw), "page {}: {raw}", data[0]);
            }
            Id::Standard(0x2C6) => {
                assert_eq!(data.len(), usize::from(fuel.length.1));
                raws.push(u16::from_be_bytes([data[0], data[1]]));
            }
            _ => {}
        }
    }
    assert!(pages.windows(2).all(|pair| pair[0] != pair[1]), "in turn: {pages:?}");
    assert!(raws.windows(2).all(|pair| pair[1] >= pair[0]) && raws.last() > raws.first(), "{raws:?}");
}

#[test]
fn the_truth_has_every_frame_with_its_start_and_its_values() {
    let mut bus = bus(&Options { name: Some("drive".to_owned()), ..Options::default() });
    let frames = listen(&mut bus, Duration::from_millis(200));
    let truths = bus.unit_mut(0).expect("one unit").take_truths();
    let heard: Vec<&[u8]> = frames.iter().map(|(_, frame)| frame.data.as_slice()).collect();
    assert_eq!(truths.iter().map(|truth| &*truth.response).collect::<Vec<_>>(), heard);
    for (truth, (end, frame)) in truths.iter().zip(&frames) {
        assert_eq!((truth.at.after(frame.time(500_000, None)), &*truth.unit), (*end, "drive"));
        assert!(truth.values.iter().all(|(_, value)| value.is_ok()), "{truth:?}");
    }
}

/// Every frame that a definition of many shapes says is heard: decoded by the definition's own rules, none invalid.
#[test]
fn a_bus_of_many_frames_is_sent_as_its_definition_reads_it() {
    let path = format!("{}/../../tests/defs_ok/tansy-bus.toml", env!("CARGO_MANIFEST_DIR"));
    let definition = Definition::load(path).unwrap_or_else(|report| panic!("{report}"));
    let mut bus = Bus::new(Reach::IDEAL, 500_000);
    bus.attach(Simulated::new(&definition, &Options::default(), Instant::ORIGIN).expect("a unit"));
    let frames = listen(&mut bus, Duration::from_secs(2));
    let truths = bus.unit_mut(0).expect("one unit").take_truths();
    assert_eq!(truths.len(), frames.len());
    let mut counts = std::collections::BTreeMap::new();
    for truth in &truths {
        *counts.entry(&*truth.name).or_insert(0) += 1;
        for (name, value) in &truth.values {
            assert!(value.is_ok(), "{}: {name} is {value:?} in {:02X?}", truth.name, truth.response);
        }
    }
    let expected = [("brakes", 100), ("drive", 200), ("paged", 40), ("torque", 100)];
    assert_eq!(counts.into_iter().collect::<Vec<_>>(), expected, "what we send is not among them");
    let load = bus.take_load().share();
    // 60 900 bits of 2 us in two seconds: 240 frames of 135 bits, 100 of 125, 100 of 160 (computed by hand).
    assert!((load - 0.0609).abs() < 1e-9, "{load}");
}
