//! A whole session against simulated units on the virtual line: every value, every rate, to the nanosecond.

use core::time::Duration;

use tickover::bench::line::Who;
use tickover::bench::{Line, Options, Simulated};
use tickover::defs::Definition;
use tickover::defs::compiled::{Channel, Layout, Origin};
use tickover::framing::Instant;
use tickover::framing::contract::{Parity, Speed};
use tickover::framing::drive::Port;
use tickover::framing::transport::Reach;
use tickover::session::{Event, NoteKind, Rate, Report, Row, Session};

/// The shipped definition of this name.
pub(crate) fn definition(name: &str) -> Definition {
    let path = format!("{}/../defs/{name}.toml", env!("CARGO_MANIFEST_DIR"));
    Definition::load(path).unwrap_or_else(|report| panic!("{report:?}"))
}

/// A session that watches everything that this variant polls, as fast as possible.
pub(crate) fn watch_all(definition: &Definition, layout: &Layout) -> Session {
    let polled = |channel: &&Channel| match &channel.origin {
        Origin::Field { record, .. } | Origin::Parts { record, .. } => {
            layout.record(*record).is_some_and(|record| record.request.constant().is_some())
        }
        Origin::Derived => true,
    };
    let channels = layout.channels.iter().flatten().filter(polled);
    channels.fold(Session::new(definition.clone()), |session, channel| session.watch(channel.id, Rate::Fastest))
}

/// What a run brought.
pub(crate) struct Run {
    pub(crate) rows: Vec<Row>,
    pub(crate) notes: Vec<String>,
    pub(crate) kinds: Vec<NoteKind>,
    pub(crate) report: Report,
    pub(crate) line: Line<Simulated>,
}

/// Connects `session` to a line with one unit and lets `seconds` pass.
pub(crate) fn run(mut session: Session, definition: &Definition, options: &Options, seconds: u64) -> Run {
    let mut line = Line::new(Reach::IDEAL);
    line.attach(Simulated::new(definition, options, Instant::ORIGIN).expect("a unit"));
    let (mut rows, mut notes, mut kinds) = (Vec::new(), Vec::new(), Vec::new());
    session.connect(line.now(), line.reach());
    line.drive(&mut session, Instant::from_nanos(seconds * 1_000_000_000), |_, event| {
        match event {
            Event::Row(row) => rows.push(row),
            Event::Note(note) => {
                notes.push(format!("{} {note}", note.at));
                kinds.push(note.kind);
            }
            _ => {}
        }
        None::<()>
    });
    let report = session.report(line.now());
    Run { rows, notes, kinds, report, line }
}

/// Every row is a true answer, in order, with every value that the unit sent.
pub(crate) fn assert_true(definition: &Definition, run: &mut Run) {
    let truths = run.line.unit_mut(0).expect("one unit").take_truths();
    let mut truths = truths.iter();
    for row in &run.rows {
        let name = definition.record_name(row.record);
        let truth = truths.find(|truth| truth.at == row.at).unwrap_or_else(|| panic!("{name} at {}", row.at));
        assert_eq!((name, &row.response), (&*truth.name, &truth.response));
        for (channel, value) in &truth.values {
            let reading = row.get(definition.channel(channel).expect("its own name"));
            assert_eq!(reading.map(|reading| &reading.value), Some(value), "{channel} at {}", row.at);
        }
    }
}

#[test]
fn every_value_that_a_session_reads_is_the_one_that_the_unit_sent() {
    for name in ["bramble-40", "thistle-9"] {
        let definition = definition(name);
        for variant in &*definition.variants {
            let options = Options { variant: Some(variant.name.to_string()), ..Options::default() };
            let mut run = run(watch_all(&definition, &variant.layout), &definition, &options, 120);
            assert!(run.rows.len() > 500, "{name}: {} rows; {:#?}", run.rows.len(), run.notes);
            assert_eq!(run.kinds, [NoteKind::Connected, NoteKind::Identified], "{:#?}", run.notes);
            assert_true(&definition, &mut run);
        }
    }
}

/// The model of the exchange against the line: ISO 14230-2 times, nothing fitted.
#[test]
fn the_rate_is_what_the_model_says() {
    for (name, entered) in [("bramble-40", None), ("bramble-40", Some("fast")), ("thistle-9", None)] {
        let definition = definition(name);
        let mut session = watch_all(&definition, &definition.variants[0].layout);
        if let Some(entered) = entered {
            session = session.enter(entered).expect("its own session");
        }
        let p2 = Duration::from_millis(25);
        let predicted = session.predict(p2).per_second;
        let options = Options { p2: Some(p2), ..Options::default() };
        let run = run(session, &definition, &options, 300);
        let achieved = run.report.achieved.expect("many responses");
        println!(
            "{name} {entered:?}: {achieved:.4} of {predicted:.4} responses per second = {:.5}",
            achieved / predicted
        );
        assert!(achieved / predicted >= 0.999, "{name} {entered:?}: {achieved} of {predicted}; {:#?}", run.notes);
    }
}

