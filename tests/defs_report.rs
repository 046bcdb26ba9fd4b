//! What an author reads: the findings of whole files, as they are shown.

use std::fs;
use std::path::Path;

use tickover::defs::check;
use tickover::defs::compiled::{Can, Line};
use tickover::defs::diagnostic::Severity;

fn outcome(file: &str) -> check::Outcome {
    let path = Path::new(env!("CARGO_MANIFEST_DIR")).join(file);
    let name = path.file_name().unwrap().to_str().unwrap();
    check::text(&fs::read_to_string(&path).unwrap(), name)
}

#[test]
fn ten_mistakes_give_ten_findings_each_with_its_place() {
    let outcome = outcome("defs_report/ten-mistakes.toml");
    assert!(outcome.definition.is_none());
    assert_eq!(outcome.report.mistakes().count(), 10);
    assert!(outcome.report.mistakes().all(|found| found.place.line > 1 && found.place.column > 0));
    insta::assert_snapshot!("ten_mistakes", outcome.report.plain());
}

#[test]
fn the_model_definition_reads_clean_and_its_checks_hold() {
    let outcome = outcome("defs_ok/larkspur-20.toml");
    assert!(outcome.definition.is_some(), "{}", outcome.report);
    assert!(outcome.vectors.run > 60);
    assert_eq!(outcome.vectors.held, outcome.vectors.run);
    insta::assert_snapshot!("larkspur_20", outcome.report.plain());
}

#[test]
fn the_definition_of_a_bus_that_is_listened_to_reads_clean_and_its_checks_hold() {
    let outcome = outcome("defs_ok/tansy-bus.toml");
    assert!(outcome.report.diagnostics().iter().all(|found| found.severity == Severity::Note), "{}", outcome.report);
    assert_eq!((outcome.vectors.run, outcome.vectors.held), (39, 39));
    let line = outcome.definition.unwrap().line.unwrap();
    assert!(matches!(line, Line::Can(Can { unit: None, bit_rate: 500_000, .. })), "nothing is asked on it: {line:?}");
}

/// Each change gives another number for some bytes, and a check of the file says so.
#[test]
fn no_wrong_frame_passes_the_checks_of_the_bus() {
    let path = Path::new(env!("CARGO_MANIFEST_DIR")).join("defs_ok/tansy-bus.toml");
    let text = fs::read_to_string(path).unwrap();
    for (right, wrong) in [
        ("over = \"0..6\", start = 0x5C", "over = \"0..6\", start = 0x5D"),
        ("over = \"0..6\", start = 0x5C", "over = \"0..5\", start = 0x5C"),
        ("method = \"xor8\"", "method = \"sum8\""),
        ("method = \"sum8\"", "method = \"negated sum8\""),
        ("last = 0xFFEF", "last = 0xFFFF"),
        ("largest_step = 4000", "largest_step = 40"),
        ("data = \"u16le\"\nbits = \"2..15\"", "data = \"u16be\"\nbits = \"2..15\""),
        ("data = \"i16be\"\nbits = \"4..15\"", "data = \"u16be\"\nbits = \"4..15\""),
        ("when = \"page == 'odometer'\"", "when = \"page == 'supply' and supply > 20\""),
        ("fill = 0xFF", "fill = 0x00"),
        ("from = \"coolant\"", "from = \"oil\""),
        ("invalid = { 3 = \"not available\" }\nfrom = \"brake\"", "from = \"clutch\""),
    ] {
        assert!(text.contains(right), "{right}");
        let outcome = check::text(&text.replacen(right, wrong, 1), "tansy-bus.toml");
        assert!(outcome.vectors.held < outcome.vectors.run, "{wrong}: {}", outcome.report);
    }
}

#[test]
fn the_model_of_a_can_line_reads_clean_and_its_checks_hold() {
    let outcome = outcome("defs_ok/larkspur-62.toml");
    assert!(outcome.report.diagnostics().is_empty(), "{}", outcome.report);
    assert!(outcome.vectors.run > 10);
    assert_eq!(outcome.vectors.held, outcome.vectors.run);
}

#[test]
fn the_shipped_definitions_read_clean_and_their_checks_hold() {
    for file in ["../defs/bramble-40.toml", "../defs/thistle-9.toml"] {
        let outcome = outcome(file);
        let serious = outcome.report.diagnostics().iter().filter(|found| found.severity != Severity::Note);
        assert_eq!(serious.count(), 0, "{}", outcome.report);
        assert!(outcome.vectors.run > 30);
        assert_eq!(outcome.vectors.held, outcome.vectors.run);
    }
}

#[test]
fn a_report_for_programs_has_bytes_lines_and_what_to_write() {
    let outcome = check::text("edition = 1\n\n[definition]\nid = \"größe\"\ntitel = 1\n", "sample-1.toml");
    insta::assert_snapshot!("json", serde_json::to_string_pretty(&outcome.report).unwrap());
}
