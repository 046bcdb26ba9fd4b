//! What an author reads: the findings of whole files, as they are shown.

use std::fs;
use std::path::Path;

use tickover::defs::check;
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
