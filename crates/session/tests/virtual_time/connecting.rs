//! From a port to the first row: initialisation, variants, sessions, records read once.

use std::time::Duration;

use tickover_defs::compiled::{Every, Line};
use tickover_framing::Instant;
use tickover_framing::contract::Speed;
use tickover_framing::kline::Init;
use tickover_framing::transport::Reach;
use tickover_session::{NoteKind, Rate, Session};

use crate::bench::{World, reply};
use crate::build::Build;

fn baud(speed: &Speed) -> u32 {
    match speed {
        Speed::Serial { baud, .. } => *baud,
        Speed::Can { .. } => 0,
    }
}

fn with_variants() -> Build {
    Build::new()
        .record_of("identification", &[0x1A, 0x94], &[0x5A, 0x94], (4, 4))
        .text("part", 0, 4)
        .but(|record| record.every = Every::Once)
        .record("engine", 0x01, 1)
        .byte("speed", 0)
        .variant("early", "part", "B001", |_| {})
        .variant("late", "part", "B002", |layout| {
            if let Some(Some(engine)) = layout.records.to_mut().get_mut(1) {
                engine.length = (2, 2);
            }
        })
}

fn answers(part: &'static [u8; 4], engine: &'static [u8]) -> impl FnMut(Instant, &[u8]) -> Vec<crate::bench::Reply> {
    move |_, data| match data {
        [0x1A, 0x94] => reply(&[&[0x5A, 0x94][..], part].concat()),
        [0x21, 0x01] => reply(&[&[0x61, 0x01][..], engine].concat()),
        _ => Vec::new(),
    }
}

#[test]
fn the_variant_that_fits_decides_how_records_are_read() {
    for (part, engine, name) in [(b"B001", &[7][..], "early"), (b"B002", &[7, 8][..], "late")] {
        let build = with_variants();
        let session = Session::new(build.definition.clone()).watch(build.id("speed"), Rate::per_second(2));
        let mut world = World::new(session, answers(part, engine));
        world.run_ms(3000);
        assert_eq!(world.said(NoteKind::Identified), format!("it is the variant '{name}'"));
        assert!(world.rows().count() > 2);
    }
}

#[test]
fn nothing_is_read_from_a_unit_that_no_variant_fits() {
    let build = with_variants().keep_alive(Duration::from_secs(2));
    let session = Session::new(build.definition.clone()).watch(build.id("speed"), Rate::per_second(2));
    let mut world = World::new(session, answers(b"B009", &[7]));
    world.run_ms(10_000);
    assert_eq!(
        world.said(NoteKind::NotIdentified),
        "control unit: no variant of 'test' fits: part is 'B009'; nothing is read; \
         this is another unit than the definition describes, or it needs another variant"
    );
    assert_eq!((world.rows().count(), world.asked(&[0x21, 0x01])), (0, 0));
    assert!(world.asked(&[0x3E]) >= 3);
}

#[test]
fn nothing_is_read_when_two_variants_fit() {
    let build = with_variants().variant("twin", "part", "B001", |_| {});
    let session = Session::new(build.definition.clone()).watch(build.id("speed"), Rate::per_second(2));
    let mut world = World::new(session, answers(b"B001", &[7]));
    world.run_ms(10_000);
    assert_eq!(
        world.said(NoteKind::NotIdentified),
        "definition: the variants early and twin all fit; nothing is read; \
         make the variants' conditions exclude each other"
    );
    assert_eq!(world.rows().count(), 0);
}

#[test]
fn a_record_read_once_is_read_at_connect_only() {
    let build = with_variants();
    let session = Session::new(build.definition.clone())
        .watch(build.id("speed"), Rate::per_second(2))
        .watch(build.id("part"), Rate::Fastest);
    let mut world = World::new(session, answers(b"B001", &[7]));
    world.run_ms(10_000);
    // What told the variant makes the row.
    assert_eq!(world.asked(&[0x1A, 0x94]), 1);
    assert_eq!(world.rows().filter(|row| row.get(build.id("part")).is_some()).count(), 1);
}

