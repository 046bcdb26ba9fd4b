//! Wanted channels become requests, answers become rows.

use std::time::Duration;

use tickover_defs::{RecordId, Value};
use tickover_session::{Admission, NoteKind, Rate, Session};

use crate::bench::{World, late, reply};
use crate::build::Build;

fn engine() -> Build {
    Build::new()
        .record("engine", 0x01, 4)
        .byte("speed", 0)
        .byte("coolant", 3)
        .record("knock", 0x02, 2)
        .byte("retard", 1)
}

#[test]
fn a_row_holds_the_watched_channels_of_one_response() {
    let build = engine();
    let (speed, coolant) = (build.id("speed"), build.id("coolant"));
    let session = Session::new(build.definition).watch(speed, Rate::per_second(5)).watch(coolant, Rate::per_second(1));
    let mut world = World::new(session, |_, data| match data {
        [0x21, 0x01] => reply(&[0x61, 0x01, 17, 0, 0, 90]),
        _ => Vec::new(),
    });
    world.run_ms(3000);
    let row = world.rows().next().unwrap();
    assert_eq!(row.record, RecordId(0));
    assert_eq!(row.response, [0x61, 0x01, 17, 0, 0, 90]);
    assert_eq!(row.response_time, Duration::from_millis(25));
    assert_eq!(row.get(speed).unwrap().value, Ok(Value::Number(17.0)));
    assert_eq!(row.get(coolant).unwrap().value, Ok(Value::Number(90.0)));
    assert_eq!(row.readings.len(), 2);
}

#[test]
fn several_channels_of_a_record_share_one_request_at_the_fastest_wish() {
    let build = engine();
    let (speed, coolant) = (build.id("speed"), build.id("coolant"));
    let session = Session::new(build.definition).watch(speed, Rate::per_second(4)).watch(coolant, Rate::per_second(2));
    let mut world = World::new(session, |_, data| match data {
        [0x21, 0x01] => reply(&[0x61, 0x01, 17, 0, 0, 90]),
        _ => Vec::new(),
    });
    world.run_ms(10_400);
    let asked = world.asked(&[0x21, 0x01]);
    assert!((39..=41).contains(&asked), "{asked}");
    let report = world.session.report(world.now);
    assert_eq!(report.admission, Admission::Guaranteed);
    assert_eq!(report.stretch, 1.0);
    let rates: Vec<f64> = report.channels.iter().map(|channel| channel.achieved.unwrap()).collect();
    assert!(rates.iter().all(|rate| (3.95..=4.05).contains(rate)), "{rates:?}");
}

/// ISO 14230-2 table 1a and the model in the crate's `rate`: T = request + P4 gaps + P2 + answer + P3.
#[test]
fn as_fast_as_possible_reaches_the_model() {
    let build = engine();
    let session = Session::new(build.definition.clone())
        .watch(build.id("speed"), Rate::Fastest)
        .watch(build.id("retard"), Rate::Fastest);
    let predicted = session.predict(Duration::from_millis(25)).per_second;
    let mut world = World::new(session, |_, data| match data {
        [0x21, 0x01] => reply(&[0x61, 0x01, 17, 0, 0, 90]),
        [0x21, 0x02] => reply(&[0x61, 0x02, 1, 2]),
        _ => Vec::new(),
    });
    world.run_ms(60_000);
    // By hand: 6 bytes asked, 10 and 8 bytes answered, 10 bits each at 10 400 Bd, 5 gaps of 5 ms, 25 ms, 55 ms.
    let byte = 10.0 / 10_400.0;
    let by_hand = 2.0 / ((12.0 + 18.0) * byte + 2.0 * (0.025 + 0.025 + 0.055));
    assert!((predicted / by_hand - 1.0).abs() < 1e-6, "{predicted} {by_hand}");
    let report = world.session.report(world.now);
    let achieved = report.achieved.unwrap();
    assert!((0.999..=1.001).contains(&(achieved / predicted)), "{achieved} {predicted}");
    assert_eq!(report.predicted, Some(predicted));
    assert_eq!(report.response_time_max, Duration::from_millis(25));
    assert!(report.binds.starts_with("P3 takes 46 % of an exchange of 119.4 ms"), "{}", report.binds);
}

#[test]
fn a_slow_wish_beside_a_fast_one_is_kept_and_the_rest_is_shared() {
    let build = engine();
    let session = Session::new(build.definition.clone())
        .watch(build.id("speed"), Rate::Fastest)
        .watch(build.id("retard"), Rate::per_second(1));
    let mut world = World::new(session, |_, data| match data {
        [0x21, 0x01] => reply(&[0x61, 0x01, 17, 0, 0, 90]),
        [0x21, 0x02] => reply(&[0x61, 0x02, 1, 2]),
        _ => Vec::new(),
    });
    world.run_ms(30_000);
    let report = world.session.report(world.now);
    let [speed, retard] = &report.channels[..] else { panic!() };
    assert!((0.99..=1.01).contains(&retard.achieved.unwrap()), "{retard:?}");
    assert!(speed.achieved.unwrap() > 6.5, "{speed:?}");
    let predicted = world.session.predict(Duration::from_millis(25));
    assert!((report.achieved.unwrap() / predicted.per_second - 1.0).abs() < 0.01, "{report:?} {predicted}");
}

