//! The blocking face: a handle on the I/O thread, and an iterator over what the line brings.

use std::fmt;
use std::sync::mpsc;
use std::sync::{Arc, Mutex};
use std::time::Duration;

use tickover_session::{ChannelKey, Permit, Rate, Report, Session, UnitId};

use crate::queue::Queue;
use crate::thread::{OnClose, Running};
use crate::{Clock, Description, Down, Item, LivePort, Next, OpenError, Options, Scheduling, Unanswered};

/// A session on a port, run by a thread of its own. A handle: clones command the same session.
///
/// When the last handle and iterator is dropped the thread stops where it is; [`close`](Self::close) leaves
/// the unit as it was found.
///
/// ```no_run
/// # fn f(definition: tickover_defs::Definition) -> Result<(), Box<dyn std::error::Error>> {
/// use tickover_link::{Connection, Item, Serial};
/// use tickover_session::{Rate, Session};
///
/// let speed = definition.channel("engine_speed")?;
/// let session = Session::new(definition).watch(speed, Rate::per_second(20));
/// let connection = Connection::open(session, Serial::open("/dev/ttyUSB0")?)?;
/// for item in connection.items() {
///     match item? {
///         Item::Row(row) => println!("{} {:?}", row.at, row.get(speed)),
///         Item::Note(note) => eprintln!("{note}"),
///     }
/// }
/// # Ok(())
/// # }
/// ```
#[derive(Clone)]
pub struct Connection {
    shared: Arc<Shared>,
}

struct Shared {
    running: Running<Session>,
    queue: Arc<Queue>,
    clock: Clock,
    port: Description,
    ended: Arc<Mutex<Option<Ended>>>,
}

/// What the thread left when it ended.
#[derive(Clone)]
pub(crate) struct Ended {
    pub(crate) report: Report,
    pub(crate) down: Option<Down>,
}

impl Connection {
    /// Starts a thread that connects `session` over `port` and runs it until it is closed or dropped.
    ///
    /// # Errors
    /// [`OpenError::Thread`] if the system starts no thread. A unit that does not answer is no error here:
    /// notes say so, and it is tried again.
    pub fn open(session: Session, port: impl LivePort + 'static) -> Result<Self, OpenError> {
        Options::default().open(session, port)
    }

    pub(crate) fn new(
        running: Running<Session>,
        queue: Arc<Queue>,
        clock: Clock,
        port: Description,
        ended: Arc<Mutex<Option<Ended>>>,
    ) -> Self {
        Self { shared: Arc::new(Shared { running, queue, clock, port, ended }) }
    }

    /// What the line brings, in order. Iterators of clones share one queue: each item comes to one of them.
    pub fn items(&self) -> Items {
        Items { connection: self.clone() }
    }

    /// Sends one request to the first unit between two polls and waits for its answer: service identifier and data.
    ///
    /// A request that does more than read needs a permit for its effect.
    ///
    /// # Errors
    /// [`Unanswered`]: not sent for lack of a permit or a connection, refused by the unit or not answered,
    /// or the connection has ended.
    pub fn request(&self, request: impl Into<Vec<u8>>, permit: Option<Permit>) -> Result<Vec<u8>, Unanswered> {
        self.request_to(UnitId::FIRST, request, permit)
    }

    /// Sends one request to this unit, see [`request`](Self::request).
    ///
    /// # Errors
    /// As [`request`](Self::request).
    pub fn request_to(
        &self,
        unit: UnitId,
        request: impl Into<Vec<u8>>,
        permit: Option<Permit>,
    ) -> Result<Vec<u8>, Unanswered> {
        let (told, answer) = mpsc::channel();
        self.begin_request(unit, request.into(), permit, move |answer| drop(told.send(answer)));
        answer.recv().unwrap_or_else(|_| Err(self.down().into()))
    }

    /// Watches a channel at another rate from now on; `None`: no longer.
    ///
    /// # Errors
    /// [`Down`] if the connection has ended.
    pub fn set_rate(&self, channel: impl Into<ChannelKey>, rate: Option<Rate>) -> Result<(), Down> {
        let channel = channel.into();
        let command = move |session: &mut Session, now| session.set_rate(now, channel, rate);
        if self.begin(command, |()| {}) { Ok(()) } else { Err(self.down()) }
    }

