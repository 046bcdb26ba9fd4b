//! What is known of a conversion before any byte has come.

use std::vec;
use std::vec::Vec;

use super::world::World;
use crate::compiled::{Between, Code, Coding, Conversion, Field, Outside, State};
use crate::formula::knowledge::{Direction, Knowledge, decimals, of_field};
use crate::sample::{curve, field};

fn known(text: &str, field: &Field, codes: &[Code]) -> Knowledge {
    let conversion = World::new().compile(text).unwrap().conversion(field.coding);
    of_field(field, &conversion, codes, &[], &[curve("ramp", Between::Linear, Outside::Invalid)])
}

fn byte() -> Field {
    field(&[0], Coding::Unsigned)
}

fn word() -> Field {
    field(&[0, 1], Coding::Unsigned)
}

#[test]
fn decimals_are_those_that_show_one_step() {
    // ceil(-log10(resolution)), from the definition.
    let cases = [
        ("raw", 0),
        ("raw * 10", 0),
        ("raw / 4", 1),
        ("raw * 3/4 - 48", 1),
        ("raw / 16", 2),
        ("raw / 10", 1),
        ("raw / 1000", 3),
        ("raw * 100/255", 1),
        ("raw / 32768", 5),
        ("raw * 5/1024", 3),
    ];
    for (text, wanted) in cases {
        let affine = World::new().compile(text).unwrap().affine.unwrap();
        assert_eq!(decimals(affine), wanted, "{text}");
    }
}

#[test]
fn a_line_is_known_from_end_to_end() {
    let known = known("raw * 3/4 - 48", &byte(), &[]);
    assert_eq!(known.range, Some((-48.0, 143.25)));
    assert_eq!(
        (known.direction, known.invertible, known.ever_invalid),
        (Some(Direction::Rising), Some(true), Some(false))
    );
    assert_eq!(known.resolution, Some(0.75));
}

#[test]
fn a_falling_line_of_a_signed_field_has_its_ends_the_other_way_round() {
    let known = known("5 - raw * 2", &field(&[0], Coding::Signed), &[]);
    assert_eq!((known.range, known.direction), (Some((-249.0, 261.0)), Some(Direction::Falling)));
}

#[test]
fn codes_at_the_ends_are_left_out_of_the_range() {
    let codes =
        [Code { first: 0, last: 0, meaning: "shorted".into() }, Code { first: 250, last: 255, meaning: "open".into() }];
    assert_eq!(known("raw", &byte(), &codes).range, Some((1.0, 249.0)));
}

#[test]
fn a_curve_is_tried_through() {
    let known = known("ramp(raw)", &byte(), &[]);
    assert_eq!(known.range, Some((0.0, 20.0)));
    // It rises to 20 and falls again; beyond its last point it is invalid.
    assert_eq!((known.direction, known.invertible, known.ever_invalid), (None, Some(false), Some(true)));
    assert_eq!((known.resolution, known.decimals), (Some(1.0), 0));
}

#[test]
fn sixteen_bits_are_tried_and_more_are_not() {
    let root = known("sqrt(raw)", &word(), &[]);
    assert_eq!((root.range, root.invertible), (Some((0.0, 65535f64.sqrt())), Some(true)));
    assert_eq!(root.decimals, 3);
    let wide = known("sqrt(raw)", &field(&[0, 1, 2], Coding::Unsigned), &[]);
    assert_eq!((wide.range, wide.invertible, wide.decimals), (None, None, 3));
}

#[test]
fn steps_make_a_conversion_that_cannot_be_inverted() {
    let known = known("floor(raw / 2)", &byte(), &[]);
    assert_eq!((known.direction, known.invertible), (Some(Direction::Rising), Some(false)));
}

#[test]
fn conditions_on_other_channels_are_tried_both_ways() {
    let known = known("if gear == 'drive' then raw / 10 else invalid 'no gear'", &byte(), &[]);
    assert_eq!((known.range, known.decimals), (Some((0.0, 25.5)), 1));
    assert_eq!((known.invertible, known.ever_invalid), (Some(true), Some(true)));
}

#[test]
fn a_number_that_depends_on_other_channels_is_not_known() {
    assert_eq!(known("raw * engine_speed", &byte(), &[]).range, None);
}

#[test]
fn states_alone_have_no_numbers() {
    let states = [State { first: 0, last: 0, name: "no".into() }];
    let known = of_field(&byte(), &Conversion::None, &[], &states, &[]);
    assert_eq!((known.range, known.decimals), (None, 0));
}

/// In an array's formula another array with the same index stands for the element of the same name.
#[test]
fn an_array_stands_for_the_element_of_the_same_name() {
    use crate::formula::{Input, Name, Names, Wanted, compile};
    use crate::unit::UnitCode;
    use crate::value::ChannelId;
    struct Third;
    impl Names for Third {
        fn resolve(&self, name: &str) -> Option<Name> {
            let elements: Vec<Input> = (10..14).map(|id| Input::number(ChannelId(id), UnitCode::ONE)).collect();
            (name == "signal").then_some(Name::Array { elements, here: Some(2) })
        }
    }
    let inputs = |text: &str| compile(text, &Third, Wanted::Number).unwrap().inputs;
    assert_eq!(inputs("signal * 2"), vec![ChannelId(12)]);
    assert_eq!(inputs("signal - min(signal)"), [12, 10, 11, 13].map(ChannelId));
}