#[test]
fn more_than_the_line_carries_slows_every_channel_by_the_same_factor() {
    let build = engine();
    let session = Session::new(build.definition.clone())
        .watch(build.id("speed"), Rate::per_second(20))
        .watch(build.id("retard"), Rate::per_second(5));
    let mut world = World::new(session, |_, data| match data {
        [0x21, 0x01] => reply(&[0x61, 0x01, 17, 0, 0, 90]),
        [0x21, 0x02] => reply(&[0x61, 0x02, 1, 2]),
        _ => Vec::new(),
    });
    world.run_ms(60_000);
    let report = world.session.report(world.now);
    let share = |channel: usize| report.channels[channel].achieved.unwrap() / report.channels[channel].wanted.unwrap();
    assert!(report.stretch > 2.5, "{report:?}");
    assert!(matches!(report.admission, Admission::Stretched(_)));
    assert!((share(0) * report.stretch - 1.0).abs() < 0.02, "{report:?}");
    assert!((share(0) / share(1) - 1.0).abs() < 0.02, "{report:?}");
}

/// SSF 14230-3 issue 2 5.3.1.4: 78 asks to wait for the answer, up to P2*max.
#[test]
fn a_pending_response_is_waited_for_and_not_asked_again() {
    let build = engine();
    let session = Session::new(build.definition.clone()).watch(build.id("speed"), Rate::per_second(1));
    let mut world = World::new(session, |_, data| match data {
        [0x21, 0x01] => vec![late(25, &[0x7F, 0x21, 0x78]), late(4900, &[0x61, 0x01, 17, 0, 0, 90])],
        _ => Vec::new(),
    });
    world.run_ms(5_900);
    let row = world.rows().next().unwrap();
    assert_eq!(world.heard.iter().filter(|(end, data)| data[0] == 0x21 && *end < row.at).count(), 1);
    let report = world.session.report(world.now);
    assert!(report.pending >= 1);
    assert_eq!((report.repeats, report.silences), (0, 0));
}

/// SSF 14230-3 issue 2 5.3.1.3: 21 asks for the same request again.
#[test]
fn a_busy_unit_is_asked_the_same_three_times_and_then_later() {
    let build = engine();
    let session = Session::new(build.definition.clone()).watch(build.id("speed"), Rate::per_second(0.5));
    let mut world = World::new(session, |_, data| match data {
        [0x21, 0x01] => reply(&[0x7F, 0x21, 0x21]),
        _ => Vec::new(),
    });
    world.run_ms(1_900);
    assert_eq!(world.asked(&[0x21, 0x01]), 3);
    assert_eq!(
        world.said(NoteKind::Refused),
        "control unit: record 'engine': the unit refused with 21 busy, repeat the request (came 7F 21 21); it is asked \
         for again later"
    );
    world.run_ms(2_000);
    assert_eq!(world.asked(&[0x21, 0x01]), 6);
    assert_eq!(world.rows().count(), 0);
}

#[test]
fn a_channel_can_be_added_and_dropped_while_polling() {
    let build = engine();
    let (speed, retard) = (build.id("speed"), build.id("retard"));
    let session = Session::new(build.definition).watch(speed, Rate::per_second(2));
    let mut world = World::new(session, |_, data| match data {
        [0x21, 0x01] => reply(&[0x61, 0x01, 17, 0, 0, 90]),
        [0x21, 0x02] => reply(&[0x61, 0x02, 1, 2]),
        _ => Vec::new(),
    });
    world.run_ms(3000);
    assert_eq!(world.asked(&[0x21, 0x02]), 0);
    world.session.set_rate(world.now, retard, Some(Rate::per_second(2)));
    world.session.set_rate(world.now, speed, None);
    let before = world.asked(&[0x21, 0x01]);
    world.run_ms(5000);
    assert!((9..=11).contains(&world.asked(&[0x21, 0x02])));
    assert!(world.asked(&[0x21, 0x01]) <= before + 1);
}

#[test]
fn keep_alive_goes_out_only_when_nothing_else_does() {
    let build = engine().keep_alive(Duration::from_secs(2));
    let speed = build.id("speed");
    let mut world = World::new(Session::new(build.definition), |_, data| match data {
        [0x21, 0x01] => reply(&[0x61, 0x01, 17, 0, 0, 90]),
        _ => Vec::new(),
    });
    world.run_ms(21_000);
    assert!((8..=10).contains(&world.asked(&[0x3E])), "{}", world.asked(&[0x3E]));
    world.session.set_rate(world.now, speed, Some(Rate::per_second(1)));
    let before = world.asked(&[0x3E]);
    world.run_ms(20_000);
    assert_eq!(world.asked(&[0x3E]), before);
    assert!(world.rows().count() >= 19);
}

/// Worked by hand: an exchange takes some 130 ms, so a period of 0.1 ms stretches all others about 1300 times, and
/// 0.01 s become 13 s; a period of nothing would stretch them for ever.
#[test]
fn a_period_of_nothing_does_not_starve_the_other_records() {
    let build = engine();
    let session = Session::new(build.definition.clone())
        .watch(build.id("speed"), Rate::Every(Duration::ZERO))
        .watch(build.id("retard"), Rate::Every(Duration::from_millis(10)));
    let mut world = World::new(session, |_, data| match data {
        [0x21, 0x01] => reply(&[0x61, 0x01, 17, 0, 0, 90]),
        [0x21, 0x02] => reply(&[0x61, 0x02, 1, 2]),
        _ => Vec::new(),
    });
    world.run_ms(120_000);
    assert!(world.asked(&[0x21, 0x02]) > 5, "{}", world.asked(&[0x21, 0x02]));
}
