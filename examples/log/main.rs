//! Logs the channels of control units: a live table, progress lines or JSON, and a CSV file.

#[path = "../shared/bench.rs"]
mod bench;
mod choice;
#[cfg(all(test, unix))]
#[allow(dead_code, reason = "the report for people is not looked at here")]
#[path = "../compare/comparison.rs"]
mod comparison;
mod file;
mod live;
mod options;
mod report;
mod row_json;
mod screen;
mod session;
#[path = "../shared/signals.rs"]
mod signals;
mod table;
#[path = "../shared/units.rs"]
mod units;
#[cfg(all(test, unix))]
mod whole;

use std::collections::BTreeMap;
use std::io::{self, BufWriter, Write};
use std::process::ExitCode;
use std::sync::atomic::{AtomicBool, Ordering};
use std::time::Duration;

use clap::Parser;
use tickover::Definition;
use tickover::bench::Options as UnitOptions;
use tickover::bench::real_time::{BenchUnit, TruthSink};
use tickover::defs::compiled::Line;
use tickover::link::{self, Clock, Connection, Item, LivePort, Next};
use tickover::record::{Hold, Start};
use tickover::session::{ChannelKey, Fault, NoteKind, Prediction, Session};

use crate::choice::Wish;
use crate::file::Output;
use crate::live::{Channel, Live};
use crate::options::{CAUTIONS, Options};
use crate::report::{Surroundings, closing};
use crate::screen::{Screen, Streams};
use crate::units::Units;

fn main() -> ExitCode {
    let options = Options::parse();
    let mut words: Box<dyn Write> = match options.json {
        true => Box::new(anstream::stderr()),
        false => Box::new(anstream::stdout()),
    };
    match run(&options, &mut Streams { rows: &mut io::stdout(), words: &mut words }) {
        Ok(()) => ExitCode::SUCCESS,
        Err(sentence) => {
            let _ = writeln!(anstream::stderr(), "{sentence}");
            ExitCode::FAILURE
        }
    }
}

/// `Err` is one clear sentence: who is at fault, what was expected, what came, what to try.
fn run(options: &Options, out: &mut Streams<'_>) -> Result<(), String> {
    let units = Units::load(&options.definitions)?;
    let session = units.session()?;
    let chosen = choice::resolve(&session, &units, &options.channels).map_err(|error| error.to_string())?;
    let session = wishes(session, options, &chosen)?;
    let p2 = options.p2.unwrap_or_else(|| p2_assumed(&units));
    let prediction = session.predict(p2);
    if prediction.per_second > 0.0 {
        out.say(&format!("predicted, if the unit answers after {}: {prediction}", report::millis(p2)));
    }

    let stop = signals::stop_flag()?;
    let clock = Clock::start();
    let (port, bench) = match &options.port {
        Some(port) => (link::open_at(port, clock).map_err(|error| error.to_string())?, None),
        None => {
            let (port, bench) = start_bench(options, &units, clock)?;
            (port, Some(bench))
        }
    };
    if bench.is_none() {
        out.say(CAUTIONS);
    }
    let start = Start { at: clock.now(), utc: Some(clock.utc_of(clock.now())) };
    let holds = file::holds(&units, &chosen, &prediction);
    let output = match &options.output {
        None => None,
        Some(path) => Some(Output::create(path, file::columns(&session, &chosen, &holds), start)?),
    };
    let connection = Connection::open(session, port).map_err(|error| error.to_string())?;
    let simulated = if bench.is_some() { ", simulated," } else { "" };
    let title = format!("{}{simulated} on {}", units.title(), connection.port());
    let all = options.channels.is_empty();
    let live = Live::new(title.clone(), start.at, prediction.per_second, shown(&units, &chosen, &holds), all);
    let mut run = Run {
        units: &units,
        clock,
        start,
        connection,
        live,
        output,
        prediction,
        all,
        rows: 0,
        dropped: 0,
        trouble: None,
    };
    let mut screen = Screen::open(options.json).map_err(|error| format!("terminal: {error}"))?;
    let ended = run.until(options.time, &stop, &mut screen, out);
    let closed = run.leave(&mut screen, out);
    drop(screen);
    let bench = bench.map_or(Ok(()), bench::Running::stop);
    run.conclude(out, title, ended.and(closed).and(bench))
}

struct Run<'a> {
    units: &'a Units,
    clock: Clock,
    start: Start,
    connection: Connection,
    live: Live,
    output: Option<Output>,
    prediction: Prediction,
    /// Nothing was chosen: what this variant does not have was not asked for on purpose.
    all: bool,
    rows: u64,
    /// Times that rows were dropped because this program took them too slowly.
    dropped: u64,
    /// What kept the unit from answering, as long as it has not answered.
    trouble: Option<String>,
}

