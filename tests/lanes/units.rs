//! Which units fit into one session, and how their channels are named.

use tickover::session::Session;

use super::*;

fn refused(session: Session, name: &str, definition: Definition) -> String {
    session.with_unit(name, definition).expect_err("it does not fit").to_string()
}

fn engine() -> Session {
    Session::new(definition("engine-unit", ENGINE, &byte("oil", 0x4001)))
}

#[test]
fn a_unit_that_does_not_fit_is_refused_in_one_sentence() {
    let gearbox = || definition("gearbox-unit", GEARBOX, &byte("oil", 0x4001));
    assert_eq!(
        refused(engine(), "gear box", gearbox()),
        "caller: 'gear box' cannot name a unit; a name is at least one character, without ':' and blanks"
    );
    assert_eq!(
        refused(engine(), "engine-unit", gearbox()),
        "caller: two units are named 'engine-unit'; give each a name of its own"
    );
    assert_eq!(
        refused(engine(), "gearbox", definition("gearbox-unit", (0x5B2, ENGINE.1), &byte("oil", 0x4001))),
        "caller: 'engine-unit' and 'gearbox' both answer with identifier 5A9; two units on one bus never do"
    );
    let mut slower = gearbox();
    if let Some(Line::Can(can)) = &mut slower.line {
        can.bit_rate = 250_000;
    }
    assert_eq!(
        refused(engine(), "gearbox", slower),
        "caller: 'gearbox-unit' expects a bus at 250000 bit/s, the session's runs at 500000 bit/s; one bus has one bit \
         rate, so one of the definitions is for another bus"
    );
    let k_line = crate::virtual_line::definition("bramble-40");
    assert_eq!(
        refused(engine(), "other", k_line.clone()),
        "caller: 'bramble-40' is reached over a K-line, which carries one conversation; open a session of its own for it"
    );
    assert!(
        refused(Session::new(k_line), "gearbox", gearbox())
            .starts_with("caller: 'bramble-40' is reached over a K-line")
    );
    let base = Definition { line: None, ..gearbox() };
    assert_eq!(
        refused(engine(), "gearbox", base),
        "definition: 'gearbox-unit' has no [line], so its unit is on no bus; use one that extends it and has a line"
    );
}

#[test]
fn a_session_has_an_end_of_units() {
    let mut session = engine();
    for place in 1..64 {
        let ids = (0x100 + place, 0x200 + place);
        session = session.with_unit(&format!("unit-{place}"), definition("more", ids, &byte("oil", 0x4001))).unwrap();
    }
    let one_more = definition("more", (0x300, 0x308), &byte("oil", 0x4001));
    assert_eq!(
        refused(session, "last", one_more),
        "caller: a session holds at most 64 units; open a second session on another port"
    );
}

#[test]
fn names_are_bare_with_one_unit_and_say_the_unit_with_several() {
    let session = engine();
    let oil = session.channel("oil").unwrap();
    assert_eq!((session.channel("engine-unit:oil"), session.channel_name(oil)), (Ok(oil), "oil".to_owned()));
    let gearbox = definition("gearbox-unit", GEARBOX, &byte("oil", 0x4001));
    let session = session.with_unit("gearbox", gearbox).unwrap();
    assert_eq!(session.channel_name(oil), "engine-unit:oil");
    assert_eq!(
        session.channel("oil").unwrap_err().to_string(),
        "caller: definition 'engine-unit' has no unit for 'oil'; the nearest names are 'engine-unit:oil', 'gearbox:oil'"
    );
    assert_eq!(
        session.channel("gearbx:oil").unwrap_err().to_string(),
        "caller: definition 'engine-unit' has no unit 'gearbx'; the nearest name is 'gearbox'"
    );
}
