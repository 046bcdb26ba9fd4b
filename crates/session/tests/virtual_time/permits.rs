//! Polling can only read; everything else takes a permit for its effect.

use std::borrow::Cow;
use std::time::Duration;

use tickover_defs::compiled::Every;
use tickover_framing::Instant;
use tickover_framing::transport::Reach;
use tickover_services::Effect;
use tickover_session::{Event, NoteKind, Permit, Rate, RequestError, Session};

use crate::bench::{World, reply};
use crate::build::Build;

fn engine() -> Build {
    Build::new().record("engine", 0x01, 4).byte("speed", 0)
}

fn connected() -> World {
    let build = engine();
    let session = Session::new(build.definition.clone()).watch(build.id("speed"), Rate::per_second(5));
    let mut world = World::new(session, |_, data| match data {
        [0x21, 0x01] => reply(&[0x61, 0x01, 17, 0, 0, 90]),
        [0x14, ..] => reply(&[0x54, 0xFF, 0x00]),
        [0x1A, 0x94] => reply(&[0x5A, 0x94, 1]),
        [0x22, ..] => reply(&[0x7F, 0x22, 0x31]),
        _ => Vec::new(),
    });
    world.run_ms(1_000);
    world
}

fn answers(world: &World) -> Vec<(u32, Result<Vec<u8>, String>)> {
    let answers = world.events.iter().filter_map(|event| match event {
        Event::Answer { ticket, answer } => Some((*ticket, answer.clone().map_err(|note| note.to_string()))),
        _ => None,
    });
    answers.collect()
}

/// SSF 14230-3 issue 2: 14 ClearDiagnosticInformation erases fault codes.
#[test]
fn a_clear_cannot_be_polled() {
    let build = Build::new().record_of("wolf", &[0x14, 0xFF, 0x00], &[0x54], (2, 2)).byte("sheep", 0);
    let session = Session::new(build.definition.clone()).watch(build.id("sheep"), Rate::Fastest);
    let mut world = World::new(session, |_, data| match data {
        [0x14, ..] => reply(&[0x54, 0xFF, 0x00]),
        _ => Vec::new(),
    });
    world.run_ms(10_000);
    assert_eq!(world.asked(&[0x14, 0xFF, 0x00]), 0);
    assert_eq!(
        world.said(NoteKind::NotSupported),
        "definition: record 'wolf' is not asked for: its request does not only read"
    );
}

#[test]
fn a_definition_cannot_call_a_standard_clear_a_read() {
    let build = Build::new().record_of("wolf", &[0x14, 0xFF, 0x00], &[0x54], (2, 2)).byte("sheep", 0);
    let build = build.line(|line| line.effects = Cow::Borrowed(&[(0x14, Effect::Reads)]));
    let session = Session::new(build.definition.clone()).watch(build.id("sheep"), Rate::Fastest);
    let mut world = World::new(session, |_, _| Vec::new());
    world.run_ms(5_000);
    assert_eq!(world.asked(&[0x14, 0xFF, 0x00]), 0);
}

#[test]
fn neither_keep_alive_nor_a_session_step_can_do_more() {
    use tickover_defs::compiled::{KeepAlive, Step};
    let build = engine().session("sly", |_| {}).line(|line| {
        line.keep_alive =
            Some(KeepAlive { send: Cow::Borrowed(&[0x11, 0x01]), expect: None, every: Duration::from_secs(1) });
    });
    let mut definition = build.definition;
    let clear =
        Step::Send { send: Cow::Borrowed(&[0x14, 0xFF, 0x00]), expect: crate::build::pattern(&[0x54]), within: None };
    definition.sessions.to_mut()[0].enter = vec![clear].into();
    let session = Session::new(definition).enter("sly").unwrap();
    let mut world = World::new(session, |_, _| Vec::new());
    world.run_ms(10_000);
    assert_eq!((world.asked(&[0x14, 0xFF, 0x00]), world.asked(&[0x11, 0x01])), (0, 0));
    assert_eq!(world.count(NoteKind::Refused), 2);
}

#[test]
fn a_request_that_reads_needs_no_permit_and_goes_between_polls() {
    let mut world = connected();
    let ticket = world.session.request(world.now, &[0x1A, 0x94], None).unwrap();
    world.run_ms(400);
    assert_eq!(answers(&world), [(ticket, Ok(vec![0x5A, 0x94, 1]))]);
    world.run_ms(5_000);
    assert!(world.rows().count() > 25);
}

