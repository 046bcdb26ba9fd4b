//! The bus's own conditions: its rate, errors, nobody who acknowledges, a controller that switches itself off.

use tickover::bench::bus::Who;
use tickover::framing::can::{Condition, Filter, Frame};
use tickover::framing::contract::Lost;
use tickover::session::start::Width;
use tickover::session::{NoteKind, Rate, Session, UnitId};

use super::*;

fn session() -> Session {
    let session = Session::new(definition("engine-unit", ENGINE, &byte("oil", 0x4001)));
    let oil = session.channel("oil").unwrap();
    session.watch(oil, Rate::per_second(50))
}

fn engine() -> Unit {
    Unit::new(ENGINE, |request| match request {
        [0x22, high, low] => vec![(ms(2), vec![0x62, *high, *low, 90])],
        _ => vec![],
    })
}

#[test]
fn a_port_at_another_rate_is_an_error_and_nobody_is_asked() {
    let mut world = World::silent(session(), [engine()]);
    let other = Speed::Can { bit_rate: 250_000, data_rate: None, listen_only: false };
    world.bus.tester_always_runs_at(Some(other));
    world.session.connect(world.bus.now(), Reach::IDEAL);
    world.run(ms(500));
    assert_eq!(
        world.said(NoteKind::Speed),
        ["line: 500000 bit/s were asked for, the port's bus runs at 250000 bit/s; set the interface to the \
          definition's bit rate, or use the definition for this bus"]
    );
    assert!(!world.session.is_connected());
    assert_eq!(world.bus.passed().count(), 0);
}

/// A port that has the right rate by itself says so and serves.
#[test]
fn a_port_that_cannot_set_the_rate_serves_if_it_has_it() {
    let mut world = World::silent(session(), [engine()]);
    let same = Speed::Can { bit_rate: BIT_RATE, data_rate: None, listen_only: false };
    world.bus.tester_always_runs_at(Some(same));
    world.session.connect(world.bus.now(), Reach::IDEAL);
    world.run(ms(500));
    assert_eq!(world.said(NoteKind::Speed), [""; 0]);
    assert!(world.rows.len() > 20);
}

#[test]
fn a_port_that_does_not_tell_its_rate_is_named_and_serves() {
    let mut session = session();
    session.connect(Instant::ORIGIN, Reach::IDEAL);
    assert!(matches!(session.poll_output(), Output::Act(tickover::framing::contract::Act::Speed(_))));
    session.handle(Input::SpeedIs { at: Instant::ORIGIN, got: None });
    let Output::Event(Event::Note(note)) = session.poll_output() else { panic!("no note") };
    assert_eq!(note.to_string(), "the port does not tell its bit rate; it must be 500000 bit/s");
    assert!(session.is_connected());
}

/// ISO 11898-1: a sender without acknowledgement becomes passive and repeats for ever.
#[test]
fn nobody_on_the_bus_is_one_clear_sentence() {
    let mut world = World::new(session(), []);
    world.run(ms(3_000));
    let bus = world.said(NoteKind::Bus);
    let sentence = "line: nobody on the bus acknowledges our frames; check that the ignition is on and the bus \
                    connected; all others may run at another bit rate";
    assert_eq!(bus.iter().filter(|note| *note == sentence).count(), 1, "{bus:#?}");
    assert!(bus.len() < 20, "{bus:#?}");
    assert!(world.session.report(world.bus.now()).bus.unacknowledged > 0);
    assert_eq!(world.rows.len(), 0);
}

/// ISO 11898-1:2015 12.1.4: bus off; back after 128 times 11 recessive bits.
#[test]
fn a_controller_that_is_off_sends_nothing_and_the_session_goes_on_when_it_is_back() {
    let mut world = World::new(session(), [engine()]);
    world.run(ms(500));
    let before = world.session.report(world.bus.now());
    let asked = world.unit(0).asked.len();
    let off = world.bus.now();
    world.session.handle(Input::Bus { at: off, condition: Condition::Off });
    world.run(ms(700));
    assert!(world.unit(0).asked.len() <= asked + 1, "nothing is sent while it is off");
    assert!(world.session.is_connected());
    let back = world.bus.now();
    world.session.handle(Input::Bus { at: back, condition: Condition::Active });
    world.run(ms(500));
    let after = world.session.report(world.bus.now());
    assert!(after.responses >= before.responses + 20, "the same statistics go on: {after:?}");
    assert_eq!((after.bus.off, after.reconnections), (1, 1));
    assert!(after.worst_gap >= ms(700));
    assert_eq!(
        world.said(NoteKind::Bus),
        [
            "line: the controller has switched itself off the bus; nothing is sent until it takes part again; check bit \
             rate and wiring; restart the interface if it does not restart by itself",
            "the bus is active again after 0.700 s",
        ]
    );
}

