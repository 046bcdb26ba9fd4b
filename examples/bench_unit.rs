//! A simulated control unit on a pseudo-terminal, for other programs to open.

use std::fs::File;
use std::io::{self, BufWriter, Write};
use std::path::PathBuf;
use std::process::ExitCode;
use std::sync::Arc;
use std::sync::atomic::{AtomicBool, Ordering};
use std::time::Duration;

use clap::Parser;
use tickover::Definition;
use tickover::bench::real_time::TruthSink;
use tickover::bench::{self, Bench};
use tickover::link::Clock;

/// Simulates a control unit behind a pseudo-terminal, byte by byte at the line's pace.
///
/// The first line printed is the path to open. It serves one tester after the other until Ctrl-C.
#[derive(Parser, Debug)]
#[command(name = "bench_unit")]
struct Options {
    /// What the unit is.
    #[arg(long, value_name = "FILE", default_value = "defs/bramble-40.toml")]
    definition: PathBuf,

    /// Which variant of it [default: the first].
    #[arg(long, value_name = "NAME")]
    variant: Option<String>,

    /// Writes one line of JSON for every complete answer: time, record, bytes, values.
    #[arg(long, value_name = "FILE")]
    truth: Option<PathBuf>,

    /// How long, as in 60s or 5min [default: until Ctrl-C].
    #[arg(long = "for", value_name = "TIME", value_parser = humantime::parse_duration)]
    time: Option<Duration>,

    /// Response time (P2): end of a request to the start of its answer [default: P2min of the definition].
    #[arg(long, value_name = "TIME", value_parser = humantime::parse_duration)]
    p2: Option<Duration>,

    /// Prints every line as JSON: the path first, then what testers do.
    #[arg(long)]
    json: bool,
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
    let definition = Definition::load(&options.definition).map_err(|report| report.to_string())?;
    let truth: Option<TruthSink> = match &options.truth {
        None => None,
        Some(path) => {
            let file = File::create(path).map_err(|error| format!("file {}: {error}", path.display()))?;
            Some(Box::new(BufWriter::new(file)))
        }
    };
    let stop = Arc::new(AtomicBool::new(false));
    for signal in [signal_hook::consts::SIGINT, signal_hook::consts::SIGTERM] {
        signal_hook::flag::register(signal, Arc::clone(&stop))
            .map_err(|error| format!("system: signals cannot be caught ({error})"))?;
    }
    let unit = bench::Options { variant: options.variant.clone(), p2: options.p2, ..bench::Options::default() };
    let clock = Clock::start();
    let bench = Bench::start(&definition, unit, clock, truth).map_err(|error| error.to_string())?;
    // A reader that took the path and went is served all the same: what it misses is no error.
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

    #[test]
    fn the_command_line_is_consistent() {
        Options::command().debug_assert();
    }

    #[test]
    fn a_variant_that_does_not_exist_is_told_with_the_nearest() {
        let file = concat!(env!("CARGO_MANIFEST_DIR"), "/../defs/bramble-40.toml");
        let options = Options::parse_from(["bench_unit", "--definition", file, "--variant", "lat", "--for", "1ms"]);
        let sentence = run(&options).unwrap_err();
        assert!(sentence.contains("no variant 'lat'") && sentence.contains("'late'"), "{sentence}");
    }
}
