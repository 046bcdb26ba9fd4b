//! A session in real time: over a pseudo-terminal through the serial link, and over the line in process.
//! Values and order are asserted, never speed.

use std::io::Write;
use std::sync::{Arc, Mutex};
use std::time::Duration;

use tickover::bench::real_time::{LIVE_REACH, LiveLine};
use tickover::bench::{Bench, Line, Options, Simulated};
use tickover::defs::{Definition, Value};
use tickover::framing::contract::Hex;
use tickover::link::{Clock, Connection, Item, Next, Serial};
use tickover::session::Row;

use crate::virtual_line::{definition, watch_all};

/// A truth file in memory.
#[derive(Clone, Default)]
struct Shared(Arc<Mutex<Vec<u8>>>);

impl Write for Shared {
    fn write(&mut self, bytes: &[u8]) -> std::io::Result<usize> {
        self.0.lock().expect("no panic").write(bytes)
    }

    fn flush(&mut self) -> std::io::Result<()> {
        Ok(())
    }
}

/// Takes rows until there are `count`, closes, and gives them back.
fn rows_of(connection: &Connection, count: usize) -> Vec<Row> {
    let (mut rows, mut notes, mut items) = (Vec::new(), Vec::<String>::new(), connection.items());
    while rows.len() < count {
        match items.next_within(Duration::from_secs(20)) {
            Next::Item(Ok(Item::Row(row))) => rows.push(row),
            Next::Item(Ok(Item::Note(note))) => notes.push(note.to_string()),
            other => panic!("{other:?} after {} rows; {notes:#?}", rows.len()),
        }
    }
    connection.close().expect("closed in order");
    rows
}

/// Each row is the next, or a later, line of its record in the truth.
fn assert_in_truth(definition: &Definition, rows: &[Row], truth: &str) {
    let lines: Vec<serde_json::Value> = truth.lines().map(|line| serde_json::from_str(line).expect("JSON")).collect();
    for record in &*definition.records {
        let mut lines = lines.iter().filter(|line| line["record"] == **record);
        for row in rows.iter().filter(|row| definition.record_name(row.record) == record) {
            let response = Hex(&row.response).to_string();
            let line = lines.find(|line| line["response"] == response);
            let line = line.unwrap_or_else(|| panic!("{record} {response} was not sent in this order"));
            for (name, value) in line["values"].as_object().expect("an object") {
                let reading = row.get(definition.channel(name).expect("its own name")).expect("in its row");
                match &reading.value {
                    Ok(Value::Number(number)) => assert_eq!(value.as_f64(), Some(*number), "{name}"),
                    Ok(Value::Text(text)) => assert_eq!(value, &**text, "{name}"),
                    Err(reason) => assert_eq!(value["invalid"], reason.to_string(), "{name}"),
                }
            }
        }
    }
}

#[cfg(unix)]
#[test]
fn rows_over_a_pseudo_terminal_are_what_the_unit_sent_and_the_next_tester_is_served() {
    for (name, entered) in [("bramble-40", Some("fast")), ("thistle-9", None)] {
        let definition = definition(name);
        let (truth, clock) = (Shared::default(), Clock::start());
        let sink = Box::new(truth.clone());
        let bench = Bench::start(&definition, Options::default(), clock, Some(sink)).expect("a bench");
        let mut rows = Vec::new();
        for _ in 0..2 {
            let mut session = watch_all(&definition, &definition.variants[0].layout);
            if let Some(entered) = entered {
                session = session.enter(entered).expect("its own session");
            }
            let port = Serial::open_at(bench.path(), clock).expect("it opens");
            let connection = Connection::open(session, port).expect("a thread");
            rows.extend(rows_of(&connection, 20));
        }
        let tally = bench.stop().expect("no trouble");
        let truth = String::from_utf8(truth.0.lock().expect("no panic").clone()).expect("UTF-8");
        assert_eq!(tally.answers, truth.lines().count() as u64);
        assert_in_truth(&definition, &rows, &truth);
    }
}

#[test]
fn rows_over_the_line_in_process_are_what_the_unit_sent() {
    let definition = definition("thistle-9");
    let clock = Clock::start();
    let mut line = Line::new(LIVE_REACH);
    line.pass_until(clock.now());
    line.attach(Simulated::new(&definition, &Options::default(), clock.now()).expect("a unit"));
    let session = watch_all(&definition, &definition.variants[0].layout);
    let connection = Connection::open(session, LiveLine::new(line, clock, "bench")).expect("a thread");
    let rows = rows_of(&connection, 20);
    assert!(rows.windows(2).all(|pair| pair[0].at < pair[1].at));
    assert!(rows.iter().flat_map(|row| &row.readings).any(|reading| reading.number().is_some()));
}

#[test]
fn a_unit_that_is_woken_at_five_baud_is_refused_by_a_bench_without_pulses() {
    let table = "init = \"five-baud\"\nfive_baud = { address = 0x2E, unit_confirms = true }";
    let text = include_str!("../defs/bramble-40.toml").replace("init = \"fast\"", table);
    let definition = Definition::parse(&text, "bramble-40.toml").expect("a definition");
    let refused = Bench::start(&definition, Options::default(), Clock::start(), None).expect_err("no such bench");
    assert!(refused.to_string().starts_with("definition: 'bramble-40' is woken at five baud"), "{refused}");
}

#[cfg(unix)]
#[test]
fn a_definition_for_can_on_a_port_for_bytes_is_refused_with_what_to_open_instead() {
    let bench = Bench::start(&definition("bramble-40"), Options::default(), Clock::start(), None).expect("a bench");
    let port = Serial::open(bench.path()).expect("the bench's port");
    let session = tickover::Session::new(definition("bramble-62"));
    let sentence = Connection::open(session, port).expect_err("refused").to_string();
    let name = bench.path();
    assert_eq!(
        sentence,
        format!(
            "{name} is opened as a pseudo-terminal for a K-line, and definition 'bramble-62' is for CAN; an adapter that \
             speaks slcan opens as slcan:{name}, a CAN interface as can:NAME"
        )
    );
}
