//! Derived channels: from the latest reading of each input, with its age, never stale.

use std::time::Duration;

use tickover_defs::compiled::{Binary, Code, Every, Node, NodeId};
use tickover_defs::{Invalid, Value};
use tickover_framing::Instant;
use tickover_session::{Rate, Session};

use crate::bench::{World, reply};
use crate::build::Build;

fn two_records() -> Build {
    Build::new().record("engine", 0x01, 1).byte("speed", 0).record("air", 0x02, 1).byte("flow", 0).derived(
        "sum",
        &["speed", "flow"],
        |find| {
            vec![
                Node::Channel(find("speed")),
                Node::Channel(find("flow")),
                Node::Binary(Binary::Add, NodeId(0), NodeId(1)),
            ]
        },
    )
}

fn answer(data: &[u8]) -> Vec<crate::bench::Reply> {
    match data {
        [0x21, 0x01] => reply(&[0x61, 0x01, 10]),
        [0x21, 0x02] => reply(&[0x61, 0x02, 5]),
        _ => Vec::new(),
    }
}

#[test]
fn a_derived_channel_reads_its_inputs_although_nobody_watches_them() {
    let build = two_records();
    let sum = build.id("sum");
    let session = Session::new(build.definition).watch(sum, Rate::per_second(2));
    let mut world = World::new(session, |_, data| answer(data));
    world.run_ms(5_000);
    let values: Vec<_> = world.rows().filter_map(|row| row.get(sum)).map(|reading| reading.value.clone()).collect();
    assert_eq!(values[0], Err(Invalid::Input("flow".into())), "before the other input came");
    assert!(values.len() > 10 && values[1..].iter().all(|value| *value == Ok(Value::Number(15.0))), "{values:?}");
    assert!(world.rows().all(|row| row.readings.len() == 1), "inputs that nobody watches are not in the row");
}

#[test]
fn a_derived_reading_tells_how_old_its_oldest_input_is() {
    let build = two_records();
    let (sum, flow, speed) = (build.id("sum"), build.id("flow"), build.id("speed"));
    let session = Session::new(build.definition)
        .watch(sum, Rate::per_second(1))
        .watch(flow, Rate::per_second(1))
        .watch(speed, Rate::per_second(5));
    let mut world = World::new(session, |_, data| answer(data));
    world.run_ms(5_000);
    let mut flow_at = None;
    for row in world.rows() {
        if row.get(flow).is_some() {
            flow_at = Some(row.at);
        }
        if let (Some(reading), Some(flow_at)) = (row.get(sum), flow_at)
            && row.get(speed).is_some()
        {
            assert_eq!(reading.age, row.at.since(flow_at));
        }
    }
    let oldest = world.rows().filter_map(|row| row.get(sum)).map(|reading| reading.age).max().unwrap();
    assert!(oldest > Duration::from_millis(500), "{oldest:?}");
}

#[test]
fn an_input_older_than_twice_its_period_makes_it_invalid() {
    let build = two_records();
    let (sum, speed) = (build.id("sum"), build.id("speed"));
    let session = Session::new(build.definition).watch(sum, Rate::per_second(2)).watch(speed, Rate::per_second(4));
    // The air record falls silent after 4 s.
    let mut world = World::new(session, |at, data| match data {
        [0x21, 0x02] if at > Instant::from_nanos(4_000_000_000) => reply(&[0x7F, 0x21, 0x22]),
        _ => answer(data),
    });
    world.run_ms(8_000);
    let late: Vec<_> = world.rows().filter(|row| row.at > Instant::from_nanos(5_100_000_000)).collect();
    assert!(!late.is_empty());
    for row in &late {
        let reading = row.get(sum).unwrap();
        assert_eq!(reading.value, Err(Invalid::InputTooOld));
        assert!(reading.age > Duration::from_secs(1));
    }
}