#[test]
fn a_session_changes_the_line_from_the_end_of_its_answer_on() {
    let build = Build::new().record("engine", 0x01, 1).byte("speed", 0).session("fast", |line| {
        line.line.baud = 38_400;
        line.line.timing.p3_min = Duration::from_millis(5);
    });
    let session = Session::new(build.definition.clone()).watch(build.id("speed"), Rate::Fastest).enter("fast").unwrap();
    let predicted = session.predict(Duration::from_millis(25)).per_second;
    let mut world = World::new(session, |_, data| match data {
        [0x10, 0x86] => reply(&[0x50, 0x86]),
        [0x21, 0x01] => reply(&[0x61, 0x01, 9]),
        _ => Vec::new(),
    });
    world.run_ms(20_000);
    assert_eq!(world.speeds.iter().map(baud).collect::<Vec<_>>(), [10_400, 38_400]);
    assert_eq!(world.said(NoteKind::Entered), "session 'fast' is entered");
    let achieved = world.session.report(world.now).achieved.unwrap();
    assert!((achieved / predicted - 1.0).abs() < 0.001, "{achieved} {predicted}");
}

#[test]
fn a_refused_session_leaves_the_default_one() {
    let build = Build::new().record("engine", 0x01, 1).byte("speed", 0).session("fast", |line| line.line.baud = 38_400);
    let session =
        Session::new(build.definition.clone()).watch(build.id("speed"), Rate::per_second(2)).enter("fast").unwrap();
    let mut world = World::new(session, |_, data| match data {
        [0x10, 0x86] => reply(&[0x7F, 0x10, 0x12]),
        [0x21, 0x01] => reply(&[0x61, 0x01, 9]),
        _ => Vec::new(),
    });
    world.run_ms(3000);
    assert_eq!(
        world.said(NoteKind::Refused),
        "control unit: session 'fast': the unit refused with 12 sub-function not supported or invalid format \
         (came 7F 10 12); the default session stays"
    );
    assert!(world.rows().count() > 2);
}

#[test]
fn a_session_that_does_not_exist_is_refused_with_the_nearest_names() {
    let build = Build::new().session("fast_38", |_| {}).session("fast_57", |_| {}).session("learning", |_| {});
    let error = Session::new(build.definition).enter("fast38").unwrap_err();
    assert_eq!(
        error.to_string(),
        "caller: definition 'test' has no session 'fast38'; the nearest names are 'fast_38', 'fast_57'"
    );
}

/// ISO 14230-1:2012 8.2.3: speeds may be off by 0.5 %.
#[test]
fn a_port_at_another_speed_is_named_and_left_alone() {
    let build = Build::new().record("engine", 0x01, 1).byte("speed", 0);
    let mut world = World::silent(Session::new(build.definition.clone()).watch(build.id("speed"), Rate::Fastest));
    world.port_baud = |_| 14_400;
    world.session.connect(Instant::ORIGIN, Reach::IDEAL);
    world.run_ms(10_000);
    assert_eq!(
        world.said(NoteKind::Speed),
        "line: 10400 Bd were asked for, the port runs at 14400 Bd (+38.46 %); \
         use another adapter, or name a wider baud tolerance if the unit stands it"
    );
    assert!(world.heard.is_empty());
    assert!(!world.session.is_connected());
}

#[test]
fn a_wider_tolerance_takes_a_port_that_is_a_little_off() {
    let build = Build::new().record("engine", 0x01, 1).byte("speed", 0);
    for (tolerance, connected) in [(None, false), (Some(8_000), true)] {
        let mut session = Session::new(build.definition.clone());
        if let Some(ppm) = tolerance {
            session = session.baud_tolerance_ppm(ppm);
        }
        let mut world = World::silent(session);
        world.port_baud = |_| 10_473;
        world.session.connect(Instant::ORIGIN, Reach::IDEAL);
        world.run_ms(1000);
        assert_eq!(world.session.is_connected(), connected, "{tolerance:?}");
    }
}

#[test]
fn a_session_at_a_speed_that_the_port_cannot_make_is_done_without() {
    let build = Build::new().record("engine", 0x01, 1).byte("speed", 0).session("fast", |line| line.line.baud = 38_400);
    let session =
        Session::new(build.definition.clone()).watch(build.id("speed"), Rate::per_second(2)).enter("fast").unwrap();
    let mut world = World::new(session, |_, data| match data {
        [0x10, 0x86] => reply(&[0x50, 0x86]),
        [0x21, 0x01] => reply(&[0x61, 0x01, 9]),
        _ => Vec::new(),
    });
    world.port_baud = |asked| if asked == 38_400 { 57_600 } else { asked };
    world.run_ms(10_000);
    assert!(
        world.said(NoteKind::Speed).starts_with("line: 38400 Bd were asked for, the port runs at 57600 Bd (+50.00 %)")
    );
    assert_eq!(world.asked(&[0x10, 0x86]), 1);
    assert!(world.rows().count() > 10);
}

