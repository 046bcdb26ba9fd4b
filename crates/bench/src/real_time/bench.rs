//! The built-in bench: simulated units that other programs reach, in a thread of its own, or a port in process.

use std::io;
use std::sync::{Arc, Mutex, PoisonError};
use std::thread::JoinHandle;

use tickover_defs::Definition;
use tickover_defs::compiled::Line as DefinitionLine;
use tickover_framing::kline::Init;
use tickover_framing::transport::{Echo, Reach};
use tickover_link::{Clock, OpenError, Scheduling};

use super::built::Built;
use super::port::{BenchPort, Ledger};
use super::{ClientNote, LIVE_REACH, Live, PtyLine, PtyNote, SlcanBus, SocketcandBus, Stopper};
use crate::unit::{Options, Tally, UnitError};

/// A running bench. Dropping it stops it.
///
/// What a tester opens is there at once, before any tester comes, and stays until the bench is stopped. One tester
/// after the other is served, on a socketcand server several at once. On a bus somebody stands by who acknowledges,
/// as in a car.
///
/// What a pseudo-terminal cannot carry, pulses and parity, is not needed on a K-line: the unit starts on
/// StartCommunication alone. A unit that is woken at five baud only cannot be started there, and is refused;
/// [`Bench::in_process`] has it.
///
/// ```no_run
/// use tickover_bench::{Bench, Options};
/// use tickover_link::Clock;
///
/// # fn run(definition: &tickover_defs::Definition) -> Result<(), Box<dyn std::error::Error>> {
/// let truth = std::fs::File::create("truth.jsonl")?;
/// let bench = Bench::start(definition, Options::default(), Clock::start(), Some(Box::new(truth)))?;
/// println!("{}", bench.path());
/// // ... a tester opens the path ...
/// let tally = bench.stop()?;
/// println!("{} answers", tally.answers);
/// # Ok(())
/// # }
/// ```
#[derive(Debug)]
pub struct Bench {
    path: String,
    p2: core::time::Duration,
    stopper: Stopper,
    thread: Option<JoinHandle<io::Result<()>>>,
    ledger: Ledger,
    notes: Arc<Mutex<Vec<BenchNote>>>,
    scheduling: Scheduling,
}

/// How other programs reach a bench.
#[derive(Clone, Copy, PartialEq, Eq, Hash, Debug)]
#[non_exhaustive]
pub enum Door<'a> {
    /// A pseudo-terminal: a K-line adapter, or one that speaks slcan in front of a bus.
    Terminal,
    /// A socketcand server on loopback, in front of a bus.
    Socketcand,
    /// A bus that is there already, by its name for [`open`](tickover_link::open()): `can:vcan0`.
    Bus(&'a str),
}

/// One unit of a bench.
#[derive(Clone, Debug)]
pub struct BenchUnit<'a> {
    /// What it is.
    pub definition: &'a Definition,
    /// How it behaves; [`Options::name`] tells it from others in the truth.
    pub options: Options,
}

/// Something to know about those who reach a bench.
#[derive(Clone, Copy, PartialEq, Eq, Debug)]
#[non_exhaustive]
pub enum BenchNote {
    /// Of a pseudo-terminal.
    Terminal(PtyNote),
    /// Of a socketcand server.
    Client(ClientNote),
}

impl std::fmt::Display for BenchNote {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        match self {
            Self::Terminal(note) => note.fmt(f),
            Self::Client(note) => note.fmt(f),
        }
    }
}