#[test]
fn a_clear_needs_a_permit_to_clear() {
    let mut world = connected();
    let clear = [0x14, 0xFF, 0x00];
    let error = world.session.request(world.now, &clear, None).unwrap_err();
    assert_eq!(
        error.to_string(),
        "caller: request 14 FF 00 has the effect 'clears'; only reading needs no permit, give a permit to 'clears'"
    );
    let error = world.session.request(world.now, &clear, Some(Permit::to(Effect::Actuates))).unwrap_err();
    assert!(matches!(error, RequestError::WrongPermit { effect: Effect::Clears, permitted: Effect::Actuates, .. }));
    let ticket = world.session.request(world.now, &clear, Some(Permit::to(Effect::Clears))).unwrap();
    world.run_ms(400);
    assert_eq!(answers(&world), [(ticket, Ok(vec![0x54, 0xFF, 0x00]))]);
    assert_eq!(world.asked(&clear), 1);
}

#[test]
fn a_request_that_nobody_knows_is_never_sent() {
    let mut world = connected();
    let error = world.session.request(world.now, &[0xB7, 1], Some(Permit::to(Effect::Writes))).unwrap_err();
    assert!(matches!(error, RequestError::UnknownEffect { first: 0xB7, .. }), "{error}");
    assert_eq!(world.session.request(world.now, &[], None), Err(RequestError::Empty));
}

#[test]
fn a_refused_request_is_answered_with_the_units_words() {
    let mut world = connected();
    let ticket = world.session.request(world.now, &[0x22, 0x12, 0x34], None).unwrap();
    world.run_ms(400);
    let words = "control unit: request 22 12 34: the unit refused with 31 request out of range (came 7F 22 31)";
    assert_eq!(answers(&world), [(ticket, Err(words.to_string()))]);
}

#[test]
fn every_request_is_answered_even_when_the_port_is_lost() {
    let mut world = connected();
    let first = world.session.request(world.now, &[0x1A, 0x94], None).unwrap();
    let second = world.session.request(world.now, &[0x1A, 0x94], None).unwrap();
    world.unplug();
    let tickets: Vec<u32> = answers(&world).iter().map(|(ticket, _)| *ticket).collect();
    assert_eq!(tickets, [first, second]);
    assert!(answers(&world).iter().all(|(_, answer)| answer.is_err()));
    let error = world.session.request(world.now, &[0x1A, 0x94], None).unwrap_err();
    assert_eq!(error.to_string(), "caller: there is no connection to send 1A 94 over; connect first");
}

#[test]
fn a_request_too_long_for_the_framing_is_the_callers() {
    let mut world = connected();
    let mut long = vec![0x22; 300];
    long[0] = 0x21;
    match world.session.request(world.now, &long, None) {
        Err(error) => assert!(matches!(error, RequestError::UnknownEffect { .. }), "{error}"),
        Ok(_) => {
            world.run_ms(400);
            assert!(answers(&world)[0].1.as_ref().unwrap_err().starts_with("caller: "));
        }
    }
}

#[test]
fn what_is_read_once_is_read_again_after_a_clear() {
    let build = Build::new().record("learned", 0x05, 1).byte("trim", 0).but(|record| record.every = Every::Once);
    let session = Session::new(build.definition.clone()).watch(build.id("trim"), Rate::Fastest);
    let mut world = World::new(session, |_, data| match data {
        [0x21, 0x05] => reply(&[0x61, 0x05, 3]),
        [0x14, ..] => reply(&[0x54, 0xFF, 0x00]),
        _ => Vec::new(),
    });
    world.run_ms(2_000);
    assert_eq!(world.asked(&[0x21, 0x05]), 1);
    world.session.request(world.now, &[0x14, 0xFF, 0x00], Some(Permit::to(Effect::Clears))).unwrap();
    world.run_ms(2_000);
    assert_eq!(world.asked(&[0x21, 0x05]), 2);
    assert_eq!(world.rows().count(), 2);
}

#[test]
fn requests_before_a_connection_stands_wait_for_it() {
    let build = engine();
    let mut world = World::new(Session::new(build.definition), |_, data| match data {
        [0x1A, 0x94] => reply(&[0x5A, 0x94, 1]),
        _ => Vec::new(),
    });
    world.session.connect(Instant::ORIGIN, Reach::IDEAL);
    let ticket = world.session.request(world.now, &[0x1A, 0x94], None).unwrap();
    world.run_ms(1_000);
    assert_eq!(answers(&world), [(ticket, Ok(vec![0x5A, 0x94, 1]))]);
}

#[test]
fn a_request_is_answered_also_when_the_unit_cannot_be_reached() {
    let mut world = World::silent(Session::new(engine().definition));
    world.session.connect(Instant::ORIGIN, Reach::IDEAL);
    let ticket = world.session.request(world.now, &[0x1A, 0x94], None).unwrap();
    world.run_ms(2_000);
    let sentence = "control unit: request 1A 94 was not answered: the unit could not be reached; \
                    ask again after the next connection";
    assert_eq!(answers(&world), [(ticket, Err(sentence.to_owned()))]);
}
