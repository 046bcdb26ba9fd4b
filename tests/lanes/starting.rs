//! A session whose line starts as ISO 15765-4 says.

use tickover::defs::compiled::Start;
use tickover::session::{NoteKind, Rate, Session};

use super::*;

/// A definition that names 7E8 and is started.
fn started() -> Session {
    let rest = "[record.speed_record]\nread = { pid = 0x0D }\nlength = 1\nsource = \"SAE J1979\"\n\
                [[record.speed_record.check]]\nbytes = \"41 0D 32\"\nsource = \"SAE J1979\"\n\
                [record.speed_record.check.values]\nspeed = 50\n\
                [channel.speed]\nrecord = \"speed_record\"\nat = 0\ndata = \"u8\"\nunit = \"km/h\"\n";
    let mut definition = definition("car", (0x7E0, 0x7E8), rest);
    if let Some(Line::Can(can)) = &mut definition.line {
        can.start = Some(Start::Iso15765_4);
    }
    let session = Session::new(definition);
    let speed = session.channel("speed").unwrap();
    session.watch(speed, Rate::per_second(10))
}

fn car(request: &[u8]) -> Vec<Reply> {
    match request {
        [0x01, 0x00] => vec![(ms(10), vec![0x41, 0x00, 0x00, 0x08, 0x00, 0x00])],
        [0x01, 0x0D] => vec![(ms(10), vec![0x41, 0x0D, 50])],
        _ => vec![],
    }
}

/// ISO 15765-4:2005 clause 4: 01 00 to all tells who is there.
#[test]
fn the_bus_is_listened_to_then_asked_and_polling_begins() {
    let mut world = World::new(started(), [Unit::new((0x7E0, 0x7E8), car)]);
    world.run(ms(2_500));
    assert!(world.rows.len() > 5, "{:#?}", world.notes);
    assert!(world.rows[0].at >= Instant::ORIGIN.after(ms(1_000)), "it listens for a second first");
    let connected = world.said(NoteKind::Connected);
    assert_eq!(connected[0], "the bus runs at 500 kbit/s with identifiers of 11 bits; 1 unit answers 01 00: 7E8");
}

#[test]
fn a_unit_that_answers_with_another_identifier_is_taken_for_the_one_written() {
    let mut world = World::new(started(), [Unit::new((0x7E2, 0x7EA), car)]);
    assert_eq!(world.session.take_filters().map(|filters| filters.len()), Some(2), "everything is wanted at first");
    world.run(ms(2_500));
    assert!(world.rows.len() > 5, "{:#?}", world.notes);
    assert_eq!(world.said(NoteKind::Connected)[1], "unit 'car' is taken to be the one that answers with 7EA, not 7E8");
    let only = tickover::framing::can::Filter::only(Id::Standard(0x7EA));
    let filters = world.session.take_filters().unwrap();
    assert!(filters.contains(&only) && !filters.iter().any(|it| it.takes(Id::Standard(ENGINE.1))), "{filters:?}");
}

#[test]
fn a_bus_on_which_nobody_answers_is_tried_again_and_found_later() {
    let mut world = World::silent(started(), []);
    world.bus.set_bystander(true);
    world.session.connect(world.bus.now(), Reach::IDEAL);
    world.run(ms(4_000));
    let told = world.said(NoteKind::NotReady);
    assert!(!told.is_empty() && told[0].contains("; it is tried again; "), "{told:#?}");
    assert!(world.session.is_connected());
    world.bus.attach(Unit::new((0x7E0, 0x7E8), car));
    world.run(ms(10_000));
    assert!(world.rows.len() > 5, "{:#?}", world.notes);
    world.session.close(world.bus.now());
    world.run(ms(100));
    assert!(world.closed && !world.session.is_connected());
}