/// Why a bench did not start, or stopped.
#[derive(Debug, thiserror::Error)]
#[non_exhaustive]
pub enum BenchError {
    /// The unit cannot be simulated like this.
    #[error(transparent)]
    Unit(#[from] UnitError),
    /// A pseudo-terminal carries no pulse, so no address at five baud.
    #[error(
        "definition: '{id}' is woken at five baud, and the bench's pseudo-terminal carries no pulse; \
         try the rest of it in a copy with `init = \"none\"`, or the bench in process"
    )]
    FiveBaud {
        /// The definition.
        id: String,
    },
    /// Units that do not stand on one line.
    #[error(
        "definitions: '{first}' and '{other}' do not share a line: one is on a K-line and one on CAN, or their bit \
         rates differ; start a bench for each"
    )]
    NotOneLine {
        /// The first unit's definition.
        first: String,
        /// One that does not fit it.
        other: String,
    },
    /// The bus that was named cannot be opened.
    #[error(transparent)]
    Open(#[from] OpenError),
    /// The bus that was named runs at another rate.
    #[error(
        "line: {port} runs at {got} bit/s, '{id}' at {wanted} bit/s; set the interface to the definition's bit rate"
    )]
    Rate {
        /// The bus.
        port: String,
        /// The first unit's definition.
        id: String,
        /// Its bit rate in bit/s.
        wanted: u32,
        /// That of the bus.
        got: u32,
    },
    /// There is nothing to simulate, or a K-line for a door of buses.
    #[error("caller: {what}")]
    Asked {
        /// What was asked for, and what to ask for.
        what: &'static str,
    },
    /// The system has no pseudo-terminal, port or thread to give.
    #[error("the bench cannot be reached: {0}; close programs that hold many terminals or ports, then try again")]
    Terminal(#[source] io::Error),
    /// The pseudo-terminal or the truth file failed while running.
    #[error("the bench stopped: {0}")]
    Stopped(#[source] io::Error),
}

/// Where the truth is written.
pub type TruthSink = Box<dyn io::Write + Send>;

impl Bench {
    /// Starts one unit behind a new pseudo-terminal: as a K-line adapter, or as one that speaks slcan.
    ///
    /// Times in the truth are those of `clock`. The sink gets one line per complete answer, when it is complete, and
    /// is flushed when the bench is stopped.
    ///
    /// # Errors
    /// As [`Bench::start_all`].
    pub fn start(
        definition: &Definition,
        options: Options,
        clock: Clock,
        truth: Option<TruthSink>,
    ) -> Result<Self, BenchError> {
        Self::start_all(&[BenchUnit { definition, options }], Door::Terminal, clock, truth)
    }

    /// Starts units that stand on one line behind a door.
    ///
    /// # Errors
    /// [`BenchError::Unit`]: a definition or its options do not make a unit that can be simulated.
    /// [`BenchError::NotOneLine`]: they are not on one line. [`BenchError::FiveBaud`]: nobody could wake one of them.
    /// [`BenchError::Asked`]: there are none, or a K-line is to be reached as a bus is. [`BenchError::Open`] and
    /// [`BenchError::Rate`]: the bus that was named does not open, or runs at another rate.
    /// [`BenchError::Terminal`]: the system refused.
    pub fn start_all(
        units: &[BenchUnit<'_>],
        door: Door<'_>,
        clock: Clock,
        truth: Option<TruthSink>,
    ) -> Result<Self, BenchError> {
        let five_baud = units.iter().find(|unit| match &unit.definition.line {
            Some(DefinitionLine::KLine(line)) => matches!(line.line.init, Init::FiveBaud(_)),
            _ => false,
        });
        if let Some(unit) = five_baud {
            return Err(BenchError::FiveBaud { id: unit.definition.id.to_string() });
        }
        // The line itself is exact; what is late is the tester's thread, between the bytes of a request.
        let late_in = core::time::Duration::from_millis(20);
        let unit_reach = Reach { echo: Echo::Suppressed, late_in, pulse: false, ..Reach::IDEAL };
        let ledger = Ledger::new(truth);
        let built = Built::new(units, Some(unit_reach), clock, &ledger)?;
        let p2 = built.p2;
        let notes = Arc::new(Mutex::new(Vec::new()));
        let (kept, noted) = (ledger.clone(), Arc::clone(&notes));
        let note = move |note: Option<BenchNote>| {
            if let Some(note) = note {
                noted.lock().unwrap_or_else(PoisonError::into_inner).push(note);
            }
        };
        let run: Box<dyn FnOnce() -> io::Result<()> + Send>;
        let (path, stopper);
        match (built.bit_rate, door) {
            (None, Door::Terminal) => {
                let mut pty = PtyLine::open(built.line(Reach::IDEAL, clock), clock).map_err(BenchError::Terminal)?;
                (path, stopper) = (pty.path().to_owned(), pty.stopper());
                run = Box::new(move || {
                    pty.run(|line, of| {
                        note(of.map(BenchNote::Terminal));
                        kept.take_from(line.units_mut());
                    })
                });
            }
            (None, Door::Socketcand | Door::Bus(_)) => {
                return Err(BenchError::Asked { what: "a K-line is not reached as a CAN bus is; ask for a terminal" });
            }
            (Some(_), Door::Terminal) => {
                let mut slcan = SlcanBus::open(built.bus(Reach::IDEAL, clock), clock).map_err(BenchError::Terminal)?;
                (path, stopper) = (format!("slcan:{}", slcan.path()), slcan.stopper());
                run = Box::new(move || {
                    slcan.run(|bus, of| {
                        note(of.map(BenchNote::Terminal));
                        kept.take_from(bus.units_mut());
                    })
                });
            }
            (Some(_), Door::Socketcand) => {
                let bus = built.bus(Reach::IDEAL, clock);
                let mut server = SocketcandBus::open(bus, BUS_NAME, clock).map_err(BenchError::Terminal)?;
                (path, stopper) = (format!("socketcand:{}/{BUS_NAME}", server.address()), server.stopper());
                run = Box::new(move || {
                    server.run(|bus, of| {
                        note(of.map(BenchNote::Client));
                        kept.take_from(bus.units_mut());
                    })
                });
            }
            (Some(_), Door::Bus(name)) => {
                let mut guests = built.guests(name, clock)?;
                (path, stopper) = (name.to_owned(), guests.stopper());
                run = Box::new(move || guests.run(|guests| kept.take_from(guests.stations_mut())));
            }
        }
        let (granted, was_granted) = std::sync::mpsc::channel();
        let body = move || {
            let _ = granted.send(Scheduling::ask());
            run()
        };
        let thread = std::thread::Builder::new().name("bench".to_owned()).spawn(body).map_err(BenchError::Terminal)?;
        let unknown = Scheduling::Ordinary { why: "the thread did not say".to_owned() };
        let scheduling = was_granted.recv().unwrap_or(unknown);
        Ok(Self { path, p2, stopper, thread: Some(thread), ledger, notes, scheduling })
    }

    /// The same units on a line or a bus inside this program, as a port for a session. Five-baud initialisation
    /// reaches them there. The ledger says what they did, also when the port has been given away.
    ///
    /// # Errors
    /// [`BenchError::Unit`], [`BenchError::NotOneLine`] and [`BenchError::Asked`] as [`Bench::start_all`].
    pub fn in_process(
        units: &[BenchUnit<'_>],
        clock: Clock,
        truth: Option<TruthSink>,
    ) -> Result<(BenchPort, Ledger), BenchError> {
        let ledger = Ledger::new(truth);
        let built = Built::new(units, None, clock, &ledger)?;
        let port = match built.bit_rate {
            None => BenchPort::line(Live::new(built.line(LIVE_REACH, clock), clock, "bench"), ledger.clone()),
            Some(_) => BenchPort::bus(Live::new(built.bus(LIVE_REACH, clock), clock, "bench"), ledger.clone()),
        };
        Ok((port, ledger))
    }

    /// What a tester opens: a path, `slcan:PATH`, `socketcand:HOST:PORT/NAME`, or the bus that was named.
    pub fn path(&self) -> &str {
        &self.path
    }

    /// The first unit's response time: end of a request to the start of its answer.
    pub const fn p2(&self) -> core::time::Duration {
        self.p2
    }

    /// What the system's scheduler granted the bench's thread.
    pub const fn scheduling(&self) -> &Scheduling {
        &self.scheduling
    }

    /// Who came and went since the last call.
    pub fn take_notes(&self) -> Vec<BenchNote> {
        std::mem::take(&mut self.notes.lock().unwrap_or_else(PoisonError::into_inner))
    }

    /// False once the bench has stopped by itself.
    pub fn is_running(&self) -> bool {
        self.thread.as_ref().is_some_and(|thread| !thread.is_finished())
    }

    /// Stops the units and closes the door; the truth is complete then.
    ///
    /// # Errors
    /// [`BenchError::Stopped`]: the door or the truth's sink failed. The answers so far were sent, whatever the
    /// sink took of them.
    pub fn stop(mut self) -> Result<Tally, BenchError> {
        self.end().map_err(BenchError::Stopped)
    }

    fn end(&mut self) -> io::Result<Tally> {
        self.stopper.stop();
        match self.thread.take().map(JoinHandle::join) {
            Some(Ok(ended)) => ended?,
            Some(Err(_)) => return Err(io::Error::other("its thread panicked: please report this")),
            None => {}
        }
        self.ledger.close()
    }
}

impl Drop for Bench {
    fn drop(&mut self) {
        // Nobody is left to be told.
        let _ = self.end();
    }
}

/// What clients of the server open.
const BUS_NAME: &str = "bench0";
