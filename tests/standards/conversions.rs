//! Physical values that the standards print beside their bytes, through a definition.

use tickover::defs::check;

/// Each row of `printed.toml` names its clause; wrong formulas, places or byte orders would not give these values.
#[test]
fn printed_bytes_become_the_printed_values() {
    let outcome = check::text(include_str!("printed.toml"), "printed.toml");
    assert_eq!(outcome.report.to_string(), "");
    assert!(outcome.definition.is_some());
    assert_eq!((outcome.vectors.run, outcome.vectors.held), (13, 13));
}

/// The text of SSF 14230-3 issue 2 8.3.5.2 says 75 km/h where its bytes say 70: a check that follows the text fails.
#[test]
fn a_misprinted_value_is_caught_by_its_bytes() {
    let misprinted = include_str!("printed.toml").replace("fault_vehicle_speed = 70", "fault_vehicle_speed = 75");
    let outcome = check::text(&misprinted, "printed.toml");
    let found: Vec<&str> = outcome.report.diagnostics().iter().map(|found| found.code.name()).collect();
    assert_eq!((found.len(), outcome.definition.is_some()), (1, false), "{found:?}");
    assert_eq!((outcome.vectors.run, outcome.vectors.held), (13, 12));
}
