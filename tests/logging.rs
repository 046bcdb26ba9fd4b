//! The main job end to end: a simulated unit, a line, a session, rows, CSV. Every value is held against what the
//! unit says that it sent, record by record, in the order of complete answers.

use std::collections::BTreeMap;
use std::time::{Duration, SystemTime};

use tickover::bench::line::Line;
use tickover::bench::real_time::PtyLine;
use tickover::bench::truth::Truth;
use tickover::bench::{Options, Simulated};
use tickover::defs::compiled::Origin;
use tickover::defs::{ChannelId, Definition, RecordId, Value};
use tickover::framing::Instant;
use tickover::framing::drive::{Port, turn};
use tickover::framing::transport::{Echo, Reach};
use tickover::link::{Clock, Connection, Item, Next, Serial};
use tickover::record::{Column, Csv, Flush, Hold, Start};
use tickover::session::{Event, Rate, Row, Session};

/// A shipped definition, with its text changed.
fn definition(name: &str, change: &[(&str, &str)]) -> Definition {
    let path = format!("{}/../defs/{name}.toml", env!("CARGO_MANIFEST_DIR"));
    let mut text = std::fs::read_to_string(path).expect("it is shipped");
    for (from, to) in change {
        assert!(text.contains(from), "{from}");
        text = text.replacen(from, to, 1);
    }
    Definition::parse(&text, &format!("{name}.toml")).unwrap_or_else(|report| panic!("{report}"))
}

/// Every channel that can be polled.
fn watching_all(definition: &Definition) -> Session {
    let ids = (0..definition.channels.len()).map(|place| ChannelId(place as u16));
    let polled = ids.filter(|id| !definition.channel_name(*id).starts_with("freeze_"));
    polled.fold(Session::new(definition.clone()), |session, id| session.watch(id, Rate::Fastest))
}

/// Rows of one run: several of every record.
const ENOUGH: usize = 32;

struct Logged {
    rows: Vec<Row>,
    truths: Vec<Truth>,
    notes: Vec<String>,
}

/// Through a pseudo-terminal in real time, as a program does it.
fn log_over_a_pseudo_terminal(definition: &Definition, session: Session, options: &Options) -> Logged {
    let clock = Clock::start();
    // A pseudo-terminal passes neither pulse nor parity: the unit starts on StartCommunication alone.
    let late = Duration::from_millis(20);
    let reach = Reach { late_in: late, late_out: late, pulse: false, parity: false, ..Reach::IDEAL };
    let options = Options { reach: Reach { echo: Echo::Suppressed, ..reach }, ..options.clone() };
    let mut line = Line::new(reach);
    line.pass_until(clock.now());
    line.attach(Simulated::new(definition, &options, clock.now()).expect("the definition has a line"));
    let mut pty = PtyLine::open(line, clock).expect("the system has pseudo-terminals");
    let (path, stopper) = (pty.path().to_owned(), pty.stopper());
    let bench = std::thread::spawn(move || {
        let mut truths = Vec::new();
        let take = |line: &mut Line<Simulated>, _| {
            truths.extend(line.unit_mut(0).into_iter().flat_map(Simulated::take_truths))
        };
        pty.run(take).expect("the pseudo-terminal stays");
        truths
    });
    let port = Serial::open_at(path, clock).expect("nobody else has it");
    let connection = Connection::open(session, port).expect("a thread can be started");
    let (mut rows, mut notes) = (Vec::new(), Vec::new());
    let give_up = clock.now().after(Duration::from_secs(120));
    let mut items = connection.items();
    let mut closed = false;
    loop {
        match items.next_within(Duration::from_millis(50)) {
            Next::Item(Ok(Item::Row(row))) => rows.push(row),
            Next::Item(Ok(Item::Note(note))) => notes.push(note.to_string()),
            Next::Item(Err(down)) => panic!("nobody unplugs it: {down}"),
            Next::NotYet => {}
            Next::End => break,
        }
        if !closed && (rows.len() >= ENOUGH || clock.now() > give_up) {
            connection.close().expect("the line is there");
            closed = true;
        }
    }
    stopper.stop();
    Logged { rows, truths: bench.join().expect("the bench does not panic"), notes }
}

/// In virtual time, without thread, clock or port.
fn log_in_virtual_time(definition: &Definition, mut session: Session, options: &Options, time: Duration) -> Logged {
    let mut line = Line::new(Reach::IDEAL);
    line.attach(Simulated::new(definition, options, Instant::ORIGIN).expect("the definition has a line"));
    let (mut rows, mut notes) = (Vec::new(), Vec::new());
    session.connect(line.now(), Port::reach(&line));
    while line.now().since(Instant::ORIGIN) < time {
        turn(&mut session, &mut line, |_, event| match event {
            Event::Row(row) => rows.push(row),
            Event::Note(note) => notes.push(note.to_string()),
            _ => {}
        });
    }
    Logged { rows, truths: line.unit_mut(0).expect("it was attached").take_truths(), notes }
}

