//! Noise, silence, a reset, a lost port: what is repeated, what is dropped, what starts again.

use std::time::Duration;

use tickover_framing::Instant;
use tickover_framing::transport::Reach;
use tickover_session::{NoteKind, Rate, Session};

use crate::bench::{Reply, World, late, message, reply};
use crate::build::{Build, TESTER, UNIT};

fn engine() -> Build {
    Build::new().record("engine", 0x01, 4).byte("speed", 0).record("knock", 0x02, 2).byte("retard", 1)
}

/// A session that polls the engine record, and a unit that answers it unless `disturb` answers instead.
fn world(rate: Rate, mut disturb: impl FnMut(u32) -> Option<Vec<Reply>> + 'static) -> World {
    let build = engine();
    let session = Session::new(build.definition.clone()).watch(build.id("speed"), rate);
    let mut number = 0;
    World::new(session, move |_, data| match data {
        [0x21, 0x01] => {
            number += 1;
            disturb(number).unwrap_or_else(|| reply(&[0x61, 0x01, 17, 0, 0, 90]))
        }
        _ => Vec::new(),
    })
}

fn garbled() -> Reply {
    let mut bytes = message(TESTER, UNIT, &[0x61, 0x01, 17, 0, 0, 90]);
    bytes[5] ^= 0x40;
    Reply { after: Duration::from_millis(25), bytes }
}

/// ISO 14230-2 6.2 (from memory): a request without a good answer is sent three times in all.
#[test]
fn a_garbled_answer_makes_no_row_and_the_request_is_sent_again() {
    let mut world = world(Rate::per_second(1), |number| (number == 2).then(|| vec![garbled()]));
    world.run_ms(3_400);
    let report = world.session.report(world.now);
    assert_eq!((report.noise, report.repeats), (1, 1));
    assert_eq!(world.rows().count(), world.asked(&[0x21, 0x01]) - 1);
    assert!(world.rows().all(|row| row.response == [0x61, 0x01, 17, 0, 0, 90]));
    assert_eq!(
        world.said(NoteKind::Noise),
        "line: record 'engine': a message came with checksum 60, its bytes make A0; \
         if it happens often, check ground and wiring"
    );
}

#[test]
fn after_three_silences_the_turn_is_dropped_and_the_next_one_comes() {
    let mut world = world(Rate::per_second(1), |number| (2..=4).contains(&number).then(Vec::new));
    world.run_ms(3_400);
    let report = world.session.report(world.now);
    assert_eq!((report.silences, report.repeats, report.reconnections), (3, 2, 0));
    assert!(world.said(NoteKind::Silence).starts_with(
        "control unit: record 'engine': an answer within P2max was expected, nothing came to three requests"
    ));
    assert_eq!(world.count(NoteKind::Reconnecting), 0);
    assert!(world.rows().count() >= 2);
}

#[test]
fn a_unit_that_was_reset_is_initialised_again() {
    // Its answers stop until it is initialised again.
    let build = engine();
    let session = Session::new(build.definition.clone()).watch(build.id("speed"), Rate::per_second(5));
    let mut communicating = false;
    let mut world = World::new(session, move |at, data| {
        let reset = Instant::from_nanos(5_000_000_000);
        if at >= reset && at < reset.after(Duration::from_millis(200)) {
            communicating = false;
        }
        match data {
            [0x81] => {
                communicating = true;
                Vec::new()
            }
            [0x21, 0x01] if communicating => reply(&[0x61, 0x01, 17, 0, 0, 90]),
            _ => Vec::new(),
        }
    });
    world.run_ms(10_000);
    let report = world.session.report(world.now);
    assert_eq!(report.reconnections, 1);
    assert_eq!(
        world.said(NoteKind::Reconnecting),
        "control unit: the unit does not answer any more; communication is started again"
    );
    let again: Vec<String> =
        world.notes().filter(|note| note.kind == NoteKind::Connected).map(ToString::to_string).collect();
    assert_eq!(again.len(), 2);
    assert!(again[1].starts_with("the unit answered again after 0."), "{again:?}");
    assert!(report.worst_gap < Duration::from_millis(2_500), "{:?}", report.worst_gap);
    assert!(world.rows().last().unwrap().at > Instant::from_nanos(9_500_000_000));
}