#[test]
fn what_is_read_once_does_not_age() {
    let build = Build::new()
        .record("learned", 0x05, 1)
        .byte("trim", 0)
        .but(|record| record.every = Every::Once)
        .record("engine", 0x01, 1)
        .byte("speed", 0)
        .derived("sum", &["speed", "trim"], |find| {
            vec![
                Node::Channel(find("speed")),
                Node::Channel(find("trim")),
                Node::Binary(Binary::Add, NodeId(0), NodeId(1)),
            ]
        });
    let sum = build.id("sum");
    let session = Session::new(build.definition).watch(sum, Rate::per_second(4));
    let mut world = World::new(session, |_, data| match data {
        [0x21, 0x05] => reply(&[0x61, 0x05, 7]),
        _ => answer(data),
    });
    world.run_ms(20_000);
    assert_eq!(world.asked(&[0x21, 0x05]), 1);
    let last = world.rows().last().unwrap().get(sum).unwrap();
    assert_eq!((last.value.clone(), last.age), (Ok(Value::Number(17.0)), Duration::ZERO));
}

#[test]
fn an_invalid_input_makes_it_invalid_by_name_whichever_came_last() {
    let build = Build::new().record("engine", 0x01, 2).byte("speed", 0).byte("flow", 1).channel_but(|channel| {
        channel.invalid = vec![Code { first: 255, last: 255, meaning: "open".into() }].into();
    });
    let build = build.derived("sum", &["speed", "flow"], |find| {
        vec![Node::Channel(find("speed")), Node::Channel(find("flow")), Node::Binary(Binary::Add, NodeId(0), NodeId(1))]
    });
    let (sum, flow) = (build.id("sum"), build.id("flow"));
    let session = Session::new(build.definition).watch(sum, Rate::per_second(4)).watch(flow, Rate::per_second(4));
    let mut number = 0;
    let mut world = World::new(session, move |_, data| match data {
        [0x21, 0x01] => {
            number += 1;
            reply(&[0x61, 0x01, 10, if number % 2 == 0 { 255 } else { 5 }])
        }
        _ => Vec::new(),
    });
    world.run_ms(5_000);
    for row in world.rows() {
        let expected = match &row.get(flow).unwrap().value {
            Ok(_) => Ok(Value::Number(15.0)),
            Err(invalid) => {
                assert_eq!(*invalid, Invalid::Declared("open".into()));
                Err(Invalid::Input("flow".into()))
            }
        };
        assert_eq!(row.get(sum).unwrap().value, expected, "inputs of one response belong together");
    }
}

#[test]
fn a_rate_of_change_needs_two_readings() {
    let build = Build::new()
        .record("engine", 0x01, 1)
        .byte("speed", 0)
        .derived("slope", &["speed"], |find| vec![Node::Rate(find("speed"))]);
    let slope = build.id("slope");
    let session = Session::new(build.definition).watch(slope, Rate::per_second(2));
    let mut number = 0;
    let mut world = World::new(session, move |_, data| match data {
        [0x21, 0x01] => {
            number += 3;
            reply(&[0x61, 0x01, number])
        }
        _ => Vec::new(),
    });
    world.run_ms(5_000);
    let slopes: Vec<_> = world.rows().map(|row| row.get(slope).unwrap().clone()).collect();
    assert!(slopes[0].value.is_err());
    // 3 a reading, two readings a second.
    assert!(slopes[2..].iter().all(|reading| (reading.number().unwrap() - 6.0).abs() < 0.01), "{slopes:#?}");
}

#[test]
fn supported_is_false_once_the_unit_has_refused() {
    let build = Build::new().record("engine", 0x01, 1).byte("speed", 0).record("air", 0x02, 1).byte("flow", 0).derived(
        "load",
        &["speed", "flow"],
        |find| {
            vec![
                Node::Supported(find("flow")),
                Node::Channel(find("flow")),
                Node::Channel(find("speed")),
                Node::If(NodeId(0), NodeId(1), NodeId(2)),
            ]
        },
    );
    let load = build.id("load");
    let session = Session::new(build.definition).watch(load, Rate::per_second(2));
    let mut world = World::new(session, |_, data| match data {
        [0x21, 0x02] => reply(&[0x7F, 0x21, 0x31]),
        _ => answer(data),
    });
    world.run_ms(5_000);
    assert_eq!(world.rows().last().unwrap().get(load).unwrap().value, Ok(Value::Number(10.0)));
}
