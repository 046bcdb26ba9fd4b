//! Logs the channels of a control unit: a live table, progress lines or JSON, and a CSV file.

mod choice;
mod file;
mod live;
mod options;
mod report;
mod row_json;
mod screen;
mod table;

use std::io::{self, BufWriter, Write};
use std::process::ExitCode;
use std::sync::Arc;
use std::sync::atomic::{AtomicBool, Ordering};
use std::time::Duration;

use clap::Parser;
use tickover::Definition;
use tickover::bench::real_time::TruthSink;
use tickover::bench::{self, Bench};
use tickover::defs::ChannelId;
use tickover::defs::compiled::Line;
use tickover::link::{Clock, Connection, Item, Next, Serial};
use tickover::record::Start;
use tickover::session::{Fault, NoteKind, Prediction, Rate, Session};

use crate::file::Output;
use crate::live::{Channel, Live};
use crate::options::{CAUTIONS, Options};
use crate::report::{Surroundings, closing};
use crate::screen::Screen;

fn main() -> ExitCode {
    match run(&Options::parse()) {
        Ok(()) => ExitCode::SUCCESS,
        Err(sentence) => {
            let _ = writeln!(anstream::stderr(), "{sentence}");
            ExitCode::FAILURE
        }
    }
}

/// `Err` is one clear sentence: who is at fault, what was expected, what came, what to try.
fn run(options: &Options) -> Result<(), String> {
    let definition = Definition::load(&options.definition).map_err(|error| error.to_string())?;
    let chosen = choice::resolve(&definition, &options.channels).map_err(|error| error.to_string())?;
    let session = session(options, &definition, &chosen)?;
    let p2 = options.p2.unwrap_or_else(|| p2_min(&definition));
    let prediction = session.predict(p2);
    say(options, &format!("predicted, if the unit answers after {}: {prediction}", report::millis(p2)));

    let stop = stop_on_signals()?;
    let clock = Clock::start();
    let bench = match options.port {
        None => Some(start_bench(options, &definition, clock)?),
        Some(_) => None,
    };
    let path = match (&options.port, &bench) {
        (Some(port), _) => port.clone(),
        (None, Some(bench)) => bench.path().to_owned(),
        (None, None) => String::new(),
    };
    let port = Serial::open_at(path, clock).map_err(|error| error.to_string())?;
    if bench.is_none() {
        say(options, CAUTIONS);
    }
    let start = Start { at: clock.now(), utc: Some(clock.utc_of(clock.now())) };
    let output = match &options.output {
        None => None,
        Some(path) => Some(Output::create(path, file::columns(&definition, &chosen, &prediction), start)?),
    };
    let connection = Connection::open(session, port).map_err(|error| error.to_string())?;
    let simulated = if bench.is_some() { ", simulated," } else { "" };
    let title = format!("{}{simulated} on {}", definition.title, connection.port());
    let live = Live::new(title.clone(), start.at, prediction.per_second, shown(&definition, &chosen, &prediction));
    let mut run = Run {
        definition: &definition,
        clock,
        start,
        connection,
        live,
        output,
        predicted: prediction.per_second,
        all: options.channels.is_empty(),
        rows: 0,
        dropped: 0,
        trouble: None,
    };
    let mut screen = Screen::open(options.json).map_err(|error| format!("terminal: {error}"))?;
    let ended = run.until(options.time, &stop, &mut screen);
    let closed = run.leave(&mut screen);
    drop(screen);
    let bench = bench.map_or(Ok(()), |bench| bench.stop().map(drop).map_err(|error| error.to_string()));
    run.conclude(options, title, ended.and(closed).and(bench))
}

