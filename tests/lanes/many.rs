//! As many units as a session holds, half of them silent; what a caller may ask of a unit on a bus.

use tickover::services::Effect;
use tickover::session::{ChannelKey, Permit, Rate, RequestError, UnitId};

use super::*;

/// Identifiers of the unit at this place.
fn ids(place: u16) -> (u16, u16) {
    (0x600 + place, 0x680 + place)
}

#[test]
fn sixty_four_units_keep_their_rates_while_every_other_one_is_silent() {
    let unit = |place| definition("a-unit", ids(place), &byte("oil", 0x4001));
    let mut session = Session::new(unit(0)).named("u0").unwrap();
    for place in 1..64 {
        session = session.with_unit(&format!("u{place}"), unit(place)).unwrap();
    }
    for place in 0..64 {
        let oil = session.channel(&format!("u{place}:oil")).unwrap();
        session = session.watch(oil, Rate::per_second(10));
    }
    let units = (0..64_u16).map(|place| {
        Unit::new(ids(place), move |request| match request {
            [0x22, high, low] if place % 2 == 0 => vec![(ms(2), vec![0x62, *high, *low, place as u8])],
            _ => vec![],
        })
    });
    let mut world = World::new(session, units);
    world.run(ms(3_000));
    for place in 0..64_u8 {
        let rows: Vec<&Row> = world.rows.iter().filter(|row| row.unit == UnitId(place)).collect();
        let expected = if place % 2 == 0 { 28..=32 } else { 0..=0 };
        assert!(expected.contains(&rows.len()), "unit {place}: {} rows in 3 s", rows.len());
        let key = |row: &Row| ChannelKey { unit: row.unit, channel: row.readings[0].channel };
        let true_value = |row: &&Row| row.get(key(row)).and_then(|it| it.number()) == Some(f64::from(place));
        assert!(rows.iter().all(true_value), "a value of another unit came as one of {place}");
    }
}

/// ISO 14229-1:2013 11.2, 10.7 and 13.2 (services 14, 2E and 31): none of them only reads.
#[test]
fn what_clears_writes_or_acts_needs_its_permit_on_a_bus_too() {
    let session = Session::new(definition("engine-unit", ENGINE, &byte("oil", 0x4001)));
    let mut world = World::new(session, [Unit::new(ENGINE, |request| vec![(ms(2), vec![request[0] | 0x40])])]);
    world.run(ms(50));
    let now = world.bus.now();
    let acting: [(&[u8], Effect); 3] = [
        (&[0x14, 0xFF, 0xFF, 0xFF], Effect::Clears),
        (&[0x2E, 0xF1, 0x90, 0x01], Effect::Writes),
        (&[0x31, 0x01, 0x02, 0x03], Effect::Actuates),
    ];
    for (request, effect) in acting {
        let refused = world.session.request(now, request, None).unwrap_err();
        assert!(matches!(refused, RequestError::NeedsPermit { effect: needed, .. } if needed == effect), "{refused}");
        let other = if effect == Effect::Clears { Effect::Writes } else { Effect::Clears };
        let refused = world.session.request(now, request, Some(Permit::to(other))).unwrap_err();
        assert!(matches!(refused, RequestError::WrongPermit { .. }), "{refused}");
    }
    world.run(ms(200));
    assert!(acting.iter().all(|(request, _)| world.unit(0).count(request) == 0), "nothing of it reached the unit");
    for (request, effect) in acting {
        let now = world.bus.now();
        world.session.request(now, request, Some(Permit::to(effect))).unwrap();
        world.run(ms(100));
        assert_eq!(world.unit(0).count(request), 1, "{effect}");
    }
}