#[test]
fn conditions_that_come_by_the_thousand_are_counted_and_told_now_and_then() {
    let mut world = World::new(session(), [engine()]);
    world.run(ms(100));
    for _ in 0..1_000 {
        let at = world.bus.now();
        world.session.handle(Input::Bus { at, condition: Condition::Error });
    }
    world.run(ms(1));
    let told = world.said(NoteKind::Bus);
    assert_eq!(told.len(), 4, "{told:#?}");
    assert!(told[3].starts_with("line: a frame was destroyed on the bus (1000 times so far);"), "{told:#?}");
    assert_eq!(world.session.report(world.bus.now()).bus.errors, 1_000);
}

/// Common practice, no source: an adapter takes a frame, and says later that it has no room for it.
#[test]
fn a_frame_that_the_adapter_refuses_is_told_and_counted_and_the_session_goes_on() {
    let mut world = World::new(session(), [engine()]);
    world.run(ms(300));
    let rows = world.rows.len();
    let at = world.bus.now();
    for _ in 0..3 {
        world.session.handle(Input::Bus { at, condition: Condition::Refused });
    }
    world.run(ms(300));
    assert_eq!(
        world.said(NoteKind::Bus),
        [
            "line: the adapter refused to send a frame of ours; its queue is full or its channel closed: ask for less per \
          second, and let nobody else use it"
        ]
    );
    assert_eq!(world.session.report(world.bus.now()).bus.refused, 3);
    assert!(world.rows.len() >= rows + 10, "the session goes on");
}

#[test]
fn a_lost_port_is_said_once_for_all_units_and_the_session_can_go_on() {
    let gearbox = definition("gearbox-unit", GEARBOX, &byte("oil", 0x4001));
    let session = session().with_unit("gearbox", gearbox).unwrap();
    let mut world = World::new(session, [engine()]);
    world.run(ms(300));
    let responses = world.session.report(world.bus.now()).responses;
    let at = world.bus.now();
    world.session.handle(Input::Lost { at, cause: Lost::Gone });
    world.run(ms(200));
    assert_eq!(world.said(NoteKind::Lost), ["line: the port is gone; plug the adapter in again"]);
    assert!(!world.session.is_connected());
    world.session.connect(world.bus.now(), Reach::IDEAL);
    world.run(ms(300));
    assert!(world.session.report(world.bus.now()).responses >= responses + 10);
    let connected: Vec<_> = world.notes.iter().filter(|note| note.kind == NoteKind::Connected).collect();
    assert!(connected.iter().any(|note| note.unit == Some(UnitId(0)) && note.text.contains("again after 0.2 s")));
}

#[test]
fn the_frames_that_are_wanted_are_told_once_when_they_change() {
    let mut session = session();
    assert_eq!(session.take_filters(), None);
    session.connect(Instant::ORIGIN, Reach::IDEAL);
    // Whoever answers a request to all is heard, too: it waits for flow control.
    let answers = Width::Bits11.answers();
    assert_eq!(session.take_filters(), Some(vec![Filter::only(Id::Standard(ENGINE.1)), answers]));
    assert_eq!(session.take_filters(), None);
}

#[test]
fn closing_ends_every_lane_and_is_told_once() {
    let gearbox = definition("gearbox-unit", GEARBOX, &byte("oil", 0x4001));
    let mut world = World::new(session().with_unit("gearbox", gearbox).unwrap(), [engine()]);
    world.run(ms(100));
    world.session.close(world.bus.now());
    world.run(ms(300));
    assert!(world.closed && !world.session.is_connected());
    let frames = world.bus.passed().count();
    world.run(ms(300));
    assert_eq!(world.bus.passed().count(), frames, "nothing more is sent");
    assert!(matches!(world.bus.speed_of(Who::Tester), Some(Speed::Can { bit_rate: BIT_RATE, .. })));
}

/// Reserved PDU types (ISO 15765-2:2016 table 8) on a unit's response identifier, three in a millisecond.
#[test]
fn noise_by_the_thousand_is_counted_and_told_ten_times_a_second() {
    let mut world = World::new(session(), [engine()]);
    let junk = Frame::classic(Id::Standard(ENGINE.1), &[0xF0; 8]).unwrap();
    for _ in 0..3_000 {
        world.run(ms(1));
        let end = world.bus.now();
        (0..3).for_each(|_| world.session.handle(Input::Frame { end, frame: &junk }));
    }
    world.run(ms(1));
    let told = world.said(NoteKind::Noise);
    assert!((30..=40).contains(&told.len()), "{} notes in 3 s", told.len());
    assert!(told[9].contains("what else comes within a second is only counted"), "{}", told[9]);
    assert_eq!(world.session.report(world.bus.now()).noise, 9_000);
    assert!(world.rows.len() > 140, "the unit is read all the same: {}", world.rows.len());
    assert!(world.rows.iter().all(|row| row.response == [0x62, 0x40, 0x01, 90]), "no row of noise");
}