/// Every row is an answer that the unit sent, in order, with its bytes and its values.
fn assert_equal_to_the_truth(definition: &Definition, logged: &Logged) {
    let mut sent: BTreeMap<RecordId, std::slice::Iter<'_, Truth>> = BTreeMap::new();
    let mut by_record: BTreeMap<RecordId, Vec<Truth>> = BTreeMap::new();
    for truth in &logged.truths {
        by_record.entry(truth.record).or_default().push(truth.clone());
    }
    for (record, truths) in &by_record {
        sent.insert(*record, truths.iter());
    }
    for row in &logged.rows {
        let name = definition.record_name(row.record);
        let mut answers = sent.get_mut(&row.record).into_iter().flatten();
        let truth = answers.find(|truth| truth.response == row.response);
        let truth = truth.unwrap_or_else(|| panic!("{name} at {}: never sent: {:02X?}", row.at, row.response));
        let values: BTreeMap<_, _> = truth.values.iter().map(|(name, value)| (name.as_str(), value)).collect();
        for reading in &row.readings {
            match values.get(definition.channel_name(reading.channel)) {
                Some(value) => assert_eq!(&&reading.value, value, "{name} at {}", row.at),
                None => assert!(is_derived(definition, reading.channel), "{name}: a channel that was not sent"),
            }
        }
    }
    let seen: Vec<_> = logged.rows.iter().map(|row| row.record).collect();
    for record in by_record.keys() {
        assert!(seen.contains(record), "{} was sent but never logged", definition.record_name(*record));
    }
    assert!(seen.len() >= ENOUGH, "only {} rows; notes: {:#?}", seen.len(), logged.notes);
}

fn is_derived(definition: &Definition, id: ChannelId) -> bool {
    definition.base.channel(id).is_some_and(|channel| channel.origin == Origin::Derived)
}

#[test]
fn bramble_40_is_logged_as_it_was_sent() {
    let definition = definition("bramble-40", &[]);
    let logged = log_over_a_pseudo_terminal(&definition, watching_all(&definition), &Options::default());
    assert_equal_to_the_truth(&definition, &logged);
    assert_csv_holds_the_rows(&definition, &logged.rows);
}

#[test]
fn the_late_bramble_40_is_logged_with_its_own_records() {
    let definition = definition("bramble-40", &[]);
    let options = Options { variant: Some("late".into()), ..Options::default() };
    let logged = log_over_a_pseudo_terminal(&definition, watching_all(&definition), &options);
    assert_equal_to_the_truth(&definition, &logged);
    let oil = definition.channel("oil_temperature").expect("the late variant has it");
    assert!(logged.rows.iter().any(|row| row.get(oil).is_some_and(|reading| reading.number().is_some())));
}

#[test]
fn bramble_40_is_logged_in_its_faster_session() {
    let definition = definition("bramble-40", &[]);
    let session = watching_all(&definition).enter("fast").expect("it is defined");
    let logged = log_over_a_pseudo_terminal(&definition, session, &Options::default());
    assert_equal_to_the_truth(&definition, &logged);
}

#[test]
fn thistle_9_is_logged_as_it_was_sent() {
    let definition = definition("thistle-9", &[]);
    let logged = log_over_a_pseudo_terminal(&definition, watching_all(&definition), &Options::default());
    assert_equal_to_the_truth(&definition, &logged);
}

#[test]
fn both_units_are_logged_in_virtual_time() {
    for name in ["bramble-40", "thistle-9"] {
        let definition = definition(name, &[]);
        let minutes = Duration::from_secs(180);
        let logged = log_in_virtual_time(&definition, watching_all(&definition), &Options::default(), minutes);
        assert_equal_to_the_truth(&definition, &logged);
    }
}

/// A relative of the Thistle 9 that wants to be called at five baud.
#[test]
fn a_five_baud_unit_is_logged_in_virtual_time() {
    let table = "[line.five_baud]\naddress = 0x4D\nkey_bytes = \"A8 13\"\nunit_confirms = true\n\n[line.framing]";
    let change = [("init = \"none\"", "init = \"five-baud\""), ("[line.framing]", table)];
    let definition = definition("thistle-9", &change);
    let minute = Duration::from_secs(60);
    let logged = log_in_virtual_time(&definition, watching_all(&definition), &Options::default(), minute);
    assert_equal_to_the_truth(&definition, &logged);
}

/// Oracle: the `csv` crate's reader.
fn assert_csv_holds_the_rows(definition: &Definition, rows: &[Row]) {
    let ids = (0..definition.channels.len()).map(|place| ChannelId(place as u16));
    let hold = Hold::For(Duration::from_secs(1));
    let columns: Vec<Column> = ids.filter_map(|id| Column::of(definition, id, hold)).collect();
    assert_eq!(columns.len(), definition.channels.len());
    let start = Start { at: Instant::ORIGIN, utc: Some(SystemTime::UNIX_EPOCH) };
    let mut file = Vec::new();
    let mut csv = Csv::new(&mut file, columns.clone(), start, Flush::EVERY_ROW).expect("memory takes it");
    for row in rows {
        csv.write(row).expect("memory takes it");
    }
    assert_eq!(csv.finish().expect("memory takes it").rows, rows.len() as u64);
    let lines: Vec<_> = csv::Reader::from_reader(&*file).records().collect::<Result<_, _>>().expect("it is CSV");
    assert_eq!(lines.len(), rows.len());
    for (line, row) in lines.iter().zip(rows) {
        for (cell, column) in line.iter().skip(2).zip(&columns) {
            match row.get(column.channel).map(|reading| &reading.value) {
                Some(Ok(Value::Number(number))) => assert_eq!(cell.parse(), Ok(*number), "{}", column.name),
                Some(Ok(Value::Text(text))) => assert_eq!(cell, text, "{}", column.name),
                Some(Err(_)) => assert_eq!(cell, "", "{}", column.name),
                None => {}
            }
        }
    }
}
