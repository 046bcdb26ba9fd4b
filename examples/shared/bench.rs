//! The built-in bench: simulated units that stand in for real ones, opened as a real line is.

use tickover::bench::Bench;
use tickover::bench::real_time::{BenchError, BenchUnit, Door, Ledger, TruthSink};
use tickover::link::{self, Clock, LivePort};

/// A bench that runs.
pub(crate) enum Running {
    /// Behind a pseudo-terminal, with the same link that drives a real adapter.
    Behind(Bench),
    /// In this program: a pseudo-terminal carries no address at five baud.
    Inside(Ledger),
}

/// Switches units on and opens the line that they share.
pub(crate) fn start(
    units: &[BenchUnit<'_>],
    clock: Clock,
    mut truth: Option<TruthSink>,
) -> Result<(Box<dyn LivePort>, Running), String> {
    let five_baud = units.iter().any(|unit| is_woken_at_five_baud(unit.definition));
    if five_baud {
        let inside = Bench::in_process(units, clock, truth.take()).map_err(|error| error.to_string())?;
        return Ok((Box::new(inside.0), Running::Inside(inside.1)));
    }
    let bench = Bench::start_all(units, Door::Terminal, clock, truth).map_err(|error| error.to_string())?;
    let port = link::open_at(bench.path(), clock).map_err(|error| error.to_string())?;
    Ok((port, Running::Behind(bench)))
}

impl Running {
    /// Switches the units off; the truth is complete then.
    pub(crate) fn stop(self) -> Result<(), String> {
        let ended = match self {
            Self::Behind(bench) => bench.stop(),
            Self::Inside(ledger) => ledger.close().map_err(BenchError::Stopped),
        };
        ended.map(drop).map_err(|error| error.to_string())
    }
}

fn is_woken_at_five_baud(definition: &tickover::Definition) -> bool {
    use tickover::defs::compiled::Line;
    use tickover::framing::kline::Init;
    matches!(&definition.line, Some(Line::KLine(line)) if matches!(line.line.init, Init::FiveBaud(_)))
}
