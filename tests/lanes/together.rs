//! Two units in one session: their lanes run at the same time and do not disturb each other.

use tickover::bench::bus::{Planned, Strike, Who};
use tickover::framing::Instant;
use tickover::framing::can::Id;
use tickover::session::{ChannelKey, NoteKind, Rate, Session, UnitId};

use super::*;

/// Engine and gearbox, both with a channel `oil` in a record of `length` bytes.
fn two_units(length: u16) -> Session {
    let engine = pausing(definition("engine-unit", ENGINE, &record("oil", 0x4001, length)), 1);
    let gearbox = pausing(definition("gearbox-unit", GEARBOX, &record("oil", 0x4002, length)), 1);
    let session = Session::new(engine).named("engine").unwrap().with_unit("gearbox", gearbox).unwrap();
    let oils = ["engine:oil", "gearbox:oil"].map(|name| session.channel(name).unwrap());
    oils.into_iter().fold(session, |session, oil| session.watch(oil, Rate::Fastest))
}

/// Answers with `value` in every byte.
fn answers(value: u8, length: usize, after: Duration) -> impl FnMut(&[u8]) -> Vec<Reply> {
    move |request| match request {
        [0x22, high, low] => vec![(after, [&[0x62, *high, *low][..], &vec![value; length]].concat())],
        _ => vec![],
    }
}

#[test]
fn the_same_channel_name_in_two_units_is_two_channels() {
    let units = [Unit::new(ENGINE, answers(90, 1, ms(2))), Unit::new(GEARBOX, answers(60, 1, ms(2)))];
    let mut world = World::new(two_units(1), units);
    world.run(ms(200));
    let [engine, gearbox] = ["engine:oil", "gearbox:oil"].map(|name| world.session.channel(name).unwrap());
    assert_eq!((engine.channel, gearbox.unit), (gearbox.channel, UnitId(1)));
    for (key, value) in [(engine, 90.0), (gearbox, 60.0)] {
        let rows: Vec<&Row> = world.rows.iter().filter(|row| row.unit == key.unit).collect();
        assert!(rows.len() > 50, "{}", rows.len());
        assert!(rows.iter().all(|row| row.get(key).and_then(|reading| reading.number()) == Some(value)));
        let other = ChannelKey { unit: UnitId(1 - key.unit.0), ..key };
        assert!(rows.iter().all(|row| row.get(other).is_none()));
    }
    assert_eq!(world.session.channel_name(gearbox), "gearbox:oil");
}

/// ISO 15765-2: a message of 53 bytes is a first frame with 6 and seven consecutive frames.
#[test]
fn answers_of_two_units_pass_frame_by_frame_at_the_same_time() {
    let units = [Unit::new(ENGINE, answers(1, 50, ms(1))), Unit::new(GEARBOX, answers(2, 50, ms(1)))];
    let mut world = World::new(two_units(50), units);
    world.run(ms(200));
    let ids: Vec<Id> = world.bus.passed().map(|passed| passed.frame.id).collect();
    let answers: Vec<Id> = ids.into_iter().filter(|id| [0x5A9, 0x5BA].contains(&number(*id))).collect();
    let changes = answers.windows(2).filter(|pair| pair[0] != pair[1]).count();
    assert!(changes > answers.len() * 3 / 4, "{changes} changes of the sender in {} frames of answers", answers.len());
    for unit in [UnitId(0), UnitId(1)] {
        let rows: Vec<&Row> = world.rows.iter().filter(|row| row.unit == unit).collect();
        assert!(rows.len() > 10);
        assert!(rows.iter().all(|row| row.response[3..] == vec![unit.0 + 1; 50]), "no byte of the other unit");
    }
}

fn number(id: Id) -> u16 {
    match id {
        Id::Standard(id) => id,
        Id::Extended(_) => 0,
    }
}

/// ISO 15765-2 9.6.4.4: a consecutive frame with another sequence number ends the reception.
#[test]
fn a_frame_that_is_lost_in_one_lane_does_not_disturb_the_other() {
    // In the middle of an answer, where the next frame shows the gap; and its last one, where N_Cr does.
    for at in [15_000_000, 20_000_000] {
        one_lane_is_disturbed(Instant::from_nanos(at));
    }
}