/// A pseudo-terminal carries neither pulses nor parity: this is where both are tried.
#[test]
fn an_older_unit_is_woken_at_five_baud_and_read_with_even_parity() {
    let text = include_str!("../defs/thistle-9.toml");
    let five_baud = "[line.five_baud]\naddress = 0x4D\nkey_bytes = \"5A 93\"\nunit_confirms = true\n\n[line.framing]";
    let text = text.replace("init = \"none\"", "init = \"five-baud\"").replace("[line.framing]", five_baud);
    let definition = Definition::parse(&text, "thistle-9.toml").unwrap_or_else(|report| panic!("{report:?}"));
    let session = watch_all(&definition, &definition.variants[0].layout);
    let mut run = run(session, &definition, &Options::default(), 30);
    assert!(run.rows.len() > 200, "{} rows; {:#?}", run.rows.len(), run.notes);
    assert_eq!(run.kinds, [NoteKind::Connected, NoteKind::Identified], "{:#?}", run.notes);
    assert_true(&definition, &mut run);
    let Some(Speed::Serial { baud: 9_600, parity: Parity::Even, .. }) = run.line.speed_of(Who::Unit(0)) else {
        panic!("{:?}", run.line.speed_of(Who::Unit(0)))
    };
}

/// Linux hands an own break on as a 00: it is no data, neither here nor at five baud.
#[test]
fn breaks_that_come_back_as_bytes_disturb_no_initialisation() {
    let definition = definition("bramble-40");
    let mut session = watch_all(&definition, &definition.variants[0].layout);
    let mut line = Line::new(Reach::IDEAL);
    line.attach(Simulated::new(&definition, &Options::default(), Instant::ORIGIN).expect("a unit"));
    line.breaks_read_as_bytes(true);
    session.connect(line.now(), line.reach());
    let ready = line.drive(&mut session, Instant::from_nanos(2_000_000_000), |_, event| match event {
        Event::Row(row) => Some(row.at),
        _ => None,
    });
    assert!(ready.is_some(), "{:?}", line.units().next().map(Simulated::tally));
}

/// An adapter that turns 10400 Bd into 14400 Bd and says so.
#[test]
fn a_port_that_makes_another_speed_is_refused_with_both_speeds_named() {
    let definition = definition("bramble-40");
    let mut session = watch_all(&definition, &definition.variants[0].layout);
    let mut line = Line::new(Reach::IDEAL);
    line.attach(Simulated::new(&definition, &Options::default(), Instant::ORIGIN).expect("a unit"));
    line.tester_always_runs_at(Some(14_400));
    session.connect(line.now(), line.reach());
    let note = line.drive(&mut session, Instant::from_nanos(5_000_000_000), |_, event| match event {
        Event::Note(note) if note.kind == NoteKind::Speed => Some(note.to_string()),
        _ => None,
    });
    let note = note.expect("it is said");
    assert!(note.contains("10400") && note.contains("14400"), "{note}");
}

/// SSF 14230-2 issue 1 (1997-04-22) 4.1.2: a physically addressed message is for one unit; the other one hears it and stays silent.
#[test]
fn of_two_units_on_the_line_only_the_one_addressed_answers() {
    let definition = definition("bramble-40");
    let text = include_str!("../defs/bramble-40.toml").replace("unit = 0x2E", "unit = 0x2D");
    let other = Definition::parse(&text, "bramble-40.toml").unwrap_or_else(|report| panic!("{report:?}"));
    let mut line = Line::new(Reach::IDEAL);
    for definition in [&definition, &other] {
        line.attach(Simulated::new(definition, &Options::default(), Instant::ORIGIN).expect("a unit"));
    }
    let mut session = watch_all(&definition, &definition.variants[0].layout);
    session.connect(line.now(), line.reach());
    let mut rows = 0;
    line.drive(&mut session, Instant::from_nanos(30_000_000_000), |_, event| {
        rows += usize::from(matches!(event, Event::Row(_)));
        None::<()>
    });
    let answers: Vec<u64> = line.units().map(|unit| unit.tally().answers).collect();
    assert!(rows > 200, "{rows} rows");
    assert_eq!((answers[1], line.counts().collided), (0, 0));
}