impl Run<'_> {
    /// Shows and writes what comes until it is time, the user ends it, or it cannot go on: then `Err` says why.
    fn until(
        &mut self,
        time: Option<Duration>,
        stop: &AtomicBool,
        screen: &mut Screen,
        out: &mut Streams<'_>,
    ) -> Result<(), String> {
        let end = time.map(|time| self.start.at.after(time));
        let mut next_tick = self.clock.now().after(screen.period());
        let mut items = self.connection.items();
        loop {
            let now = self.clock.now();
            if stop.load(Ordering::Relaxed) || end.is_some_and(|end| now >= end) {
                return Ok(());
            }
            if now >= next_tick {
                next_tick = now.after(screen.period());
                let report = self.connection.report().map_err(|down| down.to_string())?;
                match quietly(screen.tick(out, &mut self.live, &report, now))? {
                    Some(true) => {}
                    Some(false) | None => return Ok(()),
                }
            }
            let patience = next_tick.min(end.unwrap_or(next_tick)).since(now).min(Duration::from_millis(100));
            match items.next_within(patience) {
                Next::Item(Ok(item)) => {
                    if self.take(item, screen, out)?.is_none() {
                        return Ok(());
                    }
                }
                Next::Item(Err(down)) => return Err(down.to_string()),
                Next::NotYet => {}
                Next::End => return Ok(()),
            }
        }
    }

    /// `None`: nobody reads any more.
    fn take(&mut self, item: Item, screen: &mut Screen, out: &mut Streams<'_>) -> Result<Option<()>, String> {
        match item {
            Item::Row(row) => {
                self.rows += 1;
                self.live.row(&row);
                if let Some(output) = &mut self.output {
                    output.write(&row).map_err(|error| error.to_string())?;
                }
                quietly(screen.row(out, &row, self.start.at, self.units))
            }
            Item::Note(note) if self.all && (note.kind, note.fault) == (NoteKind::NotSupported, Fault::Caller) => {
                Ok(Some(()))
            }
            Item::Note(note) => {
                if note.kind == NoteKind::RowsDropped {
                    self.dropped += 1;
                }
                // Of several units the note names its own.
                let told = note.to_string();
                let text = format!("{:.1} s   {told}", note.at.since(self.start.at).as_secs_f64());
                if note.fault != Fault::Nobody {
                    self.trouble = Some(told);
                }
                self.live.note(text.clone());
                quietly(screen.note(out, &text))
            }
        }
    }

    /// Leaves the unit in its default state and takes what had come by then.
    fn leave(&mut self, screen: &mut Screen, out: &mut Streams<'_>) -> Result<(), String> {
        let closed = self.connection.close().map_err(|down| down.to_string());
        let mut items = self.connection.items();
        while let Next::Item(Ok(item)) = items.next_within(Duration::ZERO) {
            self.take(item, screen, out)?;
        }
        closed
    }

    /// Ends the file and gives the closing report.
    fn conclude(self, out: &mut Streams<'_>, title: String, ended: Result<(), String>) -> Result<(), String> {
        let file = self.output.map(Output::finish).transpose();
        let around = Surroundings {
            title,
            predicted: self.prediction.per_second,
            each_predicted: self.prediction.units.iter().map(|unit| unit.per_second).collect(),
            scheduling: self.connection.scheduling().to_string(),
            dropped: self.dropped,
            file: file.as_ref().map_or_else(|sentence| Some(sentence.clone()), Clone::clone),
        };
        let report = self.connection.report().map_err(|down| down.to_string())?;
        out.say("");
        out.say(closing(&report, self.units, &around).trim_end());
        let answered = match self.trouble {
            Some(trouble) if self.rows == 0 => Err(format!("nothing was logged: {trouble}")),
            _ => Ok(()),
        };
        ended.and_then(|()| file.map(drop)).and(answered)
    }
}

/// Switches on the units that stand in for real ones.
fn start_bench(options: &Options, units: &Units, clock: Clock) -> Result<(Box<dyn LivePort>, bench::Running), String> {
    let truth: Option<TruthSink> = match &options.truth {
        None => None,
        Some(path) => Some(Box::new(BufWriter::new(file::create(path)?))),
    };
    let units: Vec<BenchUnit<'_>> = units
        .iter()
        .map(|(_, unit)| BenchUnit {
            definition: &unit.definition,
            options: UnitOptions { p2: options.p2, name: Some(unit.name.clone()), ..UnitOptions::default() },
        })
        .collect();
    bench::start(&units, clock, truth)
}

/// What a quick unit takes for an answer: P2min of a K-line; on CAN, where there is no least time, 1 ms.
fn p2_assumed(units: &Units) -> Duration {
    match units.iter().next().and_then(|(_, unit)| unit.definition.line.as_ref()) {
        Some(Line::KLine(line)) => line.line.timing.p2_min,
        _ => Duration::from_millis(1),
    }
}

fn wishes(session: Session, options: &Options, chosen: &[Wish]) -> Result<Session, String> {
    let session = chosen.iter().fold(session, |session, (channel, rate)| session.watch(*channel, *rate));
    let entered = options.sessions.iter().try_fold(session, |session, name| session.enter(name));
    let session = entered.map_err(|error| error.to_string())?;
    Ok(match options.baud_tolerance_ppm {
        Some(tolerance) => session.baud_tolerance_ppm(tolerance),
        None => session,
    })
}

fn shown(units: &Units, chosen: &[Wish], holds: &BTreeMap<ChannelKey, Hold>) -> Vec<Channel> {
    let channel = |(key, _): &Wish| {
        let definition: &Definition = &units.get(key.unit)?.definition;
        let (_, channel) = choice::channel_in(definition, key.channel)?;
        Some(Channel {
            key: *key,
            name: units.channel_name(*key),
            unit: channel.unit.map(|unit| unit.symbol().to_owned()).unwrap_or_default(),
            decimals: channel.decimals,
            hold: holds.get(key).copied()?,
        })
    };
    chosen.iter().filter_map(channel).collect()
}

/// `None` if the reader has gone (`| head`): not an error, but the end.
fn quietly<T>(written: io::Result<T>) -> Result<Option<T>, String> {
    match written {
        Ok(value) => Ok(Some(value)),
        Err(error) if error.kind() == io::ErrorKind::BrokenPipe => Ok(None),
        Err(error) => Err(format!("output: {error}; the rows so far are kept in the file")),
    }
}
