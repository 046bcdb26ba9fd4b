//! Surveys of lines in virtual time: which of several definitions fits what answers.

use tickover::bench::bus::Bus;
use tickover::bench::{Line, Options, Simulated};
use tickover::defs::Definition;
use tickover::framing::Instant;
use tickover::framing::can::Id;
use tickover::framing::drive::{Port, turn};
use tickover::framing::transport::Reach;
use tickover::session::start::{Started, Width};
use tickover::session::survey::{Findings, Outcome, SurveyEvent};
use tickover::session::{ChannelKey, Event, NoteKind, Rate, Session, Survey, UnitId};

use crate::virtual_line::definition;

/// Surveys a K-line on which this unit stands.
fn survey_k_line(unit: &str, definitions: &[&str]) -> Findings {
    let mut line = Line::new(Reach::IDEAL);
    line.attach(Simulated::new(&definition(unit), &Options::default(), Instant::ORIGIN).expect("a unit"));
    let definitions: Vec<Definition> = definitions.iter().map(|name| definition(name)).collect();
    let mut survey = Survey::new(definitions);
    survey.begin(line.now(), line.reach());
    let findings = line.drive(&mut survey, Instant::from_nanos(120_000_000_000), |_, event| match event {
        SurveyEvent::Done(findings) => Some(findings),
        _ => None,
    });
    findings.expect("a survey ends")
}

#[test]
fn of_several_definitions_the_one_whose_unit_answers_fits() {
    let findings = survey_k_line("bramble-40", &["thistle-9", "bramble-40"]);
    assert_eq!(findings.best().map(|fit| &*fit.id), Some("bramble-40"), "{findings:?}");
    let sentences: Vec<String> = findings.fits.iter().map(ToString::to_string).collect();
    insta::assert_snapshot!(sentences.join("\n"));
    let Outcome::Answers(answers) = &findings.fits[1].outcome else { panic!("{findings:?}") };
    assert!(answers.unsupported.len() < definition("bramble-40").channels.len());
    assert!(answers.prediction.per_second > 1.0 && answers.readings.iter().any(|reading| reading.value.is_ok()));
}

#[test]
fn a_line_without_a_unit_fits_no_definition() {
    let mut line: Line<Simulated> = Line::new(Reach::IDEAL);
    let mut survey = Survey::new(vec![definition("bramble-40")]);
    survey.begin(line.now(), line.reach());
    let findings = line.drive(&mut survey, Instant::from_nanos(120_000_000_000), |_, event| match event {
        SurveyEvent::Done(findings) => Some(findings),
        _ => None,
    });
    let findings = findings.expect("a survey ends");
    assert!(findings.best().is_none() && findings.bus.is_none());
    assert!(matches!(&findings.fits[0].outcome, Outcome::Silent(Some(_))), "{findings:?}");
}

/// Surveys a CAN bus on which these units stand, with these definitions.
fn survey_bus(units: &[Definition], bit_rate: u32, definitions: &[&str]) -> Findings {
    let mut bus = Bus::new(Reach::IDEAL, bit_rate);
    for unit in units {
        bus.attach(Simulated::new(unit, &Options::default(), Instant::ORIGIN).expect("a unit"));
    }
    let mut survey = Survey::new(definitions.iter().map(|name| definition(name)).collect());
    survey.begin(bus.now(), bus.reach());
    let mut found = None;
    while found.is_none() && bus.now() < Instant::from_nanos(240_000_000_000) {
        turn(&mut survey, &mut bus, |_, event| {
            if let SurveyEvent::Done(findings) = event {
                found = Some(findings);
            }
        });
    }
    found.expect("a survey ends")
}

/// The standard's unit as it stands on a bus of this rate with identifiers of this width.
fn obd(bit_rate: u32, answer: Id) -> Definition {
    let width = if matches!(answer, Id::Standard(_)) { Width::Bits11 } else { Width::Bits29 };
    let path = width.path(answer).expect("an identifier of ISO 15765-4");
    let here = Started { bit_rate: Some(bit_rate), width, traffic: false, responders: vec![path] };
    here.applied_to(&definition("obd-j1979-can"), path)
}

