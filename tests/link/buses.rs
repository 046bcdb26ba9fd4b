//! CAN buses that are lost under a session and come back: an adapter pulled out, a server gone.

use std::io::Write;
use std::sync::{Arc, Mutex};
use std::time::Duration;

use serde_json::Value as Json;
use tickover::bench::real_time::{BenchUnit, Door, TruthSink};
use tickover::defs::Value;
use tickover::framing::Instant;
use tickover::framing::contract::Hex;
use tickover::link::{self, Connection, LivePort, Options, Reopen};
use tickover::session::NoteKind;

use super::loss::Name;
use super::relay::Relay;
use super::*;

/// What the units of a test sent, as their truth says it.
#[derive(Clone, Default)]
struct Truth(Arc<Mutex<Vec<u8>>>);

impl Write for Truth {
    fn write(&mut self, bytes: &[u8]) -> std::io::Result<usize> {
        self.0.lock().expect("no panic").extend_from_slice(bytes);
        Ok(bytes.len())
    }

    fn flush(&mut self) -> std::io::Result<()> {
        Ok(())
    }
}

impl Truth {
    fn sink(&self) -> Option<TruthSink> {
        Some(Box::new(self.clone()))
    }

    /// Answers sent from an instant on.
    fn since(&self, at: Instant) -> Vec<Json> {
        let text = String::from_utf8(self.0.lock().expect("no panic").clone()).expect("JSON is UTF-8");
        let answers = text.lines().map(|line| serde_json::from_str::<Json>(line).expect("a line of JSON"));
        answers.filter(|answer| answer["time"].as_f64().expect("seconds") >= at.as_nanos() as f64 / 1e9).collect()
    }
}

fn bramble_62() -> Definition {
    let file = Path::new(env!("CARGO_MANIFEST_DIR")).join("../defs/bramble-62.toml");
    Definition::load(file).unwrap_or_else(|report| panic!("{report}"))
}

fn bench_of(definition: &Definition, door: Door<'_>, clock: Clock, truth: &Truth) -> Bench {
    let unit = BenchUnit { definition, options: UnitOptions::default() };
    Bench::start_all(&[unit], door, clock, truth.sink()).expect("a bench")
}

/// Four records: one frame, several frames, and what changes all the time.
fn watching_four(definition: &Definition) -> Session {
    ["engine_speed", "short_trim", "fuel_used", "learned_trim.20.800"].iter().fold(
        Session::new(definition.clone()),
        |session, name| {
            let channel = definition.channel(name).expect("bramble-62 has it");
            session.watch(channel, Rate::Fastest)
        },
    )
}

fn open(session: Session, port: Box<dyn LivePort>) -> Connection {
    Options::default().reopen(Reopen::Every(Duration::from_millis(50))).open(session, port).expect("a thread")
}

const ENOUGH: usize = 24;

fn rows(items: &mut Items, notes: &mut Vec<Note>) -> Vec<Row> {
    (0..ENOUGH).map(|_| next_row(items, notes)).collect()
}

/// Each row is one of the answers, in their order, with its bytes and its values.
fn assert_sent(definition: &Definition, rows: &[Row], answers: &[Json]) {
    let mut places = std::collections::BTreeMap::new();
    for row in rows {
        let name = definition.record_name(row.record);
        let place: &mut usize = places.entry(name.to_owned()).or_default();
        let bytes = Hex(&row.response).to_string();
        let found =
            answers.iter().skip(*place).position(|answer| answer["record"] == name && answer["response"] == *bytes);
        let found = *place + found.unwrap_or_else(|| panic!("{name} at {}: never sent: {bytes}", row.at));
        *place = found + 1;
        assert!(!row.readings.is_empty());
        for reading in &row.readings {
            let channel = definition.channel_name(reading.channel);
            let sent = &answers[found]["values"][channel];
            match &reading.value {
                Ok(Value::Number(number)) => assert_eq!(sent.as_f64(), Some(*number), "{channel}"),
                Ok(Value::Text(text)) => assert_eq!(sent.as_str(), Some(&**text), "{channel}"),
                Err(reason) => assert_eq!(sent["invalid"].as_str(), Some(&*reason.to_string()), "{channel}"),
            }
        }
    }
}

/// Has the line lost and given back under a session that reads; what it hands out is of the unit and of the time.
fn outlives(definition: &Definition, connection: &Connection, truth: &Truth, lose: impl FnOnce(), back: impl FnOnce()) {
    let (mut items, mut notes) = (connection.items(), Vec::new());
    let mut before = rows(&mut items, &mut notes);
    let counted = connection.report().expect("it runs");
    lose();
    let lost = loop {
        match items.next().expect("it is tried again").expect("it is tried again") {
            Item::Row(row) => before.push(row),
            Item::Note(note) if note.kind == NoteKind::Lost => break note,
            Item::Note(_) => {}
        }
    };
    assert_eq!(lost.text, "the port is gone", "{lost}");
    // Nothing but words until it is back.
    let Some(Ok(Item::Note(missing))) = items.next() else { panic!("that it is not there is told") };
    assert!(missing.kind == NoteKind::Lost && missing.text.ends_with("; tried again every 0.1 s"), "{missing}");
    back();
    let Some(Ok(Item::Note(again))) = items.next() else { panic!("that it is back is told") };
    assert_eq!(again.kind, NoteKind::Reconnecting, "{again}");
    assert!(again.text.contains(" is open again after "), "the gap is told: {again}");

    notes.clear();
    let after = rows(&mut items, &mut notes);
    assert!(after.iter().all(|row| row.at > again.at), "nothing from before is handed out now");
    let report = connection.report().expect("it runs");
    let mut answers: Vec<Instant> = after.iter().map(|row| row.at).collect();
    answers.dedup();
    assert!(report.responses >= counted.responses + answers.len() as u64, "counts go on: {counted:?} {report:?}");
    assert_eq!((counted.reconnections, report.reconnections), (0, 1), "{notes:#?}");
    connection.close().expect("the unit is there");
    assert_sent(definition, &before, &truth.since(Instant::ORIGIN));
    assert_sent(definition, &after, &truth.since(again.at));
}

#[test]
fn a_session_outlives_an_slcan_adapter_that_is_pulled_out_and_put_in_again() {
    let (definition, clock, truth, name) = (bramble_62(), Clock::start(), Truth::default(), Name::of("slcan"));
    let plug_in = || {
        let bench = bench_of(&definition, Door::Terminal, clock, &truth);
        name.point_to(bench.path().strip_prefix("slcan:").expect("a bus"));
        bench
    };
    let first = plug_in();
    let port = link::open_at(&format!("slcan:{}", name.path()), clock).expect("an adapter that answers");
    let connection = open(watching_four(&definition), port);
    let mut second = None;
    let pull_out = || {
        name.point_nowhere();
        drop(first);
    };
    outlives(&definition, &connection, &truth, pull_out, || second = Some(plug_in()));
}

#[test]
fn a_session_outlives_a_server_that_goes_and_comes_back() {
    let (definition, clock, truth) = (bramble_62(), Clock::start(), Truth::default());
    let bench = bench_of(&definition, Door::Socketcand, clock, &truth);
    let (server, bus) = bench.path().strip_prefix("socketcand:").and_then(|path| path.split_once('/')).expect("a bus");
    let relay = Relay::to(server.parse().expect("an address"));
    let port = link::open_at(&format!("socketcand:{}/{bus}", relay.address), clock).expect("a server");
    let connection = open(watching_four(&definition), port);
    outlives(&definition, &connection, &truth, || relay.cut(), || relay.restore());
}