#[test]
fn a_unit_that_stays_away_is_tried_with_longer_waits() {
    let mut world = world(Rate::per_second(5), |_| None);
    world.run_ms(2_000);
    world.set_answering(|_, _| Vec::new());
    world.run_ms(60_000);
    let tries: Vec<Instant> = world.heard.iter().filter(|(_, data)| data == &[0x81]).map(|(at, _)| *at).collect();
    let waits: Vec<u128> = tries.windows(2).skip(1).map(|pair| pair[1].since(pair[0]).as_millis()).collect();
    assert!(waits.is_sorted(), "{waits:?}");
    assert!(*waits.last().unwrap() > 5_000 && waits.len() < 20, "{waits:?}");
}

#[test]
fn a_lost_port_is_noted_and_the_next_connection_goes_on() {
    let mut world = world(Rate::per_second(5), |_| None);
    world.run_ms(5_000);
    let before = world.session.report(world.now);
    world.unplug();
    assert_eq!(world.said(NoteKind::Lost), "line: the port is gone; plug the adapter in again");
    world.run_ms(3_000);
    assert_eq!(world.session.report(world.now).responses, before.responses);
    world.session.connect(world.now, Reach::IDEAL);
    world.run_ms(5_000);
    let after = world.session.report(world.now);
    assert!(after.responses > before.responses + 15, "{after:?}");
    assert_eq!(after.reconnections, 1);
    assert!(after.worst_gap >= Duration::from_secs(3), "{:?}", after.worst_gap);
    assert!(world.notes().any(|note| note.text.starts_with("the unit answered again after 3.")));
}

/// ISO 14230-2 table 1a: P3max 5000 ms ends the conversation.
#[test]
fn communication_is_started_again_when_p3max_has_passed() {
    let build = engine();
    let retard = build.id("retard");
    let mut world = World::new(Session::new(build.definition), |_, data| match data {
        [0x21, 0x02] => reply(&[0x61, 0x02, 1, 2]),
        _ => Vec::new(),
    });
    world.run_ms(8_000);
    world.session.set_rate(world.now, retard, Some(Rate::per_second(5)));
    world.run_ms(2_000);
    assert!(world.said(NoteKind::Reconnecting).contains("longer than P3max"));
    assert_eq!(world.asked(&[0x81]), 2);
    assert!(world.rows().count() > 2);
}

#[test]
fn a_good_answer_from_another_unit_is_not_taken() {
    let mut world = world(Rate::per_second(1), |number| {
        (number == 2).then(|| {
            vec![Reply { after: Duration::from_millis(25), bytes: message(TESTER, 0x2D, &[0x61, 0x01, 99, 0, 0, 99]) }]
        })
    });
    world.run_ms(3_400);
    assert!(world.rows().all(|row| row.response[2] == 17));
    assert_eq!(
        world.said(NoteKind::Noise),
        "control unit: record 'engine': a message from 2D to F1 came, which is not the unit that was asked; \
         check the addresses in the definition, and that one tester alone is on the line"
    );
}

#[test]
fn an_answer_after_p2max_is_noted_and_not_taken() {
    let mut world =
        world(Rate::per_second(1), |number| (number == 2).then(|| vec![late(70, &[0x61, 0x01, 99, 0, 0, 99])]));
    world.run_ms(3_400);
    // Whether it hits our repetition or comes between: it makes no row.
    assert!(world.rows().count() > 2 && world.rows().all(|row| row.response[2] == 17));
    assert!(world.session.report(world.now).silences + world.session.report(world.now).noise >= 1);
}

/// ISO 14230-2 5.3 table 1b: FF grants P2max and P3max, and with it P2* max, without a limit.
#[test]
fn limits_without_an_end_do_not_make_a_lost_answer_the_last() {
    for pending in [true, false] {
        let build = engine().line(|line| {
            line.line.timing.p2_max = Duration::MAX;
            line.line.timing.p2_star_max = Duration::MAX;
            line.line.timing.p3_max = None;
        });
        let session = Session::new(build.definition.clone()).watch(build.id("speed"), Rate::per_second(1));
        let mut number = 0;
        let mut world = World::new(session, move |_, data| match data {
            [0x21, 0x01] => {
                number += 1;
                match number {
                    3 if pending => reply(&[0x7F, 0x21, 0x78]),
                    3 => Vec::new(),
                    _ => reply(&[0x61, 0x01, 17, 0, 0, 90]),
                }
            }
            _ => Vec::new(),
        });
        world.run_ms(60_000);
        assert!(world.rows().count() > 20, "{} rows", world.rows().count());
    }
}