fn one_lane_is_disturbed(at: Instant) {
    let run = |lose: bool| {
        let units = [Unit::new(ENGINE, answers(1, 50, ms(1))), Unit::new(GEARBOX, answers(2, 50, ms(1)))];
        let mut world = World::new(two_units(50), units);
        if lose {
            world.bus.plan(Planned { at, who: Who::Tester, strike: Strike::Lose });
        }
        world.run(ms(1_500));
        world
    };
    let (good, struck) = (run(false), run(true));
    assert_eq!(struck.bus.counts().lost, 1);
    let count = |world: &World, unit| world.rows.iter().filter(|row| row.unit == unit).count();
    let report = struck.session.report(struck.bus.now());
    let [engine, gearbox] = &report.units[..] else { panic!("{report:?}") };
    let (hit, spared) = if engine.noise > 0 { (engine, gearbox) } else { (gearbox, engine) };
    assert_eq!((hit.noise, hit.repeats), (1, 1), "{report:?}");
    assert_eq!((spared.noise, spared.repeats, spared.silences), (0, 0, 0), "{report:?}");
    let unit = if engine.noise > 0 { UnitId(1) } else { UnitId(0) };
    assert!(count(&struck, unit) >= count(&good, unit), "the other lane loses nothing");
    assert!(struck.rows.iter().all(|row| row.response[3..] == vec![row.unit.0 + 1; 50]));
    assert_eq!(struck.said(NoteKind::Reconnecting), [""; 0]);
}

#[test]
fn a_unit_that_is_silent_does_not_hold_up_the_other() {
    let units = [Unit::new(ENGINE, answers(1, 1, ms(2))), Unit::new(GEARBOX, |_| vec![])];
    let mut world = World::new(two_units(1), units);
    world.run(ms(1_000));
    let engine = world.rows.iter().filter(|row| row.unit == UnitId(0)).count();
    assert!(engine > 350, "{engine} rows in a second at 2 ms an answer");
    let silent: Vec<String> = world.said(NoteKind::Silence);
    assert!(silent.iter().all(|note| note.starts_with("control unit: gearbox: record 'oil_record':")), "{silent:?}");
    assert!(world.notes.iter().all(|note| note.unit != Some(UnitId(0)) || note.kind == NoteKind::Connected));
}

/// ISO 14229-1 annex A: 78, the answer comes later; P2* holds.
#[test]
fn a_pending_answer_of_one_unit_does_not_hold_up_the_other() {
    let slow = |request: &[u8]| match request {
        [0x22, high, low] => vec![(ms(5), vec![0x7F, 0x22, 0x78]), (ms(400), vec![0x62, *high, *low, 5])],
        _ => vec![],
    };
    let units = [Unit::new(ENGINE, slow), Unit::new(GEARBOX, answers(2, 1, ms(2)))];
    let mut world = World::new(two_units(1), units);
    world.run(ms(1_000));
    let rows = |unit| world.rows.iter().filter(|row| row.unit == unit).count();
    assert_eq!(rows(UnitId(0)), 2);
    assert!(rows(UnitId(1)) > 350);
    let report = world.session.report(world.bus.now());
    assert_eq!((report.pending, report.units[0].pending, report.silences), (2 + 1, 2 + 1, 0), "{report:?}");
}

#[test]
fn requests_of_the_caller_go_to_the_unit_that_is_named() {
    let units = [Unit::new(ENGINE, answers(1, 1, ms(2))), Unit::new(GEARBOX, answers(2, 1, ms(2)))];
    let mut world = World::new(two_units(1), units);
    world.run(ms(20));
    let now = world.bus.now();
    let asked = [0x22, 0x40, 0x77];
    world.session.request_to(now, UnitId(1), &asked, None).unwrap();
    assert!(world.session.request_to(now, UnitId(2), &asked, None).is_err());
    world.run(ms(50));
    assert_eq!((world.unit(0).count(&asked), world.unit(1).count(&asked)), (0, 1));
}
