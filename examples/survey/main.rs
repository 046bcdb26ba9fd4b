//! Surveys a line: who answers, what identifies them, what they support, which definition fits, what rate to expect.

#[path = "../shared/bench.rs"]
mod built_in;
mod options;
mod report;
#[path = "../shared/signals.rs"]
mod signals;

use std::io::Write;
use std::path::PathBuf;
use std::process::ExitCode;
use std::sync::Arc;
use std::sync::atomic::{AtomicBool, Ordering};
use std::task::Waker;
use std::time::Duration;

use clap::Parser;
use tickover::Definition;
use tickover::bench::{self, real_time::BenchUnit};
use tickover::framing::drive::{Port, turn};
use tickover::link::{self, Clock, LivePort};
use tickover::session::survey::{Findings, Survey, SurveyEvent};

use crate::built_in::Running;
use crate::options::{CAUTIONS, Options, is_for};

fn main() -> ExitCode {
    match run(&Options::parse()) {
        Ok(true) => ExitCode::SUCCESS,
        Ok(false) => ExitCode::from(1),
        Err(sentence) => {
            let _ = writeln!(anstream::stderr(), "{sentence}");
            ExitCode::from(2)
        }
    }
}

/// Whether a definition fits; `Err` is one clear sentence.
fn run(options: &Options) -> Result<bool, String> {
    let definitions = options.definitions()?;
    let stop = signals::stop_flag()?;
    let clock = Clock::start();
    let (mut port, bench) = match &options.port {
        Some(port) => (link::open_at(port, clock).map_err(|error| error.to_string())?, None),
        None => {
            let (port, bench) = start_bench(&definitions, clock)?;
            (port, Some(bench))
        }
    };
    if bench.is_none() {
        say(options, CAUTIONS);
    }
    say(options, &format!("surveys {}", port.description()));
    let known: Vec<Definition> = definitions.iter().map(|(_, definition)| definition.clone()).collect();
    let tell = |text: &str| say(options, &format!("{:.1} s   {text}", clock.now().as_nanos() as f64 / 1e9));
    wake_when_stopped(&stop, port.waker(), clock)?;
    let findings = survey(known, &mut port, &stop, tell).ok_or("stopped before everything was asked")?;
    if let Some(bench) = bench {
        bench.stop()?;
    }
    let report = report::Report { definitions: &definitions, findings: &findings, port: options.port.as_deref() };
    let text = if options.json { format!("{}\n", report.to_json()) } else { format!("\n{report}") };
    // Whoever has stopped reading wants no more.
    let _ = anstream::stdout().write_all(text.as_bytes());
    Ok(findings.best().is_some())
}

/// PIDs that a plain petrol engine with one bank has. Common practice, no source.
const PIDS: &[u8] = &[
    0x01, 0x03, 0x04, 0x05, 0x06, 0x07, 0x0B, 0x0C, 0x0D, 0x0E, 0x0F, 0x10, 0x11, 0x13, 0x14, 0x15, 0x1C, 0x1F, 0x21,
    0x2E, 0x2F, 0x30, 0x31, 0x33, 0x34, 0x3C, 0x41, 0x42, 0x43, 0x44, 0x45, 0x46, 0x49, 0x4C, 0x51,
];

/// Puts a unit of every definition for CAN on one bus.
fn start_bench(definitions: &[(PathBuf, Definition)], clock: Clock) -> Result<(Box<dyn LivePort>, Running), String> {
    let on_can = definitions.iter().map(|(_, definition)| definition).filter(|definition| is_for(definition, true));
    let options = bench::Options { pids: Some(PIDS.to_vec()), ..bench::Options::default() };
    let units: Vec<BenchUnit<'_>> =
        on_can.map(|definition| BenchUnit { definition, options: options.clone() }).collect();
    built_in::start(&units, clock, None)
}

/// Asks until all has been asked; `None` if it was stopped before.
fn survey<P: Port + ?Sized>(
    definitions: Vec<Definition>,
    port: &mut P,
    stop: &AtomicBool,
    mut progress: impl FnMut(&str),
) -> Option<Findings> {
    let mut survey = Survey::new(definitions);
    survey.begin(port.now(), port.reach());
    let mut found = None;
    while found.is_none() && !stop.load(Ordering::Relaxed) {
        turn(&mut survey, port, |_, event| match event {
            SurveyEvent::Progress(text) => progress(&text),
            SurveyEvent::Done(findings) => found = Some(findings),
            _ => {}
        });
    }
    found
}

/// Ends the wait for the line once the flag is set.
fn wake_when_stopped(stop: &Arc<AtomicBool>, waker: Waker, clock: Clock) -> Result<(), String> {
    let stop = Arc::clone(stop);
    let watch = move || {
        while !stop.load(Ordering::Relaxed) {
            clock.sleep_until(clock.now().after(Duration::from_millis(50)));
        }
        waker.wake();
    };
    let thread = std::thread::Builder::new().name("stop".into()).spawn(watch);
    thread.map(drop).map_err(|error| format!("system: no thread can be started ({error})"))
}

/// Said beside the findings: to the error output if JSON goes to the other.
fn say(options: &Options, text: &str) {
    let _ = match options.json {
        true => writeln!(anstream::stderr(), "{text}"),
        false => writeln!(anstream::stdout(), "{text}"),
    };
}

#[cfg(test)]
mod tests {
    use tickover::bench::{Bus, Simulated};
    use tickover::framing::time::Instant;
    use tickover::framing::transport::Reach;

    use super::*;

    fn definitions(ids: &[&str]) -> Vec<(PathBuf, Definition)> {
        let load = |id: &&str| {
            let file = format!("{}/../defs/{id}.toml", env!("CARGO_MANIFEST_DIR"));
            (PathBuf::from(format!("defs/{id}.toml")), Definition::load(file).expect("it is shipped"))
        };
        ids.iter().map(load).collect()
    }

    /// The report of a survey, in virtual time, on a bus with these units.
    fn surveyed(units: &[&str], asked: &[&str]) -> String {
        let options = bench::Options { pids: Some(PIDS.to_vec()), ..bench::Options::default() };
        let mut bus = Bus::new(Reach::IDEAL, 500_000);
        bus.set_bystander(true);
        for (_, definition) in definitions(units) {
            bus.attach(Simulated::new(&definition, &options, Instant::ORIGIN).expect("it has a line"));
        }
        let asked = definitions(asked);
        let known = asked.iter().map(|(_, definition)| definition.clone()).collect();
        let findings = survey(known, &mut bus, &AtomicBool::new(false), |_| {}).expect("nobody stops it");
        report::Report { definitions: &asked, findings: &findings, port: Some("can:can0") }.to_string()
    }

    #[test]
    fn units_of_one_bus_are_told_with_what_they_have() {
        let all = ["obd-j1979-can", "bramble-62", "bramble-62-gearbox"];
        insta::assert_snapshot!(surveyed(&all, &all));
    }

    #[test]
    fn a_bus_where_no_definition_fits_is_told() {
        insta::assert_snapshot!(surveyed(&["bramble-62"], &["obd-j1979-can", "bramble-62-gearbox", "obd-j1979"]));
    }
}
