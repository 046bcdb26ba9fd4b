//! Requests to all units: alone on the bus, answered by this lane's unit.

use tickover::session::{Rate, Session, UnitId};

use super::*;

/// Identifiers of ISO 15765-4 table 3.
const OBD: (u16, u16) = (0x7E0, 0x7E8);

fn obd(id: &str, ids: (u16, u16)) -> Definition {
    let rest = "[record.speed_record]\nread = { pid = 0x0D }\nlength = 1\nsource = \"SAE J1979\"\n\
                [[record.speed_record.check]]\nbytes = \"41 0D 32\"\nsource = \"SAE J1979\"\n\
                [record.speed_record.check.values]\nspeed = 50\n\
                [channel.speed]\nrecord = \"speed_record\"\nat = 0\ndata = \"u8\"\nunit = \"km/h\"\n";
    definition(id, ids, rest)
}

/// Answers 01 00 with the support of PID 0D and further requests; a unit of J1979.
fn of_j1979(speed: u8, after: Duration) -> impl FnMut(&[u8]) -> Vec<Reply> {
    move |request| match request {
        [0x01, 0x00] => vec![(after, vec![0x41, 0x00, 0x00, 0x08, 0x00, 0x00])],
        [0x01, 0x0D] => vec![(after, vec![0x41, 0x0D, speed])],
        _ => vec![],
    }
}

#[test]
fn a_request_of_j1979_goes_to_all_and_the_lane_takes_its_own_units_answer() {
    let session = Session::new(obd("car", OBD));
    let speed = session.channel("speed").unwrap();
    let session = session.watch(speed, Rate::per_second(10));
    // SAE J1979: every unit that knows a PID answers. The other one is faster, and is not ours.
    let units = [Unit::new(OBD, of_j1979(50, ms(10))), Unit::new((0x7E1, 0x7E9), of_j1979(99, ms(3)))];
    let mut world = World::new(session, units);
    world.run(ms(1_000));
    assert!(world.rows.len() > 8, "{} rows, {:?}", world.rows.len(), world.notes);
    assert!(world.rows.iter().all(|row| row.get(speed).and_then(|reading| reading.number()) == Some(50.0)));
    assert!(world.unit(1).asked.iter().all(|(_, functional, _)| *functional));
    let report = world.session.report(world.bus.now());
    assert_eq!((report.noise, report.silences), (0, 0), "{report:?}");
}

/// While a request to all is under way no other lane begins one: frames from one unit never answer two requests.
#[test]
fn a_request_to_all_is_alone_on_the_bus() {
    let gearbox = definition("gearbox-unit", GEARBOX, &byte("oil", 0x4001));
    let session = Session::new(obd("car", OBD)).with_unit("gearbox", gearbox).unwrap();
    let keys = ["car:speed", "gearbox:oil"].map(|name| session.channel(name).unwrap());
    let session = keys.into_iter().fold(session, |session, key| session.watch(key, Rate::Fastest));
    let oil = |request: &[u8]| match request {
        [0x22, high, low] => vec![(ms(4), vec![0x62, *high, *low, 60])],
        _ => vec![],
    };
    let mut world = World::new(session, [Unit::new(OBD, of_j1979(50, ms(6))), Unit::new(GEARBOX, oil)]);
    world.run(ms(3_000));
    let mut open: Option<(Id, Instant)> = None;
    for passed in world.bus.passed() {
        let id = passed.frame.id;
        let Id::Standard(number) = id else { panic!("{id}") };
        match number {
            0x7DF => {
                assert_eq!(open, None, "a request to all beside another, at {}", passed.start);
                open = Some((id, passed.start));
            }
            0x5B2 => {
                assert_eq!(open, None, "a request beside one to all, at {}", passed.start);
                open = Some((id, passed.start));
            }
            0x7E8 | 0x5BA => open = None,
            other => panic!("{other:03X}"),
        }
    }
    let rows = |unit| world.rows.iter().filter(|row| row.unit == unit).count();
    assert!(
        rows(UnitId(0)) > 30 && rows(UnitId(1)) > 30,
        "nobody starves: {} and {}",
        rows(UnitId(0)),
        rows(UnitId(1))
    );
}

/// Two units of J1979, each with a lane: both answer each request to all, and each lane takes what is its own.
#[test]
fn two_lanes_that_ask_all_take_turns() {
    let session = Session::new(obd("one", OBD)).with_unit("two", obd("two", (0x7E1, 0x7E9))).unwrap();
    let keys = ["one:speed", "two:speed"].map(|name| session.channel(name).unwrap());
    let session = keys.into_iter().fold(session, |session, key| session.watch(key, Rate::Fastest));
    let units = [Unit::new(OBD, of_j1979(50, ms(5))), Unit::new((0x7E1, 0x7E9), of_j1979(60, ms(20)))];
    let mut world = World::new(session, units);
    world.run(ms(2_000));
    for (key, value) in keys.into_iter().zip([50.0, 60.0]) {
        let rows: Vec<&Row> = world.rows.iter().filter(|row| row.unit == key.unit).collect();
        assert!(rows.len() > 20, "{} rows of {key:?}", rows.len());
        assert!(rows.iter().all(|row| row.get(key).and_then(|reading| reading.number()) == Some(value)));
    }
    let report = world.session.report(world.bus.now());
    assert_eq!((report.noise, report.silences, report.repeats), (0, 0, 0), "{report:?}\n{:#?}", world.notes);
    // No unit is asked while it still has an answer to give.
    for place in 0..2 {
        let asked: Vec<Instant> = world.unit(place).asked.iter().map(|(end, _, _)| *end).collect();
        let least = if place == 0 { ms(5) } else { ms(20) };
        assert!(asked.windows(2).all(|pair| pair[1].since(pair[0]) >= least), "unit {place}");
    }
}
