//! What a connection can be opened with.

use std::fmt;
use std::sync::{Arc, Mutex};

use tickover_defs::compiled::Line;
use tickover_session::Session;

use crate::blocking::{Connection, Ended};
use crate::port::Description;
use crate::queue::Queue;
use crate::tap::Tap;
use crate::thread::{Running, Start};
use crate::{LivePort, OpenError, Reopen};

/// How a connection is run; [`Connection::open`] takes the defaults.
///
/// ```no_run
/// # fn f(session: tickover_session::Session) -> Result<(), tickover_link::OpenError> {
/// use tickover_link::{Options, Reopen, Serial};
///
/// let port = Serial::open("/dev/ttyUSB0")?;
/// let connection = Options::default().queue(64).reopen(Reopen::Never).open(session, port)?;
/// # Ok(())
/// # }
/// ```
pub struct Options {
    queue: usize,
    reopen: Reopen,
    real_time: bool,
    tap: Option<Box<dyn Tap>>,
}

impl Default for Options {
    /// A queue of 1024 items, reopening every 500 ms, the real-time class if the system grants it, no tap.
    fn default() -> Self {
        Self { queue: 1024, reopen: Reopen::default(), real_time: true, tap: None }
    }
}

impl Options {
    /// How many items wait for the program; when they are more, the oldest rows are dropped and counted in
    /// a note. At least one.
    pub fn queue(mut self, items: usize) -> Self {
        self.queue = items;
        self
    }

    /// What to do when the line is lost.
    pub fn reopen(mut self, reopen: Reopen) -> Self {
        self.reopen = reopen;
        self
    }

    /// Whether to ask the system for the real-time class; what came of it is told by
    /// [`Connection::scheduling`].
    pub fn real_time(mut self, wanted: bool) -> Self {
        self.real_time = wanted;
        self
    }

    /// Has `tap` see every act and input of the line.
    pub fn tap(mut self, tap: impl Tap + 'static) -> Self {
        self.tap = Some(Box::new(tap));
        self
    }

    /// Starts the I/O thread for `port`, which connects the session at once.
    ///
    /// # Errors
    /// [`OpenError::Thread`] if the system starts no thread; [`OpenError::NotForCan`] or [`OpenError::NotForKLine`] if
    /// the session's definition is for the other sort of line.
    pub fn open(self, session: Session, port: impl LivePort + 'static) -> Result<Connection, OpenError> {
        fits(&session, &port.description())?;
        let queue = Arc::new(Queue::new(self.queue));
        let ended = Arc::new(Mutex::new(None));
        let (clock, port_is) = (port.clock(), port.description());
        let last_words = Arc::clone(&ended);
        let running = Running::start(Start {
            machine: session,
            port,
            connect: Session::connect,
            filters: Session::take_filters,
            goes_on: Session::is_connected,
            finish: Box::new(move |session, now, down| {
                if let Ok(mut ended) = last_words.lock() {
                    *ended = Some(Ended { report: session.report(now), down: down.cloned() });
                }
            }),
            queue: Arc::clone(&queue),
            reopen: self.reopen,
            real_time: self.real_time,
            tap: self.tap,
        })?;
        Ok(Connection::new(running, queue, clock, port_is, ended))
    }
}

/// A session for frames on a port for bytes, or the other way round, would only tell of speeds and refusals.
fn fits(session: &Session, port: &Description) -> Result<(), OpenError> {
    let definition = session.definition();
    let wants_can = match &definition.line {
        Some(Line::Can(_)) => true,
        Some(Line::KLine(_)) => false,
        _ => return Ok(()),
    };
    let (name, kind, definition) = (port.name.clone(), port.kind, definition.id.to_string());
    match port.kind.is_for_can() {
        Some(false) if wants_can => Err(OpenError::NotForCan { name, kind, definition }),
        Some(true) if !wants_can => Err(OpenError::NotForKLine { name, kind, definition }),
        _ => Ok(()),
    }
}

impl fmt::Debug for Options {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.debug_struct("Options")
            .field("queue", &self.queue)
            .field("reopen", &self.reopen)
            .field("real_time", &self.real_time)
            .field("tap", &self.tap.is_some())
            .finish()
    }
}