#[test]
fn a_record_read_once_is_asked_for_until_it_answers() {
    let build = Build::new()
        .record_of("identification", &[0x1A, 0x94], &[0x5A, 0x94], (4, 4))
        .text("part", 0, 4)
        .but(|record| record.every = Every::Once)
        .record("engine", 0x01, 1)
        .byte("speed", 0);
    let session = Session::new(build.definition.clone())
        .watch(build.id("speed"), Rate::per_second(2))
        .watch(build.id("part"), Rate::Fastest);
    let mut number = 0;
    let mut good = answers(b"B001", &[7]);
    let mut world = World::new(session, move |at, data| {
        number += u32::from(data == [0x1A, 0x94]);
        // Not ready for a while.
        if data == [0x1A, 0x94] && number < 6 { reply(&[0x7F, 0x1A, 0x22]) } else { good(at, data) }
    });
    world.run_ms(40_000);
    assert_eq!(world.rows().filter(|row| row.get(build.id("part")).is_some()).count(), 1);
    assert_eq!(world.asked(&[0x1A, 0x94]), 6);
}

#[test]
fn a_unit_that_no_variant_fitted_is_asked_again_and_said_once() {
    for keep_alive in [true, false] {
        let mut build = with_variants();
        if keep_alive {
            build = build.keep_alive(Duration::from_secs(2));
        }
        let session = Session::new(build.definition.clone()).watch(build.id("speed"), Rate::per_second(2));
        let mut number = 0;
        let mut good = answers(b"B001", &[7]);
        let mut world = World::new(session, move |at, data| {
            number += u32::from(data == [0x1A, 0x94]);
            // The late answer to something else, three times.
            if data == [0x1A, 0x94] && number < 4 { reply(&[0x61, 0x01, 7]) } else { good(at, data) }
        });
        world.run_ms(30_000);
        assert!(world.said(NoteKind::NotIdentified).contains("part is invalid"));
        assert_eq!(world.said(NoteKind::Identified), "it is the variant 'early'");
        assert!(world.rows().count() > 10, "keep-alive: {keep_alive}");
    }
}

#[test]
fn a_unit_not_ready_to_say_its_variant_is_asked_again() {
    let build = with_variants();
    let session = Session::new(build.definition.clone()).watch(build.id("speed"), Rate::per_second(2));
    let mut good = answers(b"B001", &[7]);
    let mut world = World::new(session, move |at, data| {
        if data == [0x1A, 0x94] && at < Instant::from_nanos(3_000_000_000) {
            reply(&[0x7F, 0x1A, 0x22])
        } else {
            good(at, data)
        }
    });
    world.run_ms(10_000);
    assert_eq!(world.count(NoteKind::NotIdentified), 0);
    assert!(world.rows().count() > 5);
}

#[test]
fn a_channel_of_another_definition_is_named() {
    let session = Session::new(Build::new().definition).watch(tickover_defs::ChannelId(9), Rate::Fastest);
    let mut world = World::silent(session);
    world.run_ms(1);
    assert_eq!(
        world.said(NoteKind::NotSupported),
        "caller: channel 9 is of another definition: 'test' has 0; take the channel from this session's definition"
    );
}

#[test]
fn a_silent_unit_is_tried_again_and_again_with_longer_waits() {
    let mut world = World::silent(Session::new(Build::new().definition));
    world.session.connect(Instant::ORIGIN, Reach::IDEAL);
    world.run_ms(20_000);
    let tries = world.asked(&[0x81]);
    assert!((5..=9).contains(&tries), "{tries}");
    let first = world.notes().next().unwrap().to_string();
    assert_eq!(
        first,
        "control unit: nothing answered the initialisation; it is tried again; \
         check that the ignition is on, the K-line is wired and the definition's address is this unit's"
    );
}

#[test]
fn a_definition_without_a_line_cannot_connect() {
    let mut definition = Build::new().definition;
    definition.line = None;
    let mut world = World::silent(Session::new(definition));
    world.session.connect(Instant::ORIGIN, Reach::IDEAL);
    world.run_ms(100);
    assert!(world.said(NoteKind::NotReady).starts_with("definition: it has no [line]"));
}

#[test]
fn without_an_initialisation_no_answer_is_claimed() {
    let mut definition = Build::new().definition;
    if let Some(Line::KLine(line)) = &mut definition.line {
        line.line.init = Init::None;
    }
    let mut world = World::silent(Session::new(definition));
    world.session.connect(Instant::ORIGIN, Reach::IDEAL);
    world.run_ms(10);
    assert_eq!(world.said(NoteKind::Connected), "there is nothing to initialise; the unit is asked");
}
