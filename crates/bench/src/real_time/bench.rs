//! The built-in bench: a simulated unit behind a pseudo-terminal, in a thread of its own.

use std::io;
use std::sync::{Arc, Mutex, PoisonError};
use std::thread::JoinHandle;

use tickover_defs::Definition;
use tickover_defs::compiled::Line as DefinitionLine;
use tickover_framing::kline::Init;
use tickover_framing::transport::{Echo, Reach};
use tickover_link::{Clock, Scheduling};

use super::{PtyLine, PtyNote, Stopper};
use crate::line::Line;
use crate::truth::Truth;
use crate::unit::{Options, Simulated, Tally, UnitError};

/// A running bench. Dropping it stops it.
///
/// The path is there at once, before any tester opens it, and stays until the bench is stopped. One tester after the
/// other is served. What a pseudo-terminal cannot carry, pulses and parity, is not needed: the unit starts on
/// StartCommunication alone. A unit that is woken at five baud only cannot be started here, and is refused.
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
    thread: Option<JoinHandle<io::Result<Tally>>>,
    notes: Arc<Mutex<Vec<PtyNote>>>,
    scheduling: Scheduling,
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
         try the rest of it in a copy with `init = \"none\"`, or in virtual time"
    )]
    FiveBaud {
        /// The definition.
        id: String,
    },
    /// The system has no pseudo-terminal or no thread to give.
    #[error("the bench's pseudo-terminal cannot be made: {0}; close programs that hold many terminals, then try again")]
    Terminal(#[source] io::Error),
    /// The pseudo-terminal or the truth file failed while running.
    #[error("the bench stopped: {0}")]
    Stopped(#[source] io::Error),
}

/// Where the truth is written.
pub type TruthSink = Box<dyn io::Write + Send>;

impl Bench {
    /// Starts a unit on a new pseudo-terminal.
    ///
    /// Times in the truth are those of `clock`. The sink gets one line per complete answer, when it is complete, and
    /// is flushed when the bench is stopped.
    ///
    /// # Errors
    /// [`BenchError::Unit`]: the definition or the options do not make a unit that can be simulated.
    /// [`BenchError::FiveBaud`]: nobody could wake it. [`BenchError::Terminal`]: the system refused.
    pub fn start(
        definition: &Definition,
        options: Options,
        clock: Clock,
        mut truth: Option<TruthSink>,
    ) -> Result<Self, BenchError> {
        if let Some(DefinitionLine::KLine(line)) = &definition.line
            && matches!(line.line.init, Init::FiveBaud(_))
        {
            return Err(BenchError::FiveBaud { id: definition.id.to_string() });
        }
        let now = clock.now();
        // The line itself is exact; what is late is the tester's thread, between the bytes of a request.
        let late_in = core::time::Duration::from_millis(20);
        let reach = Reach { echo: Echo::Suppressed, late_in, pulse: false, ..Reach::IDEAL };
        let options = Options { reach, note_values: truth.is_some(), ..options };
        let unit = Simulated::new(definition, &options, now)?;
        let p2 = unit.p2();
        let mut line = Line::new(Reach::IDEAL);
        line.pass_until(now);
        line.attach(unit);
        let mut pty = PtyLine::open(line, clock).map_err(BenchError::Terminal)?;
        let (path, stopper) = (pty.path().to_owned(), pty.stopper());
        let notes = Arc::new(Mutex::new(Vec::new()));
        let noted = Arc::clone(&notes);
        let (granted, was_granted) = std::sync::mpsc::channel();
        let body = move || {
            let _ = granted.send(Scheduling::ask());
            let mut failed = None;
            let ran = pty.run(|line, note| {
                if let Some(note) = note {
                    noted.lock().unwrap_or_else(PoisonError::into_inner).push(note);
                }
                for answer in line.unit_mut(0).into_iter().flat_map(Simulated::take_truths) {
                    if let Some(out) = truth.as_mut().filter(|_| failed.is_none())
                        && let Err(error) = write(&answer, out)
                    {
                        failed = Some(error);
                    }
                }
            });
            let flushed = truth.as_mut().map_or(Ok(()), |out| out.flush());
            let tally = pty.line_mut().unit_mut(0).map(|unit| unit.tally()).unwrap_or_default();
            ran?;
            failed.map_or(flushed, Err).map(|()| tally)
        };
        let thread = std::thread::Builder::new().name("bench".to_owned()).spawn(body).map_err(BenchError::Terminal)?;
        let unknown = Scheduling::Ordinary { why: "the thread did not say".to_owned() };
        let scheduling = was_granted.recv().unwrap_or(unknown);
        Ok(Self { path, p2, stopper, thread: Some(thread), notes, scheduling })
    }

    /// What a tester opens.
    pub fn path(&self) -> &str {
        &self.path
    }

    /// The unit's response time: end of a request to the start of its answer.
    pub const fn p2(&self) -> core::time::Duration {
        self.p2
    }

    /// What the system's scheduler granted the bench's thread.
    pub const fn scheduling(&self) -> &Scheduling {
        &self.scheduling
    }

    /// What happened to the terminal since the last call.
    pub fn take_notes(&self) -> Vec<PtyNote> {
        std::mem::take(&mut self.notes.lock().unwrap_or_else(PoisonError::into_inner))
    }

    /// False once the bench has stopped by itself.
    pub fn is_running(&self) -> bool {
        self.thread.as_ref().is_some_and(|thread| !thread.is_finished())
    }

    /// Stops the unit and closes the terminal; the truth is complete then.
    ///
    /// # Errors
    /// [`BenchError::Stopped`]: the terminal or the truth's sink failed. The answers so far were sent, whatever the
    /// sink took of them.
    pub fn stop(mut self) -> Result<Tally, BenchError> {
        self.end().map_err(BenchError::Stopped)
    }

    fn end(&mut self) -> io::Result<Tally> {
        self.stopper.stop();
        match self.thread.take().map(JoinHandle::join) {
            Some(Ok(ended)) => ended,
            Some(Err(_)) => Err(io::Error::other("its thread panicked: please report this")),
            None => Ok(Tally::default()),
        }
    }
}

impl Drop for Bench {
    fn drop(&mut self) {
        // Nobody is left to be told.
        let _ = self.end();
    }
}

fn write(truth: &Truth, out: &mut TruthSink) -> io::Result<()> {
    truth.write_to(out)
}
