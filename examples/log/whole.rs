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

#[test]
fn a_unit_on_can_is_logged_as_it_was_sent() {
    let outcome = log("can", &["--definition", "defs/bramble-62.toml", "--for", "3s"]);
    assert_equal(&outcome, &["identification", "engine", "mixture", "knock", "consumption", "learned"]);
}

#[test]
fn standard_channels_are_logged_as_they_were_sent() {
    let outcome = log("standard", &["--definition", "defs/obd-j1979-can.toml", "--for", "4s"]);
    assert_equal(&outcome, &["vin", "engine_speed", "coolant", "monitors", "sensor_1", "torque_points"]);
}

#[test]
fn standard_channels_on_a_k_line_are_logged_as_they_were_sent() {
    let chosen = ["--channels", "engine_speed,coolant,fuel_system", "--for", "3s"];
    let outcome = log("standard-k", &[&["--definition", "defs/obd-j1979-k.toml"][..], &chosen].concat());
    assert_equal(&outcome, &["engine_speed", "coolant", "fuel_system"]);
}

#[test]
fn a_unit_woken_at_five_baud_is_logged_as_it_was_sent() {
    let chosen = ["--channels", "engine_speed,coolant", "--for", "5s"];
    let outcome = log("five-baud", &[&["--definition", "defs/obd-j1979-9141.toml"][..], &chosen].concat());
    assert_equal(&outcome, &["engine_speed", "coolant"]);
}

#[test]
fn two_units_of_one_bus_are_logged_as_they_were_sent() {
    let both = ["engine=defs/bramble-62.toml", "gearbox=defs/bramble-62-gearbox.toml"];
    let chosen = "engine:engine_speed,gearbox:engine_speed,gearbox:converter_slip";
    let arguments = ["--definition", both[0], "--definition", both[1], "--channels", chosen, "--for", "3s"];
    let outcome = log("two-units", &arguments);
    assert_equal(&outcome, &["engine:engine", "gearbox:drive"]);
}

/// Through each door of the bench, as another program opens it.
#[test]
fn a_bus_is_logged_over_every_link_by_its_name() {
    use tickover::bench::real_time::{BenchUnit, Door};
    use tickover::bench::{self, Bench};
    use tickover::link::Clock;

    let file = concat!(env!("CARGO_MANIFEST_DIR"), "/../defs/bramble-62.toml");
    let definition = tickover::Definition::load(file).unwrap();
    for (door, scheme) in [(Door::Terminal, "slcan:"), (Door::Socketcand, "socketcand:127.0.0.1:")] {
        let units = [BenchUnit { definition: &definition, options: bench::Options::default() }];
        let bench = Bench::start_all(&units, door, Clock::start(), None).unwrap();
        assert!(bench.path().starts_with(scheme), "{}", bench.path());
        let options =
            Options::parse_from(["log", "--definition", file, "--port", bench.path(), "--for", "1s", "--json"]);
        let (mut rows, mut words) = (Vec::new(), Vec::new());
        let ended = crate::run(&options, &mut Streams { rows: &mut rows, words: &mut words });
        assert_eq!(ended, Ok(()), "{}", String::from_utf8_lossy(&words));
        let rows = answers(&String::from_utf8(rows).unwrap(), logged).expect("each line is a row");
        assert!(!rows.is_empty() && String::from_utf8(words).unwrap().contains("Cautions"));
        assert!(bench.stop().unwrap().answers >= rows.len() as u64);
    }
}

/// One sentence that says what is wrong with the port.
#[test]
fn a_port_that_cannot_be_used_is_told_in_one_sentence() {
    let file = concat!(env!("CARGO_MANIFEST_DIR"), "/../defs/bramble-62.toml");
    for (port, told) in [
        ("tcp:bench:1", "names no port"),
        ("slcan:/no/such/port", "there is no port /no/such/port"),
        ("socketcand:127.0.0.1:1/can0", "127.0.0.1:1"),
        ("/no/such/port", "there is no port /no/such/port"),
        ("can:no-such-bus", "no-such-bus"),
    ] {
        let options = Options::parse_from(["log", "--definition", file, "--port", port, "--for", "1s"]);
        let sentence = crate::run(&options, &mut Streams { rows: &mut Vec::new(), words: &mut Vec::new() });
        let sentence = sentence.expect_err(port);
        assert!(sentence.contains(told) && !sentence.trim().contains('\n'), "{port}: {sentence}");
    }
}