    /// The rates so far; after the end, those at the end.
    ///
    /// # Errors
    /// [`Down`] if the thread ended without leaving a report.
    pub fn report(&self) -> Result<Report, Down> {
        let (told, report) = mpsc::channel();
        self.begin(|session, now| session.report(now), move |report| drop(told.send(report)));
        report.recv().or_else(|_| self.last_report())
    }

    /// Takes the unit back to its defaults, where the definition's line has a way to do that, and ends.
    ///
    /// Rows that are still queued can be taken afterwards.
    ///
    /// # Errors
    /// [`Down`] if the line was lost before that was done.
    pub fn close(&self) -> Result<(), Down> {
        let (told, closed) = mpsc::channel();
        self.begin_close(Box::new(move |outcome| drop(told.send(outcome))));
        closed.recv().unwrap_or_else(|_| self.closed_before())
    }

    /// The clock of all times in rows and notes, with its pair in UTC.
    pub fn clock(&self) -> Clock {
        self.shared.clock
    }

    /// The port's name, and what it cannot carry.
    pub fn port(&self) -> &Description {
        &self.shared.port
    }

    /// Whether the thread runs in the real-time class.
    pub fn scheduling(&self) -> &Scheduling {
        &self.shared.running.scheduling
    }

    /// Has the thread work on the session and `reply` take the result there; `false` if it has ended.
    pub(crate) fn begin<T>(
        &self,
        work: impl FnOnce(&mut Session, tickover_framing::Instant) -> T + Send + 'static,
        reply: impl FnOnce(T) + Send + 'static,
    ) -> bool {
        self.shared.running.command(move |session, _, now| reply(work(session, now)))
    }

    pub(crate) fn begin_request(
        &self,
        unit: UnitId,
        request: Vec<u8>,
        permit: Option<Permit>,
        reply: impl FnOnce(Result<Vec<u8>, Unanswered>) + Send + 'static,
    ) {
        self.shared.running.command(move |session, desk, now| match session.request_to(now, unit, &request, permit) {
            Ok(ticket) => {
                desk.await_answer(ticket, Box::new(|answer| reply(answer.map_err(Unanswered::NoAnswer))));
            }
            Err(mistake) => reply(Err(mistake.into())),
        });
    }

    pub(crate) fn begin_close(&self, told: OnClose) {
        self.shared.running.command(move |session, desk, now| {
            session.close(now);
            desk.await_close(told);
        });
    }

    /// The thread had ended before it could be asked to close.
    pub(crate) fn closed_before(&self) -> Result<(), Down> {
        match self.ended() {
            Some(Ended { down: None, .. }) => Ok(()),
            _ => Err(self.down()),
        }
    }

    pub(crate) fn last_report(&self) -> Result<Report, Down> {
        self.ended().map(|ended| ended.report).ok_or_else(|| self.down())
    }

    /// Why nothing can be asked of the thread any more.
    pub(crate) fn down(&self) -> Down {
        let ended = || Down::Ended { port: self.shared.port.name.clone() };
        self.ended().and_then(|ended| ended.down).unwrap_or_else(ended)
    }

    pub(crate) fn queue(&self) -> &Queue {
        &self.shared.queue
    }

    fn ended(&self) -> Option<Ended> {
        self.shared.ended.lock().ok().and_then(|ended| ended.clone())
    }
}

impl fmt::Debug for Connection {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.debug_struct("Connection")
            .field("port", &self.shared.port)
            .field("scheduling", self.scheduling())
            .finish_non_exhaustive()
    }
}

/// What the line brings: rows and notes in order, blocking until there is one.
///
/// Ends after [`Connection::close`]; tells [`Down`] once if the line is gone for good.
#[derive(Clone, Debug)]
pub struct Items {
    connection: Connection,
}

impl Items {
    /// The next item if one comes within `patience`.
    pub fn next_within(&mut self, patience: Duration) -> Next {
        self.connection.queue().next(Some(patience))
    }
}

impl Iterator for Items {
    type Item = Result<Item, Down>;

    fn next(&mut self) -> Option<Self::Item> {
        match self.connection.queue().next(None) {
            Next::Item(item) => Some(item),
            Next::NotYet | Next::End => None,
        }
    }
}
