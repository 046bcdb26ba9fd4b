//! Refusals and answers that are not what the definition says.

use std::borrow::Cow;

use tickover_defs::compiled::Refusal;
use tickover_services::Effect;
use tickover_session::{NoteKind, Rate, Session};

use crate::bench::{World, reply};
use crate::build::Build;

fn engine() -> Build {
    Build::new().record("engine", 0x01, 4).byte("speed", 0).record("knock", 0x02, 2).byte("retard", 1)
}

#[test]
fn a_record_that_the_unit_does_not_have_is_asked_for_once() {
    let build = engine();
    let session = Session::new(build.definition.clone())
        .watch(build.id("speed"), Rate::per_second(5))
        .watch(build.id("retard"), Rate::per_second(5));
    let mut world = World::new(session, |_, data| match data {
        [0x21, 0x01] => reply(&[0x61, 0x01, 17, 0, 0, 90]),
        [0x21, 0x02] => reply(&[0x7F, 0x21, 0x31]),
        _ => Vec::new(),
    });
    world.run_ms(10_000);
    assert_eq!(world.asked(&[0x21, 0x02]), 1);
    assert!(world.rows().count() > 40);
    assert_eq!(
        world.said(NoteKind::NotSupported),
        "control unit: record 'knock': the unit refused with 31 request out of range (came 7F 21 31); \
         it is asked for no more"
    );
}

#[test]
fn conditions_that_are_not_correct_are_asked_for_again_and_noted_once() {
    let build = engine();
    let session = Session::new(build.definition.clone()).watch(build.id("speed"), Rate::per_second(2));
    let mut number = 0;
    let mut world = World::new(session, move |_, data| match data {
        [0x21, 0x01] => {
            number += 1;
            if number < 6 { reply(&[0x7F, 0x21, 0x22]) } else { reply(&[0x61, 0x01, 17, 0, 0, 90]) }
        }
        _ => Vec::new(),
    });
    world.run_ms(10_000);
    assert_eq!(world.count(NoteKind::Refused), 1);
    assert!(world.rows().count() >= 13);
}

#[test]
fn a_record_refused_after_it_had_answered_means_a_reset() {
    let build = engine();
    let session = Session::new(build.definition.clone()).watch(build.id("speed"), Rate::per_second(2));
    let mut number = 0;
    let mut world = World::new(session, move |_, data| match data {
        [0x21, 0x01] => {
            number += 1;
            if number == 4 { reply(&[0x7F, 0x21, 0x80]) } else { reply(&[0x61, 0x01, 17, 0, 0, 90]) }
        }
        _ => Vec::new(),
    });
    world.run_ms(6_000);
    assert!(world.said(NoteKind::Reconnecting).contains("the unit has been reset"));
    assert!(world.rows().count() > 6);
}

#[test]
fn an_answer_that_starts_otherwise_or_has_another_length_is_not_decoded() {
    for (answer, sentence) in [
        (&[0x61, 0x02, 17, 0, 0, 90][..], "an answer that starts with 61 01 was expected (came 61 02 11 00 00 5A)"),
        (&[0x61, 0x01, 17][..], "the response has 1 data bytes, the definition says 4 (came 61 01 11)"),
    ] {
        let build = engine();
        let session = Session::new(build.definition.clone()).watch(build.id("speed"), Rate::per_second(2));
        let mut world = World::new(session, move |_, data| match data {
            [0x21, 0x01] => reply(answer),
            _ => Vec::new(),
        });
        world.run_ms(5_000);
        assert_eq!(world.rows().count(), 0);
        assert_eq!(
            world.said(NoteKind::Misfit),
            format!(
                "control unit: record 'engine': {sentence}; it was not taken; check that the definition is for this unit"
            )
        );
        assert!(world.asked(&[0x21, 0x01]) > 5, "it is asked for again");
    }
}

/// A declared refusal in front of a code, with the meanings of the definition.
#[test]
fn a_declared_refusal_is_said_in_the_definitions_words() {
    let build = Build::new().record_of("block", &[0x11], &[0x12], (2, 2)).byte("speed", 0).line(|line| {
        line.services = None;
        line.effects = Cow::Borrowed(&[(0x11, Effect::Reads)]);
        line.refusal = Some(Refusal { prefix: Cow::Borrowed(&[0x39]), meanings: vec![(2, "not now".into())].into() });
    });
    let session = Session::new(build.definition.clone()).watch(build.id("speed"), Rate::per_second(1));
    let mut world = World::new(session, |_, data| match data {
        [0x11] => reply(&[0x39, 0x02]),
        _ => Vec::new(),
    });
    world.run_ms(1_500);
    assert!(world.notes().any(|note| note.text.contains("the unit refused with 02 not now (came 39 02)")));
}

#[test]
fn a_channel_that_cannot_be_polled_is_named() {
    use tickover_defs::compiled::{Place, TemplatePart};
    let build = Build::new().record("freeze", 0x05, 1).byte("freeze_speed", 0).but(|record| {
        let place = Place { name: "code".into(), bytes: 2, little_endian: false };
        record.request.0.to_mut().push(TemplatePart::Value(place));
    });
    let session = Session::new(build.definition.clone()).watch(build.id("freeze_speed"), Rate::Fastest);
    let mut world = World::new(session, |_, _| Vec::new());
    world.run_ms(1_000);
    assert_eq!(
        world.said(NoteKind::NotSupported),
        "caller: channel 'freeze_speed' cannot be polled: a value is put into the request of 'freeze'"
    );
}
