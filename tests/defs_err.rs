//! One bad file a rule: `defs_err/RULE.toml`. Its first comment lines are what is to be found in it, all of it.

use std::collections::BTreeSet;
use std::fs;
use std::path::{Path, PathBuf};

use tickover::defs::check;
use tickover::defs::diagnostic::codes;

fn files() -> Vec<PathBuf> {
    let folder = Path::new(env!("CARGO_MANIFEST_DIR")).join("defs_err");
    let mut files: Vec<PathBuf> = fs::read_dir(folder).unwrap().map(|entry| entry.unwrap().path()).collect();
    files.sort();
    files
}

/// `# 11:8: mistake[rule]: sentence`, as the short form of a report has it after the file's name.
fn expected(text: &str) -> Vec<&str> {
    text.lines().map_while(|line| line.strip_prefix("# ")).collect()
}

fn found(text: &str, name: &str) -> Vec<String> {
    let short = check::text(text, name).report.short();
    short.lines().map(|line| line.split_once(": ").map_or("", |_| &line[name.len() + 1..]).to_owned()).collect()
}

#[test]
fn each_bad_file_gives_exactly_the_findings_that_it_announces() {
    for path in files() {
        let name = path.file_name().unwrap().to_str().unwrap();
        let text = fs::read_to_string(&path).unwrap();
        assert!(!expected(&text).is_empty(), "{name} announces nothing");
        assert_eq!(found(&text, name), expected(&text), "{name}");
    }
}

#[test]
fn every_rule_has_its_bad_file() {
    // These are about files that are not text of a sensible size: see below.
    let mut shown = BTreeSet::from(["too-large", "unreadable"]);
    let texts: Vec<String> = files().iter().map(|path| fs::read_to_string(path).unwrap()).collect();
    for line in texts.iter().flat_map(|text| expected(text)) {
        shown.extend(line.split_once('[').and_then(|(_, rest)| rest.split_once(']')).map(|(code, _)| code));
    }
    let known: BTreeSet<&str> = codes::ALL.iter().map(|code| code.name()).collect();
    assert_eq!(shown, known);
}

#[test]
fn a_file_too_large_is_refused_before_it_is_read() {
    let outcome = check::text(&"#".repeat((1 << 20) + 1), "large.toml");
    let codes: Vec<&str> = outcome.report.mistakes().map(|found| found.code.name()).collect();
    assert_eq!(codes, ["too-large"]);
}

#[test]
fn a_file_that_is_not_there_or_not_text_is_a_finding() {
    let missing = check::file("defs_err/no-such-file.toml");
    assert_eq!(missing.report.mistakes().map(|found| found.code.name()).collect::<Vec<_>>(), ["unreadable"]);
    let told = missing.report.plain();
    assert!(told.contains("path of a definition file") && !told.contains("-->"), "nothing to underline: {told}");
    let path = std::env::temp_dir().join(format!("tickover-not-text-{}.toml", std::process::id()));
    fs::write(&path, [0xFF, 0xFE, 0x00]).unwrap();
    let binary = check::file(&path);
    fs::remove_file(&path).unwrap();
    assert_eq!(binary.report.mistakes().map(|found| found.code.name()).collect::<Vec<_>>(), ["unreadable"]);
}