#[test]
fn two_units_of_the_standard_and_one_of_its_own_are_told_apart() {
    let units = [obd(500_000, Id::Standard(0x7E8)), obd(500_000, Id::Standard(0x7E9)), definition("bramble-62")];
    let findings = survey_bus(&units, 500_000, &["bramble-62", "obd-j1979-can", "bramble-40"]);
    let sentences: Vec<String> = findings.fits.iter().map(ToString::to_string).collect();
    insta::assert_snapshot!(sentences.join("\n"));
    let Some(Ok(started)) = &findings.bus else { panic!("{:?}", findings.bus) };
    assert_eq!(started.responders.len(), 2);
    assert_eq!(
        findings.best().map(|fit| &*fit.id),
        Some("bramble-62"),
        "a definition of its own before the standard's"
    );
}

/// ISO 15765-4:2005 8.2 and tables 3 and 5: 250 kbit/s and 29 bits are as good as 500 kbit/s and 11.
#[test]
fn a_slow_bus_with_wide_identifiers_is_found_and_its_unit_read() {
    let wide = Id::Extended(0x18DA_F12C);
    let findings = survey_bus(&[obd(250_000, wide)], 250_000, &["obd-j1979-can", "bramble-62"]);
    let best = findings.best().unwrap_or_else(|| panic!("{findings:?}"));
    assert_eq!((&*best.id, best.path.map(|path| path.response.id())), ("obd-j1979-can", Some(wide)));
    let Outcome::Answers(answers) = &best.outcome else { panic!("{best:?}") };
    assert!(answers.misfits.is_empty() && answers.prediction.per_second > 20.0, "{best}");
    let other = &findings.fits[1].outcome;
    assert!(matches!(other, Outcome::OtherBitRate { expected: 500_000, found: 250_000 }), "{other:?}");
}

#[test]
fn an_empty_bus_ends_a_survey_with_a_sentence() {
    let findings = survey_bus(&[], 500_000, &["obd-j1979-can", "bramble-62"]);
    let Some(Err(not_started)) = findings.bus else { panic!("{:?}", findings.bus) };
    assert!(not_started.to_string().starts_with("nobody speaks"), "{not_started}");
    assert!(findings.best().is_none());
    assert!(matches!(findings.fits[0].outcome, Outcome::NobodyAnswers));
    assert!(matches!(findings.fits[1].outcome, Outcome::Silent(_)), "{}", findings.fits[1]);
}

/// ISO 15765-4:2005 6.4.3: several units answer a request to all, each with several frames.
#[test]
fn two_units_of_the_standard_in_one_session_do_not_hold_each_other_up() {
    let [engine, gearbox] = [0x7E8, 0x7E9].map(|id| obd(500_000, Id::Standard(id)));
    let mut bus = Bus::new(Reach::IDEAL, 500_000);
    for unit in [&engine, &gearbox] {
        bus.attach(Simulated::new(unit, &Options::default(), Instant::ORIGIN).expect("a unit"));
    }
    let session = Session::new(engine).named("engine").expect("a name").with_unit("gearbox", gearbox).expect("a unit");
    let channels: Vec<_> = ["engine_speed", "coolant", "speed", "throttle", "load", "supply", "vin"]
        .iter()
        .filter_map(|name| session.definition().channel(name).ok())
        .collect();
    assert!(channels.len() >= 4, "the definition's names have changed");
    let mut session = channels.iter().fold(session, |session, channel| {
        let gearbox = ChannelKey { unit: UnitId(1), channel: *channel };
        session.watch(*channel, Rate::Fastest).watch(gearbox, Rate::Fastest)
    });
    session.connect(bus.now(), bus.reach());
    let (mut rows, mut notes) = ([0_u32; 2], Vec::new());
    while bus.now() < Instant::from_nanos(3_000_000_000) {
        turn(&mut session, &mut bus, |_, event| match event {
            Event::Row(row) => rows[usize::from(row.unit.0)] += 1,
            Event::Note(note) => notes.push(note),
            _ => {}
        });
    }
    let silent = notes.iter().filter(|note| matches!(note.kind, NoteKind::Silence | NoteKind::Reconnecting)).count();
    assert_eq!(silent, 0, "{notes:?}");
    assert!(rows[0].abs_diff(rows[1]) <= rows[0] / 10 && rows[0] > 100, "{rows:?}");
}
