//! Leaving: the unit back to its defaults, the port back to its first speed.

use std::time::Duration;

use tickover_framing::contract::{Level, Speed};
use tickover_framing::transport::Reach;
use tickover_session::{Event, NoteKind, Rate, Session};

use crate::bench::{World, reply};
use crate::build::Build;

fn world(enter: bool) -> World {
    let build = Build::new().record("engine", 0x01, 1).byte("speed", 0).session("fast", |line| line.line.baud = 38_400);
    let mut session = Session::new(build.definition.clone()).watch(build.id("speed"), Rate::Fastest);
    if enter {
        session = session.enter("fast").unwrap();
    }
    World::new(session, |_, data| match data {
        [0x10, 0x86] => reply(&[0x50, 0x86]),
        [0x21, 0x01] => reply(&[0x61, 0x01, 9]),
        _ => Vec::new(),
    })
}

fn closed(world: &World) -> usize {
    world.events.iter().filter(|event| matches!(event, Event::Closed)).count()
}

/// ISO 14230-2 5.2: StopCommunication ends the conversation.
#[test]
fn closing_stops_communication_and_tells_it_once() {
    let mut world = world(false);
    world.run_ms(3_000);
    world.session.close(world.now);
    world.run_ms(3_000);
    assert_eq!(world.heard.last().unwrap().1, [0x82]);
    assert_eq!(closed(&world), 1);
    assert!(matches!(world.events.last(), Some(Event::Closed)));
    assert!(!world.session.is_connected());
    assert_eq!(world.speeds.len(), 1);
}

#[test]
fn closing_sets_the_port_back_to_its_first_speed() {
    let mut world = world(true);
    world.run_ms(3_000);
    world.session.close(world.now);
    world.run_ms(3_000);
    let bauds: Vec<u32> =
        world.speeds.iter().map(|speed| if let Speed::Serial { baud, .. } = speed { *baud } else { 0 }).collect();
    assert_eq!(bauds, [10_400, 38_400, 10_400]);
    assert!(matches!(world.events.last(), Some(Event::Closed)));
}

#[test]
fn closing_in_the_middle_of_an_initialisation_leaves_the_line_released() {
    for ms in (0..400).step_by(7) {
        let mut world = world(false);
        world.run_ms(ms);
        world.session.close(world.now);
        world.run_ms(10_000);
        assert_eq!((closed(&world), world.level), (1, Level::High), "closed at {ms} ms");
    }
}

#[test]
fn connecting_anew_in_the_middle_of_an_initialisation_leaves_the_line_released() {
    for ms in (0..400).step_by(7) {
        let mut world = world(false);
        world.run_ms(ms);
        world.session.connect(world.now, Reach::IDEAL);
        world.run_ms(10_000);
        assert!(world.rows().count() > 20, "connected anew at {ms} ms");
        assert_eq!(world.level, Level::High);
    }
}

#[test]
fn closing_is_told_although_the_port_goes_before_it_is_done() {
    for ms in (0..1_000).step_by(9) {
        let mut world = world(true);
        world.run_ms(ms);
        world.session.close(world.now);
        world.run_ms(ms % 40);
        world.unplug();
        world.run_ms(1_000);
        assert_eq!((closed(&world), world.session.is_connected()), (1, false), "closed at {ms} ms");
    }
}

#[test]
fn closing_is_told_although_the_port_makes_no_speed() {
    let mut world = World::silent(Session::new(Build::new().definition));
    world.port_baud = |_| 14_400;
    world.session.connect(world.now, Reach::IDEAL);
    world.session.close(world.now);
    world.run_ms(1_000);
    assert_eq!(closed(&world), 1);
}

#[test]
fn closing_ends_although_somebody_never_stops_talking() {
    for ms in [100, 3_000] {
        let mut world = world(false);
        world.run_ms(ms);
        world.babble(0x00, Duration::from_secs(40));
        world.run_ms(50);
        world.session.close(world.now);
        world.run_ms(30_000);
        assert_eq!((closed(&world), world.session.is_connected()), (1, false), "closed at {ms} ms");
    }
}

#[test]
fn closing_a_silent_or_never_connected_session_ends_too() {
    let mut world = world(false);
    world.set_answering(|_, _| Vec::new());
    world.run_ms(5_000);
    world.session.close(world.now);
    world.run_ms(10_000);
    assert_eq!(closed(&world), 1);

    let mut world = World::silent(Session::new(Build::new().definition));
    world.session.close(world.now);
    world.run_ms(1);
    assert_eq!(closed(&world), 1);
}

#[test]
fn a_closed_session_can_connect_again_and_goes_on() {
    let mut world = world(true);
    world.run_ms(3_000);
    world.session.close(world.now);
    world.run_ms(3_000);
    let before = world.rows().count();
    world.session.connect(world.now, Reach::IDEAL);
    world.run_ms(3_000);
    assert!(world.rows().count() > before + 10);
    assert_eq!(world.count(NoteKind::Entered), 2);
}
