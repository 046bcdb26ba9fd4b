//! The whole program on the built-in bench, as from the command line: each row is one that the bench sent.
//!
//! Values and order are held against the bench's truth file as the `compare` example does it; speed is not: the clock
//! is the real one.

use std::fs;
use std::path::PathBuf;

use clap::Parser;

use crate::comparison::{Comparison, answers, compare, logged, sent};
use crate::options::Options;
use crate::screen::Streams;

/// What came of a run.
struct Outcome {
    compared: Comparison,
    csv: Vec<csv::StringRecord>,
    words: String,
}

/// Runs the program for some seconds on definitions of the folder `defs`.
fn log(name: &str, arguments: &[&str]) -> Outcome {
    let folder = std::env::temp_dir().join(format!("tickover-log-{}-{name}", std::process::id()));
    fs::create_dir_all(&folder).unwrap();
    let (truth, output) = (folder.join("truth.jsonl"), folder.join("run.csv"));
    let at = |path: &PathBuf| path.to_string_lossy().into_owned();
    let fixed = ["log", "--json", "--truth", &at(&truth), "--output", &at(&output)].map(str::to_owned);
    let defs = concat!(env!("CARGO_MANIFEST_DIR"), "/../defs/");
    let arguments = arguments.iter().map(|argument| argument.replace("defs/", defs));
    let options = Options::parse_from(fixed.into_iter().chain(arguments));
    let (mut rows, mut words) = (Vec::new(), Vec::new());
    let ended = crate::run(&options, &mut Streams { rows: &mut rows, words: &mut words });
    let words = String::from_utf8(words).unwrap();
    assert_eq!(ended, Ok(()), "{words}");
    let rows = answers(&String::from_utf8(rows).unwrap(), logged).expect("each line is a row");
    let truth = answers(&fs::read_to_string(&truth).unwrap(), sent).expect("each line is an answer");
    let csv = csv::Reader::from_path(&output).unwrap().records().collect::<Result<Vec<_>, _>>().expect("it is CSV");
    fs::remove_dir_all(&folder).unwrap();
    assert_eq!(csv.len(), rows.len(), "every row has its line in the file");
    Outcome { compared: compare(&rows, &truth), csv, words }
}

/// All that was logged had been sent, and of each of these records there is something.
fn assert_equal(outcome: &Outcome, records: &[&str]) {
    let Outcome { compared, words, .. } = outcome;
    assert!(compared.unequal.is_empty(), "{compared}\n{words}");
    for record in records {
        let counts = compared.records.get(*record);
        assert!(counts.is_some_and(|counts| counts.equal > 0), "{record}: {compared}\n{words}");
    }
    assert!(!outcome.csv.is_empty() && compared.values > 0);
    assert!(words.contains("achieved") && words.contains("predicted"), "{words}");
}

#[test]
fn a_k_line_unit_is_logged_as_it_was_sent() {
    let outcome = log("k-line", &["--definition", "defs/bramble-40.toml", "--for", "4s"]);
    assert_equal(&outcome, &["identification", "engine", "mixture", "knock", "learned"]);
}

#[test]
fn a_unit_with_framing_of_its_own_is_logged_as_it_was_sent() {
    let outcome = log("declared", &["--definition", "defs/thistle-9.toml", "--for", "5s"]);
    assert_equal(&outcome, &["running"]);
}
