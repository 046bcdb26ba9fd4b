//! Compares what was logged with what the bench sent: every value, record by record, in the order of the answers.

mod comparison;
#[cfg(test)]
mod tests;

use std::fs;
use std::io::Write;
use std::path::PathBuf;
use std::process::ExitCode;

use clap::Parser;
use serde_json::Value as Json;

use crate::comparison::{Answer, answers, compare, logged, sent};

/// Compares the rows of `log --json` with the truth file of the bench.
///
/// Each logged row must be one of the answers that the unit sent for its record, later than the one before, with the
/// same bytes and the same values. Answers that were sent and not logged are counted as lost: garbled on the line,
/// sent again, or after the end. Exit status: 0 every row is equal, 1 one is not, 2 a file cannot be read.
#[derive(Parser, Debug)]
#[command(name = "compare")]
struct Options {
    /// Rows as `log --json` printed them.
    log: PathBuf,
    /// What the bench sent: `--truth` of `log` or of `bench_unit`.
    truth: PathBuf,
    /// Prints the result as JSON.
    #[arg(long)]
    json: bool,
}

fn main() -> ExitCode {
    let options = Options::parse();
    let read = |path: &PathBuf, answer: fn(&Json) -> Option<Answer>| {
        let text = fs::read_to_string(path).map_err(|error| format!("{}: {error}", path.display()))?;
        answers(&text, answer).map_err(|line| format!("{}:{line}: this line is no answer of a unit", path.display()))
    };
    let result = read(&options.log, logged).and_then(|log| Ok((log, read(&options.truth, sent)?)));
    let (log, truth) = match result {
        Ok(both) => both,
        Err(sentence) => {
            let _ = writeln!(anstream::stderr(), "{sentence}");
            return ExitCode::from(2);
        }
    };
    let comparison = compare(&log, &truth);
    let text = if options.json { format!("{}\n", comparison.to_json()) } else { comparison.to_string() };
    // A reader that has gone wants no more.
    let _ = anstream::stdout().write_all(text.as_bytes());
    if comparison.unequal.is_empty() { ExitCode::SUCCESS } else { ExitCode::FAILURE }
}
