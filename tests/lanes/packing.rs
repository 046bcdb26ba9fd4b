//! Several identifiers in one request.

use std::collections::BTreeMap;

use tickover::defs::compiled::{Several, SeveralOf};
use tickover::session::{NoteKind, Rate, Session};

use super::*;

/// Channels `a`, `b`, .. of one byte each under 4001, 4002, ..
fn engine(channels: u8, several: Option<(u8, u16)>) -> Definition {
    let rest: String = (0..channels).map(|i| byte(name(i), 0x4001 + u16::from(i))).collect();
    let mut definition = definition("engine-unit", ENGINE, &rest);
    let of = SeveralOf::DataIdentifier;
    definition.base.several = several.map(|(count, longest)| Several { of, count, longest }).into_iter().collect();
    definition
}

fn name(i: u8) -> &'static str {
    ["a", "b", "c", "d", "e", "f"][usize::from(i)]
}

fn watching(definition: &Definition, rates: &[Rate]) -> Session {
    let session = Session::new(definition.clone());
    rates.iter().enumerate().fold(session, |session, (i, rate)| {
        let channel = session.channel(name(i as u8)).unwrap();
        session.watch(channel, *rate)
    })
}

/// ISO 14229-1:2020 11.2: identifiers that it has are answered in the order asked, others left out. Each value is the
/// identifier's low byte times ten.
fn answer(request: &[u8], has: impl Fn(u16) -> bool) -> Vec<Reply> {
    let Some(identifiers) = request.strip_prefix(&[0x22]) else { return vec![] };
    let mut data = vec![0x62];
    for pair in identifiers.chunks(2).filter(|pair| has(u16::from_be_bytes([pair[0], pair[1]]))) {
        data.extend([pair[0], pair[1], pair[1] * 10]);
    }
    if data.len() == 1 {
        data = vec![0x7F, 0x22, 0x31];
    }
    vec![(ms(2), data)]
}

fn values(world: &World) -> BTreeMap<String, Vec<f64>> {
    let mut values: BTreeMap<String, Vec<f64>> = BTreeMap::new();
    for reading in world.rows.iter().flat_map(|row| &row.readings) {
        let name = world.session.definition().channel_name(reading.channel).to_owned();
        values.entry(name).or_default().push(reading.number().unwrap());
    }
    values
}

#[test]
fn records_with_the_same_wish_share_a_request_up_to_its_limits() {
    let definition = engine(5, Some((3, 64)));
    let session = watching(&definition, &[Rate::per_second(10); 5]);
    let mut world = World::new(session, [Unit::new(ENGINE, |request| answer(request, |_| true))]);
    world.run(ms(1_000));
    let three = world.unit(0).count(&[0x22, 0x40, 1, 0x40, 2, 0x40, 3]);
    let two = world.unit(0).count(&[0x22, 0x40, 4, 0x40, 5]);
    assert!((9..=11).contains(&three) && (9..=11).contains(&two), "{three}, {two}");
    assert_eq!(world.unit(0).asked.len(), three + two);
    let values = values(&world);
    for i in 0..5 {
        assert!(
            values[name(i)].len() >= 9 && values[name(i)].iter().all(|v| *v == f64::from(i + 1) * 10.0),
            "{values:?}"
        );
    }
    // A row is one record, with what its answer would have been alone; those of one response share its time.
    let (first, second) = (&world.rows[0], &world.rows[1]);
    assert_eq!((&first.response[..], &second.response[..]), (&[0x62, 0x40, 1, 10][..], &[0x62, 0x40, 2, 20][..]));
    assert_eq!(first.at, second.at);
    assert_eq!(world.session.report(world.bus.now()).responses, (three + two) as u64, "a response counts once");
}

/// `longest` counts data bytes without echoes.
#[test]
fn the_longest_answer_limits_how_many_share_a_request() {
    let session = watching(&engine(3, Some((6, 2))), &[Rate::per_second(10); 3]);
    let mut world = World::new(session, [Unit::new(ENGINE, |request| answer(request, |_| true))]);
    world.run(ms(500));
    assert!(world.unit(0).count(&[0x22, 0x40, 1, 0x40, 2]) > 3 && world.unit(0).count(&[0x22, 0x40, 3]) > 3);
}

