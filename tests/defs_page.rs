//! The TOML of the page about the language is what `check` accepts.

use std::fmt::Write;
use std::fs;
use std::path::Path;

use tickover::defs::check::{self, Count};
use tickover::defs::diagnostic::Severity;
use tickover::defs::unit;

const HEAD: &str =
    "edition = 1\n\n[definition]\nid = \"sample-1\"\ntitle = \"Sample\"\nrevision = \"1\"\nsource = \"x\"\n";

fn page() -> String {
    fs::read_to_string(Path::new(env!("CARGO_MANIFEST_DIR")).join("../defs/README.md")).unwrap()
}

/// The fenced blocks that begin with this line.
fn blocks(page: &str, fence: &str) -> Vec<String> {
    let mut found = Vec::new();
    let mut lines = page.lines();
    while lines.any(|line| line == fence) {
        let mut block = String::new();
        for line in lines.by_ref().take_while(|line| *line != "```") {
            writeln!(block, "{line}").unwrap();
        }
        found.push(block);
    }
    found
}

/// No mistake, no warning, and every check holds.
fn assert_spotless(text: &str) {
    let outcome = check::text(text, "sample-1.toml");
    assert!(outcome.report.diagnostics().iter().all(|found| found.severity == Severity::Note), "{}", outcome.report);
    let Count { run, held } = outcome.vectors;
    assert_eq!(run, held);
}

#[test]
fn the_first_block_is_a_whole_definition() {
    let blocks = blocks(&page(), "```toml");
    assert_spotless(&blocks[0]);
}

#[test]
fn the_blocks_together_are_one_definition() {
    let blocks = blocks(&page(), "```toml");
    assert!(blocks.len() >= 6, "{}", blocks.len());
    assert_spotless(&blocks.join("\n"));
}

#[test]
fn the_other_lines_are_definitions_by_themselves() {
    let blocks = blocks(&page(), "```toml,alone");
    assert!(blocks.len() >= 3, "{}", blocks.len());
    for block in blocks {
        assert_spotless(&format!("{HEAD}{block}"));
    }
}

#[test]
fn a_definition_extends_the_page() {
    let page = page();
    let base = blocks(&page, "```toml").join("\n");
    let extends = blocks(&page, "```toml,extends");
    assert_eq!(extends.len(), 1);
    for without in ["", "without = [\"channel.operating_hours\", \"variant\"]\n"] {
        let text = format!("edition = 1\n{without}{}", extends[0]);
        let outcome = check::text_with(&text, "sample-2.toml", |id| (id == "sample-1").then(|| base.clone()));
        assert!(outcome.report.diagnostics().is_empty(), "{}", outcome.report);
        let definition = outcome.definition.unwrap();
        assert_eq!(definition.channel_id("operating_hours").is_none(), !without.is_empty());
    }
}

#[test]
fn every_unit_is_on_the_page() {
    let page = page();
    for unit in &unit::UNITS {
        assert!(page.contains(&format!("`{}`", unit.code)), "{}", unit.code);
    }
}