struct Run<'a> {
    definition: &'a Definition,
    clock: Clock,
    start: Start,
    connection: Connection,
    live: Live,
    output: Option<Output>,
    predicted: f64,
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
    fn until(&mut self, time: Option<Duration>, stop: &AtomicBool, screen: &mut Screen) -> Result<(), String> {
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
                match quietly(screen.tick(&mut self.live, &report, now))? {
                    Some(true) => {}
                    Some(false) | None => return Ok(()),
                }
            }
            let patience = next_tick.min(end.unwrap_or(next_tick)).since(now).min(Duration::from_millis(100));
            match items.next_within(patience) {
                Next::Item(Ok(item)) => {
                    if self.take(item, screen)?.is_none() {
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
    fn take(&mut self, item: Item, screen: &mut Screen) -> Result<Option<()>, String> {
        match item {
            Item::Row(row) => {
                self.rows += 1;
                self.live.row(&row);
                if let Some(output) = &mut self.output {
                    output.write(&row).map_err(|error| error.to_string())?;
                }
                quietly(screen.row(&row, self.start.at, self.definition))
            }
            Item::Note(note) if self.all && (note.kind, note.fault) == (NoteKind::NotSupported, Fault::Caller) => {
                Ok(Some(()))
            }
            Item::Note(note) => {
                if note.kind == NoteKind::RowsDropped {
                    self.dropped += 1;
                }
                if note.fault != Fault::Nobody {
                    self.trouble = Some(note.to_string());
                }
                let text = format!("{:.1} s   {note}", note.at.since(self.start.at).as_secs_f64());
                self.live.note(text.clone());
                quietly(screen.note(&text))
            }
        }
    }

    /// Leaves the unit in its default state and takes what had come by then.
    fn leave(&mut self, screen: &mut Screen) -> Result<(), String> {
        let closed = self.connection.close().map_err(|down| down.to_string());
        let mut items = self.connection.items();
        while let Next::Item(Ok(item)) = items.next_within(Duration::ZERO) {
            self.take(item, screen)?;
        }
        closed
    }

    /// Ends the file and gives the closing report.
    fn conclude(self, options: &Options, title: String, ended: Result<(), String>) -> Result<(), String> {
        let file = self.output.map(Output::finish).transpose();
        let around = Surroundings {
            title,
            predicted: self.predicted,
            scheduling: self.connection.scheduling().to_string(),
            dropped: self.dropped,
            file: file.as_ref().map_or_else(|sentence| Some(sentence.clone()), Clone::clone),
        };
        let report = self.connection.report().map_err(|down| down.to_string())?;
        say(options, "");
        say(options, closing(&report, self.definition, &around).trim_end());
        let answered = match self.trouble {
            Some(trouble) if self.rows == 0 => Err(format!("nothing was logged: {trouble}")),
            _ => Ok(()),
        };
        ended.and_then(|()| file.map(drop)).and(answered)
    }
}

/// Switches on the unit that stands in for a real one.
fn start_bench(options: &Options, definition: &Definition, clock: Clock) -> Result<Bench, String> {
    let truth: Option<TruthSink> = match &options.truth {
        None => None,
        Some(path) => Some(Box::new(BufWriter::new(file::create(path)?))),
    };
    let unit = bench::Options { p2: options.p2, ..bench::Options::default() };
    Bench::start(definition, unit, clock, truth).map_err(|error| error.to_string())
}

/// P2min of the definition's line: a unit that answers as soon as it may.
fn p2_min(definition: &Definition) -> Duration {
    match &definition.line {
        Some(Line::KLine(line)) => line.line.timing.p2_min,
        _ => Duration::ZERO,
    }
}

fn session(options: &Options, definition: &Definition, chosen: &[(ChannelId, Rate)]) -> Result<Session, String> {
    let mut session = Session::new(definition.clone());
    for (channel, rate) in chosen {
        session = session.watch(*channel, *rate);
    }
    if let Some(name) = &options.session {
        session = session.enter(name).map_err(|error| error.to_string())?;
    }
    Ok(match options.baud_tolerance_ppm {
        Some(tolerance) => session.baud_tolerance_ppm(tolerance),
        None => session,
    })
}

fn shown(definition: &Definition, chosen: &[(ChannelId, Rate)], prediction: &Prediction) -> Vec<Channel> {
    let holds = file::holds(definition, chosen, prediction);
    let channel = |(id, _): &(ChannelId, Rate)| {
        let (_, channel) = choice::channel_in(definition, *id)?;
        Some(Channel {
            id: *id,
            name: definition.channel_name(*id).to_owned(),
            unit: channel.unit.map(|unit| unit.symbol().to_owned()).unwrap_or_default(),
            decimals: channel.decimals,
            hold: holds.get(id).copied()?,
        })
    };
    chosen.iter().filter_map(channel).collect()
}

/// A flag that Ctrl-C sets. The second Ctrl-C ends the program at once.
fn stop_on_signals() -> Result<Arc<AtomicBool>, String> {
    let stop = Arc::new(AtomicBool::new(false));
    for signal in [signal_hook::consts::SIGINT, signal_hook::consts::SIGTERM] {
        signal_hook::flag::register_conditional_shutdown(signal, 130, Arc::clone(&stop))
            .and_then(|_| signal_hook::flag::register(signal, Arc::clone(&stop)))
            .map_err(|error| format!("system: signals cannot be caught ({error})"))?;
    }
    Ok(stop)
}

/// Said beside the rows: to the error output if JSON goes to the other.
fn say(options: &Options, text: &str) {
    // Whoever has stopped reading wants no more.
    let _ = match options.json {
        true => writeln!(anstream::stderr(), "{text}"),
        false => writeln!(anstream::stdout(), "{text}"),
    };
}

/// `None` if the reader has gone (`| head`): not an error, but the end.
fn quietly<T>(written: io::Result<T>) -> Result<Option<T>, String> {
    match written {
        Ok(value) => Ok(Some(value)),
        Err(error) if error.kind() == io::ErrorKind::BrokenPipe => Ok(None),
        Err(error) => Err(format!("output: {error}; the rows so far are kept in the file")),
    }
}