#[test]
fn records_with_other_wishes_are_asked_for_by_themselves() {
    let rates = [Rate::per_second(20), Rate::per_second(5), Rate::per_second(20), Rate::Fastest];
    let mut world = World::new(
        watching(&engine(4, Some((6, 64))), &rates),
        [Unit::new(ENGINE, |request| answer(request, |_| true))],
    );
    world.run(ms(1_000));
    let count = |world: &mut World, request: &[u8]| world.unit(0).count(request);
    assert!((19..=21).contains(&count(&mut world, &[0x22, 0x40, 1, 0x40, 3])));
    assert!((4..=6).contains(&count(&mut world, &[0x22, 0x40, 2])));
    assert!(count(&mut world, &[0x22, 0x40, 4]) > 100);
}

#[test]
fn without_several_in_the_definition_nothing_is_packed() {
    let session = watching(&engine(2, None), &[Rate::per_second(10); 2]);
    let mut world = World::new(session, [Unit::new(ENGINE, |request| answer(request, |_| true))]);
    world.run(ms(300));
    assert!(world.unit(0).asked.iter().all(|(_, _, request)| request.len() == 3));
}

#[test]
fn a_unit_that_refuses_the_packed_request_is_asked_one_by_one() {
    let only_one = |request: &[u8]| match request.len() {
        3 => answer(request, |_| true),
        _ => vec![(ms(2), vec![0x7F, 0x22, 0x13])],
    };
    let session = watching(&engine(3, Some((3, 64))), &[Rate::per_second(10); 3]);
    let mut world = World::new(session, [Unit::new(ENGINE, only_one)]);
    world.run(ms(1_000));
    assert_eq!(
        world.said(NoteKind::Refused),
        [
            "control unit: 3 identifiers in one request: the unit refused with 13 incorrect length or invalid format (came \
          7F 22 13); they are asked for one by one"
        ]
    );
    let values = values(&world);
    assert!((0..3).all(|i| values[name(i)].len() >= 8), "{values:?}");
}

#[test]
fn a_unit_that_says_nothing_to_the_packed_request_is_asked_one_by_one() {
    let only_one = |request: &[u8]| if request.len() == 3 { answer(request, |_| true) } else { vec![] };
    let session = watching(&engine(3, Some((3, 64))), &[Rate::per_second(10); 3]);
    let mut world = World::new(session, [Unit::new(ENGINE, only_one)]);
    world.run(ms(2_000));
    let values = values(&world);
    assert!((0..3).all(|i| values[name(i)].len() >= 8), "{values:?}");
    assert_eq!(world.said(NoteKind::Reconnecting), [""; 0]);
}

/// ISO 14229-1:2020 11.2: what is not supported is left out as long as one is.
#[test]
fn what_the_unit_leaves_out_is_not_supported_and_the_others_go_on() {
    let session = watching(&engine(3, Some((3, 64))), &[Rate::per_second(10); 3]);
    let b = session.channel("b").unwrap();
    let mut world = World::new(session, [Unit::new(ENGINE, |request| answer(request, |id| id != 0x4002))]);
    world.run(ms(1_000));
    assert_eq!(
        world.said(NoteKind::NotSupported),
        ["control unit: record 'b_record': the unit leaves it out of its answers; it is asked for no more"]
    );
    assert_eq!(world.session.supports(b), Some(false));
    let values = values(&world);
    assert!(values["a"].len() >= 9 && values["c"].len() >= 9 && !values.contains_key("b"), "{values:?}");
    assert!(world.unit(0).count(&[0x22, 0x40, 1, 0x40, 3]) >= 5);
}

#[test]
fn the_packed_rate_is_predicted_and_reached() {
    let definition = engine(6, Some((6, 64)));
    let alone = watching(&engine(6, None), &[Rate::Fastest; 6]).predict(ms(10));
    let session = watching(&definition, &[Rate::Fastest; 6]);
    let predicted = session.predict(ms(10));
    let of = |prediction: &tickover::session::Prediction| prediction.channels[0].1;
    // By hand: 6 exchanges of 10.54 ms, against one of 2 + 3 frames and two of flow control and 10 ms.
    assert!(of(&predicted) / of(&alone) > 5.0, "{} against {}", of(&predicted), of(&alone));
    let unit =
        Unit::new(ENGINE, |request| answer(request, |_| true).into_iter().map(|(_, data)| (ms(10), data)).collect());
    let mut world = World::new(session, [unit]);
    world.run(ms(5_000));
    let report = world.session.report(world.bus.now());
    let share = report.achieved.unwrap() / predicted.per_second;
    assert!((0.999..=1.001).contains(&share), "{share}");
    assert!(report.channels.iter().all(|channel| (channel.achieved.unwrap() / of(&predicted) - 1.0).abs() < 0.002));
}
