//! Definitions that extend others: what comes of it, and how mistakes over several files are shown.

use std::path::{Path, PathBuf};

use tickover::defs::compiled::{Line, Start};
use tickover::defs::{Definition, check};

const BASE: &str = include_str!("defs_extends/moor-base.toml");
const UNIT: &str = include_str!("defs_extends/moor-1.toml");

fn path(file: &str) -> PathBuf {
    Path::new(env!("CARGO_MANIFEST_DIR")).join("defs_extends").join(file)
}

/// The report without the folder of the tests.
fn told(file: &str) -> String {
    let folder = format!("{}{}", path("").display(), "");
    check::file(path(file)).report.plain().replace(&folder, "")
}

#[test]
fn what_is_extended_stands_under_what_extends_it() {
    let definition = Definition::load(path("moor-1.toml")).unwrap_or_else(|report| panic!("{report}"));
    let names: Vec<&str> = definition.channels.iter().map(|name| &**name).collect();
    assert_eq!(names, ["engine_speed", "coolant", "rise"], "the base's first, without what is left out");
    let coolant = definition.base.channel(definition.channel("coolant").unwrap()).unwrap();
    assert_eq!(&*coolant.label, "Coolant temperature");
    assert_eq!(coolant.range, Some((-40.0, 130.0)));
    assert_eq!(definition.base.faults.as_ref().unwrap().known.len(), 1);
    assert_eq!(&*definition.title, "Moor 1");
    let Some(Line::Can(line)) = &definition.line else { panic!("a CAN line") };
    assert_eq!(line.start, Some(Start::Iso15765_4));
}

#[test]
fn checks_are_run_where_they_are_written() {
    assert_eq!(check::file(path("moor-base.toml")).vectors.run, 2);
    assert_eq!(check::file(path("moor-1.toml")).vectors.run, 1);
}

#[test]
fn a_definition_from_memory_is_that_from_files() {
    let from_files = Definition::load(path("moor-1.toml")).unwrap();
    let from_memory = Definition::parse_with(UNIT, "moor-1.toml", |id| (id == "moor-base").then(|| BASE.into()));
    assert_eq!(from_memory.unwrap(), from_files);
}

#[test]
fn a_text_without_its_folder_cannot_extend() {
    let report = Definition::parse(UNIT, "moor-1.toml").unwrap_err();
    let all: Vec<&str> = report.mistakes().map(|found| &*found.message).collect();
    assert_eq!(all, ["`moor-base` cannot be extended: this text was read without its folder"]);
}

#[test]
fn mistakes_are_shown_in_the_file_that_they_are_in() {
    insta::assert_snapshot!("extends", told("moor-2.toml"));
}

#[test]
fn circles_and_files_that_are_not_there_are_told_with_both_places() {
    let reason = std::fs::read_to_string(path("lost-3.toml")).unwrap_err().to_string();
    let lost = told("lost-1.toml").replace(&reason, "it is not there");
    insta::assert_snapshot!("extends_in_vain", told("round-1.toml") + &lost);
}

#[test]
fn a_tower_of_definitions_has_a_top() {
    let storey = |id: &str, below: &str| {
        format!(
            "edition = 1\n[definition]\nid = \"{id}\"\ntitle = \"T\"\nrevision = \"1\"\nsource = \"x\"\nextends = \"{below}\"\n"
        )
    };
    let mut asked = 0;
    let report = Definition::parse_with(&storey("s0", "s1"), "s0.toml", |id| {
        asked += 1;
        let place: usize = id[1..].parse().unwrap();
        Some(storey(id, &format!("s{}", place + 1)))
    });
    let report = report.unwrap_err();
    let all: Vec<&str> = report.mistakes().map(|found| found.code.name()).collect();
    assert_eq!((asked, &*all), (8, &["extends"][..]));
}

#[test]
fn definitions_under_one_another_are_no_larger_together_than_one_may_be() {
    let half = format!("{BASE}#{}", "-".repeat(1 << 19));
    let report =
        Definition::parse_with(&format!("{UNIT}#{}", "-".repeat(1 << 19)), "moor-1.toml", |_| Some(half.clone()));
    let codes: Vec<&str> = report.as_ref().unwrap_err().mistakes().map(|found| found.code.name()).collect();
    assert_eq!(codes, ["too-large"]);
}

/// What is extended is a file of the same folder: not what a link leads to elsewhere, not a pipe that is waited for.
#[cfg(unix)]
#[test]
fn nothing_outside_the_folder_is_read_and_nothing_that_is_no_file() {
    let folder = Path::new(env!("CARGO_TARGET_TMPDIR")).join("defs_extends_links");
    let _ = std::fs::remove_dir_all(&folder);
    std::fs::create_dir_all(folder.join("moor-base.toml")).unwrap();
    let unit = folder.join("moor-1.toml");
    std::fs::write(&unit, UNIT).unwrap();
    let reason = || {
        let report = Definition::load(&unit).unwrap_err();
        let all: Vec<String> = report.mistakes().map(|found| found.message.clone()).collect();
        all.concat().rsplit(": ").next().unwrap().to_owned()
    };
    assert_eq!(reason(), "it is no file");
    std::fs::remove_dir(folder.join("moor-base.toml")).unwrap();
    std::os::unix::fs::symlink(path("moor-base.toml"), folder.join("moor-base.toml")).unwrap();
    assert_eq!(reason(), "it is a link that leads out of the folder");
    std::fs::remove_file(folder.join("moor-base.toml")).unwrap();
    std::fs::write(folder.join("below.toml"), BASE).unwrap();
    std::os::unix::fs::symlink("below.toml", folder.join("moor-base.toml")).unwrap();
    assert!(Definition::load(&unit).is_ok(), "a link within the folder is fine");
}
