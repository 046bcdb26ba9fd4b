//! Simulated control units for other programs to open: behind a pseudo-terminal, on a socketcand server, on a CAN bus.

#[path = "shared/signals.rs"]
mod signals;
#[path = "shared/units.rs"]
mod units;

use std::fs::File;
use std::io::{self, BufWriter, Write};
use std::path::PathBuf;
use std::process::ExitCode;
use std::sync::atomic::Ordering;
use std::time::Duration;

use clap::{Parser, ValueEnum};
use tickover::bench::real_time::{BenchUnit, Door, TruthSink};
use tickover::bench::{self, Bench};
use tickover::link::Clock;

use crate::units::{Source, Unit, Units};

/// Simulates control units on one line, at the line's pace, for other programs to open.
///
/// The first line printed is what to open: the path of a pseudo-terminal for a K-line, slcan:PATH or
/// socketcand:HOST:PORT/NAME for a CAN bus. Testers are served one after the other until Ctrl-C. On a bus that is
/// there already, --on, the units answer whoever asks.
#[derive(Parser, Debug)]
#[command(name = "bench_unit")]
struct Options {
    /// What the unit is. On CAN several share a bus: `--definition engine=FILE --definition gearbox=FILE`.
    #[arg(long = "definition", value_name = "[NAME=]FILE", default_value = "defs/bramble-40.toml")]
    definitions: Vec<Source>,

    /// Which variant of it [default: the first]; `UNIT:NAME` of several units.
    #[arg(long = "variant", value_name = "NAME")]
    variants: Vec<String>,

    /// How a CAN bus is reached.
    #[arg(long, value_enum, default_value_t = Reached::Slcan)]
    by: Reached,

    /// A CAN bus that is there already: can:NAME, slcan:PATH or socketcand:HOST:PORT/NAME.
    #[arg(long, value_name = "PORT", conflicts_with = "by")]
    on: Option<String>,

    /// Writes one line of JSON for every complete answer: time, unit, record, bytes, values.
    #[arg(long, value_name = "FILE")]
    truth: Option<PathBuf>,

    /// How long, as in 60s or 5min [default: until Ctrl-C].
    #[arg(long = "for", value_name = "TIME", value_parser = humantime::parse_duration)]
    time: Option<Duration>,

    /// Response time (P2): end of a request to the start of its answer [default: P2min of a K-line, 1 ms on CAN].
    #[arg(long, value_name = "TIME", value_parser = humantime::parse_duration)]
    p2: Option<Duration>,

    /// Prints every line as JSON: the port first, then what testers do.
    #[arg(long)]
    json: bool,
}

#[derive(Clone, Copy, PartialEq, Eq, Debug, ValueEnum)]
enum Reached {
    /// A pseudo-terminal with an adapter behind it that speaks slcan.
    Slcan,
    /// A socketcand server on a free port of the loopback interface.
    Socketcand,
}

fn main() -> ExitCode {
    match run(&Options::parse()) {
        Ok(()) => ExitCode::SUCCESS,
        Err(sentence) => {
            let _ = writeln!(anstream::stderr(), "{sentence}");
            ExitCode::FAILURE
        }
    }
}

fn run(options: &Options) -> Result<(), String> {
    let units = Units::load(&options.definitions)?;
    let truth: Option<TruthSink> = match &options.truth {
        None => None,
        Some(path) => {
            let file = File::create(path).map_err(|error| format!("file {}: {error}", path.display()))?;
            Some(Box::new(BufWriter::new(file)))
        }
    };
    let stop = signals::stop_flag()?;
    let simulated = units.iter().map(|(_, unit)| simulated(options, &units, unit)).collect::<Vec<_>>();
    if let Some(wrong) =
        options.variants.iter().find(|variant| !units.iter().any(|(_, unit)| of(&units, unit, variant)))
    {
        return Err(format!("caller: `{wrong}` names no unit's variant; expected NAME, or UNIT:NAME of several units"));
    }
    let clock = Clock::start();
    let door = match (&options.on, options.by) {
        (Some(name), _) => Door::Bus(name),
        (None, Reached::Slcan) => Door::Terminal,
        (None, Reached::Socketcand) => Door::Socketcand,
    };
    let bench = Bench::start_all(&simulated, door, clock, truth).map_err(|error| error.to_string())?;
    // A reader that took the port and went is served all the same: what it misses is no error.
    let _ = say(options.json, "port", bench.path());
    let end = options.time.map(|time| clock.now().after(time));
    while bench.is_running() && !stop.load(Ordering::Relaxed) && end.is_none_or(|end| clock.now() < end) {
        let next = clock.now().after(Duration::from_millis(50));
        clock.sleep_until(end.map_or(next, |end| end.min(next)));
        for note in bench.take_notes() {
            let _ = say(options.json, "note", &note.to_string());
        }
    }
    let tally = bench.stop().map_err(|error| error.to_string())?;
    let text = format!("{} complete answers to {} requests", tally.answers, tally.requests);
    let _ = say(options.json, "note", &text);
    Ok(())
}

