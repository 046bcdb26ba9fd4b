//! Units: names, mistakes and conversions.

use super::{Measure, Mismatch, Quantity, Reference, UNITS, UnitCode, convert, find, same_dimension};

fn unit(code: &str) -> UnitCode {
    find(code).unwrap_or_else(|mistake| panic!("{code}: {mistake}"))
}

fn converted(value: f64, from: &str, to: &str) -> f64 {
    convert(value, unit(from), unit(to)).unwrap()
}

#[test]
fn every_code_is_found_at_its_own_place() {
    for (place, entry) in UNITS.iter().enumerate() {
        assert_eq!(find(entry.code), Ok(UnitCode(place as u8)), "{}", entry.code);
    }
}

/// UCUM 2.1, table 4 and after: mph would be milli-phot, C is coulomb, nm nanometre, F farad, G gauss; an annotation
/// in braces is the unity (UCUM 2.1, paragraph 12).
#[test]
fn codes_that_are_legal_and_wrong_are_caught_with_the_right_one() {
    let cases = [
        ("mph", "[mi_i]/h"),
        ("C", "Cel"),
        ("nm", "N.m"),
        ("{rpm}", "/min"),
        ("F", "[degF]"),
        ("G", "[g]"),
        ("PS", "kW"),
        ("mb", "mbar"),
        ("1/min", "/min"),
    ];
    for (wrong, right) in cases {
        let mistake = find(wrong).unwrap_err();
        assert_eq!(mistake.suggestion, Some(right), "{wrong}");
        assert!(find(right).is_ok());
    }
}

#[test]
fn spellings_of_the_workshop_lead_to_the_code() {
    let cases = [
        ("rpm", "/min"),
        ("RPM", "/min"),
        ("°C", "Cel"),
        ("degC", "Cel"),
        ("kph", "km/h"),
        ("KPA", "kPa"),
        ("Nm", "N.m"),
        ("psi", "[psi]"),
        ("", "1"),
    ];
    for (wrong, right) in cases {
        assert_eq!(find(wrong).unwrap_err().suggestion, Some(right), "{wrong}");
    }
    assert_eq!(find("furlong").unwrap_err().suggestion, None);
}

#[test]
fn every_suggestion_is_a_unit_of_the_list() {
    for text in super::mistake::known() {
        let suggestion = find(text).unwrap_err().suggestion.unwrap();
        assert!(find(suggestion).is_ok(), "{text} leads to {suggestion}");
    }
}

/// SI brochure, 9th edition, table 8 (bar) and 2.3.1 (degree Celsius: t/°C = T/K - 273.15); international mile
/// 1609.344 m; [degF] by its definition, -40 °F = -40 °C.
#[test]
fn conversions_agree_with_their_definitions() {
    assert_eq!(converted(100.0, "Cel", "K"), 373.15);
    assert_eq!(converted(-40.0, "[degF]", "Cel"), -40.0);
    assert_eq!(converted(212.0, "[degF]", "Cel"), 100.0);
    assert_eq!(converted(1.0, "bar", "kPa"), 100.0);
    assert_eq!(converted(1013.25, "hPa", "mbar"), 1013.25);
    assert_eq!(converted(1.0, "[mi_i]/h", "km/h"), 1.609344);
    assert_eq!(converted(6000.0, "/min", "Hz"), 100.0);
    assert_eq!(converted(1.0, "kg/h", "g/s"), 1.0 / 3.6);
    assert_eq!(converted(1.0, "[g]", "m/s2"), 9.80665);
}

#[test]
fn other_dimensions_are_not_converted() {
    assert!(!same_dimension(unit("kPa"), unit("Cel")));
    assert_eq!(convert(1.0, unit("kPa"), unit("Cel")), None);
    // A mass for each stroke is no mass.
    assert_eq!(convert(1.0, unit("mg/{stroke}"), unit("mg")), None);
    assert_eq!(convert(1.0, UnitCode(200), unit("mg")), None);
}

#[test]
fn a_torque_is_no_energy() {
    let (torque, energy) = (Measure::of(unit("N.m")), Measure::of(unit("J")));
    assert!(same_dimension(torque.unit, energy.unit));
    assert_eq!(torque.convert(1.0, energy), Err(Mismatch::Quantity));
}

#[test]
fn a_difference_of_temperatures_is_no_temperature() {
    let (kelvin, celsius) = (Measure::of(unit("K")), Measure::of(unit("Cel")));
    assert_eq!(kelvin.convert(10.0, celsius), Err(Mismatch::Quantity));
    let point = Measure { quantity: Some(Quantity::Temperature), ..kelvin };
    assert_eq!(point.convert(273.15, celsius), Ok(0.0));
}

#[test]
fn a_gauge_pressure_is_not_absolute() {
    let bar = |reference| Measure { reference: Some(reference), ..Measure::of(unit("bar")) };
    let kpa = Measure { reference: Some(Reference::Absolute), ..Measure::of(unit("kPa")) };
    assert_eq!(bar(Reference::Gauge).convert(1.0, kpa), Err(Mismatch::Reference));
    assert_eq!(bar(Reference::Absolute).convert(1.0, kpa), Ok(100.0));
}

#[test]
fn words_of_quantities_and_references_are_read_back() {
    for quantity in [Quantity::Torque, Quantity::Energy, Quantity::Temperature, Quantity::TemperatureDifference] {
        assert_eq!(Quantity::from_word(quantity.word()), Some(quantity));
    }
    for reference in [Reference::Absolute, Reference::Gauge] {
        assert_eq!(Reference::from_word(reference.word()), Some(reference));
    }
}

#[test]
fn conversions_go_there_and_back() {
    for (from, a) in UNITS.iter().enumerate() {
        for (to, b) in UNITS.iter().enumerate() {
            let (from, to) = (UnitCode(from as u8), UnitCode(to as u8));
            let Some(there) = convert(12.5, from, to) else { continue };
            let back = convert(there, to, from).unwrap();
            assert!((back - 12.5).abs() < 1e-9, "{} to {}: {there}, back {back}", a.code, b.code);
        }
    }
}
