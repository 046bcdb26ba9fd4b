//! The list of units against an independent implementation of UCUM: the crate `ucum-units` 0.1.0, which takes its
//! atoms from the UCUM organisation's own `ucum-essence.xml`.

use tickover_defs::unit::{self, UNITS, UnitCode};

#[test]
fn every_code_of_the_list_is_ucum() {
    for entry in &UNITS {
        assert!(ucum::validate(entry.code).is_ok(), "{}", entry.code);
    }
}

/// UCUM knows no annotations in its dimensions; our `mg/{stroke}` and `{count}` compare only among themselves.
#[test]
fn units_have_the_dimensions_of_ucum() {
    for (a, first) in UNITS.iter().enumerate() {
        for (b, second) in UNITS.iter().enumerate() {
            let ours = unit::same_dimension(UnitCode(a as u8), UnitCode(b as u8));
            let theirs = ucum::is_comparable(first.code, second.code).unwrap();
            let expected = theirs && first.annotation == second.annotation;
            assert_eq!(ours, expected, "{} and {}", first.code, second.code);
        }
    }
}

#[test]
fn conversions_agree_with_ucum_to_twelve_digits() {
    let mut compared = 0;
    for (a, from) in UNITS.iter().enumerate() {
        for (b, to) in UNITS.iter().enumerate() {
            for value in [-40.0, 0.25, 1.0, 3.7, 850.0, 123_456.789] {
                let Some(ours) = unit::convert(value, UnitCode(a as u8), UnitCode(b as u8)) else { continue };
                let theirs = ucum::convert(value, from.code, to.code).unwrap();
                // Of temperatures the offset sets the size of what is rounded.
                let size =
                    theirs.abs().max(if from.offset.numerator != 0 || to.offset.numerator != 0 { 500.0 } else { 0.0 });
                assert!(
                    (ours - theirs).abs() <= 1e-12 * size,
                    "{value} {} in {}: {ours}, {theirs}",
                    from.code,
                    to.code
                );
                compared += 1;
            }
        }
    }
    assert!(compared > 900, "only {compared} conversions compared");
}

#[test]
fn codes_that_are_caught_as_look_alikes_are_legal_ucum_of_another_dimension() {
    for code in ["mph", "C", "F", "nm", "{rpm}", "G", "S", "mS", "H", "PS", "b", "Mm"] {
        assert!(ucum::validate(code).is_ok(), "{code}");
        let mistake = unit::find(code).unwrap_err();
        let meant = mistake.suggestion.unwrap();
        let same_size = ucum::convert(1.0, code, meant).is_ok_and(|factor| factor == 1.0);
        assert!(!same_size, "{code} is {meant}");
    }
}
