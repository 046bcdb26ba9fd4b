//! What is predicted is what virtual time measures.

use tickover::framing::isotp::Flow;
use tickover::session::{Admission, Rate, Session};

use super::*;

/// Achieved over predicted of one record as fast as possible, for a unit that answers after `p2`.
fn share(length: u16, p2: Duration, flow: Flow) -> f64 {
    let mut definition = definition("engine-unit", ENGINE, &record("oil", 0x4001, length));
    if let Some(Line::Can(can)) = &mut definition.line {
        can.unit.as_mut().unwrap().line.flow = flow;
    }
    let session = Session::new(definition);
    let oil = session.channel("oil").unwrap();
    let session = session.watch(oil, Rate::Fastest);
    let predicted = session.predict(p2).per_second;
    let unit = Unit::new(ENGINE, move |request| {
        vec![(p2, [&[0x62, request[1], request[2]][..], &vec![9; usize::from(length)]].concat())]
    });
    let mut world = World::new(session, [unit]);
    world.run(ms(5_000));
    let report = world.session.report(world.bus.now());
    assert_eq!((report.noise, report.silences, report.repeats), (0, 0, 0), "{report:?}");
    report.achieved.unwrap() / predicted
}

/// Frame times with worst-case stuffing (Davis, Burns, Bril, Lukkien 2007); STmin and block size of ISO 15765-2:2016
/// 9.6.5.
#[test]
fn the_model_of_an_exchange_on_can_is_what_virtual_time_measures() {
    for p2 in [0, 1, 10, 45] {
        for length in [1, 4, 5, 60, 500] {
            for (block_size, st_min) in [(0, 0), (0, 0xF3), (0, 2), (8, 0), (1, 0), (4, 1)] {
                let share = share(length, ms(p2), Flow { block_size, st_min, wait_max: 0 });
                assert!(
                    (0.999..=1.001).contains(&share),
                    "P2 {p2} ms, {length} bytes, BS {block_size}, STmin {st_min:02X}: {share}"
                );
            }
        }
    }
}

#[test]
fn the_largest_part_of_an_exchange_is_named() {
    let mut definition = definition("engine-unit", ENGINE, &record("oil", 0x4001, 200));
    let set = |definition: &mut Definition, st_min| {
        if let Some(Line::Can(can)) = &mut definition.line {
            can.unit.as_mut().unwrap().line.flow.st_min = st_min;
        }
    };
    let binds = |definition: &Definition, p2| {
        let session = Session::new(definition.clone());
        let oil = session.channel("oil").unwrap();
        session.watch(oil, Rate::Fastest).predict(p2).binds
    };
    // By hand: 1 + 1 + 29 + 1 frames of 270 us, 28 pauses of 5 ms.
    set(&mut definition, 5);
    assert_eq!(
        binds(&definition, ms(1)),
        "STmin takes 94 % of an exchange of 149.6 ms; STmin of 0 ms would give 15.52 times the rate, twice the bit rate \
         1.03 times"
    );
    set(&mut definition, 0);
    assert!(
        binds(&definition, ms(40)).starts_with("P2 takes 82 % of an exchange of 48.6 ms"),
        "{}",
        binds(&definition, ms(40))
    );
    assert_eq!(
        binds(&definition, ms(0)),
        "the bytes of the answer take 94 % of an exchange of 8.6 ms; twice the bit rate gives 2.00 times the rate"
    );
}

/// Achieved over predicted of two units with records of so many bytes, both as fast as possible. Their P2 varies by a
/// third around `p2`, as it does in units that have other work.
fn shares_of_two(lengths: [u16; 2], p2: Duration) -> [f64; 2] {
    let [engine, gearbox] = lengths.map(|length| record("oil", 0x4001, length));
    let session = Session::new(definition("engine-unit", ENGINE, &engine))
        .with_unit("gearbox", definition("gearbox-unit", GEARBOX, &gearbox))
        .unwrap();
    let oils = ["engine-unit:oil", "gearbox:oil"].map(|name| session.channel(name).unwrap());
    let session = oils.into_iter().fold(session, |session, oil| session.watch(oil, Rate::Fastest));
    let prediction = session.predict(p2);
    assert!(prediction.line_share <= 1.01 + 1e-9, "{prediction:?}");
    let answers = |length: u16, mut seed: u32| {
        move |request: &[u8]| {
            seed = seed.wrapping_mul(1_664_525).wrapping_add(1_013_904_223);
            let after = p2.mul_f64(2.0 / 3.0 + f64::from(seed >> 16) / 65_536.0 * 2.0 / 3.0);
            vec![(after, [&[0x62, request[1], request[2]][..], &vec![9; usize::from(length)]].concat())]
        }
    };
    let units = [Unit::new(ENGINE, answers(lengths[0], 1)), Unit::new(GEARBOX, answers(lengths[1], 2))];
    let mut world = World::new(session, units);
    world.run(ms(4_000));
    let report = world.session.report(world.bus.now());
    assert_eq!((report.noise, report.silences), (0, 0), "{report:?}");
    let share = |place: usize| report.units[place].achieved.unwrap() / prediction.units[place].per_second;
    [share(0), share(1)]
}

/// ISO 11898-1:2015 10.4.2: the smaller identifier goes first, so a long answer of the engine keeps the gearbox waiting,
/// and not the other way round.
#[test]
fn what_units_of_one_bus_take_from_each_other_is_predicted() {
    for lengths in [[95, 20], [95, 4], [4, 95], [20, 95], [50, 50], [12, 12], [4, 4]] {
        for p2 in [1, 5, 20] {
            let [engine, gearbox] = shares_of_two(lengths, ms(p2));
            let says = || format!("{lengths:?} bytes, P2 {p2} ms: {engine:.3} and {gearbox:.3} of what was predicted");
            assert!((0.9..=1.1).contains(&engine), "{}", says());
            // Lanes that fall into step with each other do better than two that know nothing of each other.
            assert!((0.9..=1.4).contains(&gearbox), "{}", says());
        }
    }
}

/// Two lanes that would fill the bus more than once: the one with the stronger identifier hardly notices the other.
#[test]
fn a_full_bus_is_the_second_limit() {
    let engine = definition("engine-unit", ENGINE, &record("oil", 0x4001, 500));
    let gearbox = definition("gearbox-unit", GEARBOX, &record("oil", 0x4001, 500));
    let session = Session::new(engine).with_unit("gearbox", gearbox).unwrap();
    let oils = ["engine-unit:oil", "gearbox:oil"].map(|name| session.channel(name).unwrap());
    let session = oils.into_iter().fold(session, |session, oil| session.watch(oil, Rate::Fastest));
    let prediction = session.predict(ms(0));
    assert!(prediction.line_share <= 1.01 + 1e-9, "{prediction}");
    assert!(prediction.binds.contains("would fill it to 200 %"), "{prediction}");
    assert_eq!(prediction.admission, Admission::Guaranteed, "nothing is wanted by a period");
    let answer = |request: &[u8]| vec![(ms(0), [&[0x62, request[1], request[2]][..], &[9; 500]].concat())];
    let mut world = World::new(session, [Unit::new(ENGINE, answer), Unit::new(GEARBOX, answer)]);
    world.run(ms(3_000));
    let report = world.session.report(world.bus.now());
    let share = report.achieved.unwrap() / prediction.per_second;
    assert!((0.97..=1.04).contains(&share), "achieved {share} of {prediction}");
}