fn simulated<'a>(options: &Options, units: &Units, unit: &'a Unit) -> BenchUnit<'a> {
    let variant = options.variants.iter().find(|variant| of(units, unit, variant));
    let variant = variant.map(|variant| variant.rsplit(':').next().unwrap_or(variant).to_owned());
    let name = Some(unit.name.clone());
    let options = bench::Options { variant, name, p2: options.p2, ..bench::Options::default() };
    BenchUnit { definition: &unit.definition, options }
}

/// Whether a variant on the command line is meant for this unit.
fn of(units: &Units, unit: &Unit, variant: &str) -> bool {
    match variant.split_once(':') {
        Some((name, _)) => name == unit.name,
        None => units.only().is_some(),
    }
}

fn say(json: bool, what: &str, text: &str) -> io::Result<()> {
    let mut out = io::stdout().lock();
    if json {
        writeln!(out, "{}", serde_json::json!({ what: text }))?
    } else {
        writeln!(out, "{text}")?
    }
    out.flush()
}

#[cfg(test)]
mod tests {
    use clap::CommandFactory;

    use super::*;

    fn sentence(arguments: &[&str]) -> String {
        let defs = concat!(env!("CARGO_MANIFEST_DIR"), "/../defs/");
        let arguments = arguments.iter().map(|argument| argument.replace("defs/", defs));
        let options = ["bench_unit", "--for", "1ms"].map(str::to_owned).into_iter().chain(arguments);
        run(&Options::parse_from(options)).unwrap_err()
    }

    #[test]
    fn the_command_line_is_consistent() {
        Options::command().debug_assert();
    }

    #[test]
    fn the_help_is_complete() {
        insta::assert_snapshot!(Options::command().render_long_help());
    }

    #[test]
    fn a_variant_that_does_not_exist_is_told_with_the_nearest() {
        let sentence = sentence(&["--definition", "defs/bramble-40.toml", "--variant", "lat"]);
        assert!(sentence.contains("no variant 'lat'") && sentence.contains("'late'"), "{sentence}");
    }

    #[test]
    fn units_that_share_no_line_are_told() {
        let sentence = sentence(&["--definition", "defs/bramble-62.toml", "--definition", "defs/bramble-40.toml"]);
        assert!(sentence.contains("do not share a line"), "{sentence}");
    }

    #[test]
    fn of_several_units_a_variant_names_its_own() {
        let both = ["--definition", "engine=defs/bramble-62.toml", "--definition", "defs/bramble-62-gearbox.toml"];
        let sentence = |variant| sentence(&[&both[..], &["--variant", variant]].concat());
        assert!(sentence("blown").contains("UNIT:NAME of several units"));
        assert!(sentence("engine:blow").contains("'blown'"));
    }

    #[test]
    fn a_k_line_has_no_socketcand() {
        let sentence = sentence(&["--definition", "defs/bramble-40.toml", "--by", "socketcand"]);
        assert!(sentence.contains("a K-line is not reached as a CAN bus is"), "{sentence}");
    }

    #[test]
    fn a_bus_that_is_not_there_is_told() {
        let sentence = sentence(&["--definition", "defs/bramble-62.toml", "--on", "can:no-such-bus"]);
        assert!(sentence.contains("no-such-bus"), "{sentence}");
    }
}
