//! The asynchronous face: the same handle and items for tasks. It needs no particular runtime.
//!
//! The line is still run by its own thread: an asynchronous timer is about 1 ms late, too late to keep the
//! gaps between bytes.

use std::pin::Pin;
use std::task::{Context, Poll};

use ::tokio::sync::oneshot;
use futures_core::Stream;
use tickover_session::{ChannelKey, Permit, Rate, Report, Session, UnitId};

use crate::{Clock, Description, Down, Item, LivePort, Next, OpenError, Scheduling, Unanswered, blocking};

/// A session on a port, run by a thread of its own, for tasks: a handle and a stream of its items.
///
/// Clones command the same session and share one queue: each item comes to one of them.
///
/// ```no_run
/// # async fn f(session: tickover_session::Session) -> Result<(), Box<dyn std::error::Error>> {
/// use tickover_link::{Item, Serial, tokio::Connection};
///
/// let mut connection = Connection::open(session, Serial::open("/dev/ttyUSB0")?)?;
/// while let Some(item) = connection.next().await {
///     match item? {
///         Item::Row(row) => println!("{} {:?}", row.at, row.readings),
///         Item::Note(note) => eprintln!("{note}"),
///     }
/// }
/// # Ok(())
/// # }
/// ```
#[derive(Clone, Debug)]
pub struct Connection {
    inner: blocking::Connection,
}

impl Connection {
    /// Starts a thread that connects `session` over `port` and runs it until it is closed or dropped.
    ///
    /// # Errors
    /// As [`blocking::Connection::open`].
    pub fn open(session: Session, port: impl LivePort + 'static) -> Result<Self, OpenError> {
        blocking::Connection::open(session, port).map(Self::from)
    }

    /// The next item; `None` after the end. Cancelling the wait loses nothing.
    pub async fn next(&mut self) -> Option<Result<Item, Down>> {
        std::future::poll_fn(|context| Pin::new(&mut *self).poll_next(context)).await
    }

    /// Sends one request to the first unit between two polls; gives its answer: service identifier and data.
    ///
    /// # Errors
    /// As [`blocking::Connection::request`].
    pub async fn request(&self, request: impl Into<Vec<u8>>, permit: Option<Permit>) -> Result<Vec<u8>, Unanswered> {
        self.request_to(UnitId::FIRST, request, permit).await
    }

    /// Sends one request to this unit, see [`request`](Self::request).
    ///
    /// # Errors
    /// As [`blocking::Connection::request`].
    pub async fn request_to(
        &self,
        unit: UnitId,
        request: impl Into<Vec<u8>>,
        permit: Option<Permit>,
    ) -> Result<Vec<u8>, Unanswered> {
        let (told, answer) = oneshot::channel();
        self.inner.begin_request(unit, request.into(), permit, move |answer| drop(told.send(answer)));
        answer.await.unwrap_or_else(|_| Err(self.inner.down().into()))
    }

    /// Watches a channel at another rate from now on; `None`: no longer.
    ///
    /// # Errors
    /// [`Down`] if the connection has ended.
    pub fn set_rate(&self, channel: impl Into<ChannelKey>, rate: Option<Rate>) -> Result<(), Down> {
        self.inner.set_rate(channel, rate)
    }

    /// The rates so far; after the end, those at the end.
    ///
    /// # Errors
    /// As [`blocking::Connection::report`].
    pub async fn report(&self) -> Result<Report, Down> {
        let (told, report) = oneshot::channel();
        self.inner.begin(|session, now| session.report(now), move |report| drop(told.send(report)));
        report.await.or_else(|_| self.inner.last_report())
    }

    /// Takes the unit back to its defaults, where the definition's line has a way to do that, and ends.
    ///
    /// # Errors
    /// As [`blocking::Connection::close`].
    pub async fn close(&self) -> Result<(), Down> {
        let (told, closed) = oneshot::channel();
        self.inner.begin_close(Box::new(move |outcome| drop(told.send(outcome))));
        closed.await.unwrap_or_else(|_| self.inner.closed_before())
    }

    /// The clock of all times in rows and notes, with its pair in UTC.
    pub fn clock(&self) -> Clock {
        self.inner.clock()
    }

    /// The port's name, and what it cannot carry.
    pub fn port(&self) -> &Description {
        self.inner.port()
    }

    /// Whether the thread runs in the real-time class.
    pub fn scheduling(&self) -> &Scheduling {
        self.inner.scheduling()
    }
}

impl From<blocking::Connection> for Connection {
    fn from(inner: blocking::Connection) -> Self {
        Self { inner }
    }
}

impl Stream for Connection {
    type Item = Result<Item, Down>;

    fn poll_next(self: Pin<&mut Self>, context: &mut Context<'_>) -> Poll<Option<Self::Item>> {
        self.inner.queue().poll_next(context).map(|next| match next {
            Next::Item(item) => Some(item),
            Next::NotYet | Next::End => None,
        })
    }
}
