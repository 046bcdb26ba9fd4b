//! The I/O thread: one machine, one port, commands in between.
//!
//! It is generic over the machine so that its own rules (commands, reopening, ends) stand apart from
//! what a session does.

use std::collections::BTreeMap;
use std::fmt;
use std::sync::Arc;
use std::sync::mpsc::{self, Receiver, Sender};
use std::task::Waker;
use std::thread::{self, JoinHandle};
use std::time::Duration;

use tickover_framing::Instant;
use tickover_framing::can::Filter;
use tickover_framing::contract::{Lost, Machine};
use tickover_framing::drive::{Port, turn};
use tickover_framing::transport::Reach;
use tickover_session::{Event, Fault, Note, NoteKind};

use crate::queue::Queue;
use crate::tap::{Loss, Tap, Tapped};
use crate::{Down, Item, LivePort, OpenError};

/// What to do when the line is lost.
#[derive(Clone, Copy, PartialEq, Eq, Debug)]
pub enum Reopen {
    /// End the connection.
    Never,
    /// Try to open the port again at this interval, with the same session: its statistics go on.
    ///
    /// A port that refused what it was asked to do is not tried again.
    Every(Duration),
}

impl Default for Reopen {
    /// Every 500 ms.
    fn default() -> Self {
        Self::Every(Duration::from_millis(500))
    }
}

/// What the system's scheduler granted the I/O thread.
#[derive(Clone, PartialEq, Eq, Debug)]
pub enum Scheduling {
    /// First in, first out, before all ordinary threads: waits are kept to 0.1 ms on a loaded computer.
    RealTime {
        /// 1 to 99.
        priority: u8,
    },
    /// As any thread: on a loaded computer waits may be 10 to 20 ms late.
    Ordinary {
        /// Why it is not more.
        why: String,
    },
}

impl Scheduling {
    /// Asks for the real-time class for the calling thread, and says what was granted.
    pub fn ask() -> Self {
        schedule(true)
    }
}

impl fmt::Display for Scheduling {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        match self {
            Self::RealTime { priority } => write!(f, "real time (SCHED_FIFO, priority {priority})"),
            Self::Ordinary { why } => write!(f, "ordinary ({why})"),
        }
    }
}

/// A change to the machine, carried out in the thread.
pub(crate) type Command<M> = Box<dyn FnOnce(&mut M, &mut Desk, Instant) + Send>;

/// The answer's data or why there is none, handed to whoever asked.
pub(crate) type OnAnswer = Box<dyn FnOnce(Result<Vec<u8>, Note>) + Send>;

/// Told once that the machine is closed, or that the line was gone before.
pub(crate) type OnClose = Box<dyn FnOnce(Result<(), Down>) + Send>;

/// Takes what is left of the machine, and why the line ended if it was not the program that ended it.
pub(crate) type Finish<M> = Box<dyn FnOnce(&mut M, Instant, Option<&Down>) + Send>;

/// What a machine and its thread need to run.
pub(crate) struct Start<M, P> {
    pub(crate) machine: M,
    pub(crate) port: P,
    /// Begins on the line: at the start and after every reopening.
    pub(crate) connect: fn(&mut M, Instant, Reach),
    /// Which frames it wants, if that has changed since it was asked last.
    pub(crate) filters: fn(&mut M) -> Option<Vec<Filter>>,
    /// Whether it still does anything on a line that is there; it tells an event when that ends.
    pub(crate) goes_on: fn(&M) -> bool,
    /// Called once, last, before anybody is told that it ended.
    pub(crate) finish: Finish<M>,
    pub(crate) queue: Arc<Queue>,
    pub(crate) reopen: Reopen,
    pub(crate) real_time: bool,
    pub(crate) tap: Option<Box<dyn Tap>>,
}

/// Sends commands to a running thread, and stops it when dropped.
pub(crate) struct Running<M> {
    commands: Sender<Command<M>>,
    waker: Waker,
    thread: Option<JoinHandle<()>>,
    pub(crate) scheduling: Scheduling,
}

impl<M: Machine<Event = Event> + Send + 'static> Running<M> {
    /// Starts the thread, which connects at once.
    pub(crate) fn start<P: LivePort + 'static>(start: Start<M, P>) -> Result<Self, OpenError> {
        let name = start.port.description().name;
        let waker = start.port.waker();
        let (commands, inbox) = mpsc::channel();
        let (told, scheduling) = mpsc::channel();
        let ring = waker.clone();
        let thread = thread::Builder::new()
            .name(format!("line {name}"))
            .spawn(move || {
                let _ = told.send(schedule(start.real_time));
                Line::new(start, inbox, ring).run();
            })
            .map_err(|source| OpenError::Thread { name, source })?;
        let unknown = |_| Scheduling::Ordinary { why: "the thread did not say".to_owned() };
        let scheduling = scheduling.recv().unwrap_or_else(unknown);
        Ok(Self { commands, waker, thread: Some(thread), scheduling })
    }

    /// Has the thread carry out a command; `false` if it has ended.
    pub(crate) fn command(&self, command: impl FnOnce(&mut M, &mut Desk, Instant) + Send + 'static) -> bool {
        let taken = self.commands.send(Box::new(command)).is_ok();
        self.waker.wake_by_ref();
        // While the line is gone the thread is parked.
        if let Some(thread) = &self.thread {
            thread.thread().unpark();
        }
        taken
    }
}

impl<M> Drop for Running<M> {
    fn drop(&mut self) {
        let _ = self.commands.send(Box::new(|_, desk, _| desk.stopped = true));
        self.waker.wake_by_ref();
        if let Some(thread) = self.thread.take().filter(|thread| thread.thread().id() != thread::current().id()) {
            thread.thread().unpark();
            let _ = thread.join();
        }
    }
}

/// Who waits for what, and what the program is told.
pub(crate) struct Desk {
    queue: Arc<Queue>,
    waiting: BTreeMap<u32, OnAnswer>,
    closing: Vec<OnClose>,
    closed: bool,
    stopped: bool,
    waker: Waker,
}

impl Desk {
    /// Has `on_answer` called with the answer to this ticket; it is dropped if the line ends before.
    pub(crate) fn await_answer(&mut self, ticket: u32, on_answer: OnAnswer) {
        self.waiting.insert(ticket, on_answer);
    }

    /// Has `told` be told when the machine says that it is closed.
    pub(crate) fn await_close(&mut self, told: OnClose) {
        self.closing.push(told);
    }

    fn take(&mut self, event: Event) {
        match event {
            Event::Row(row) => self.queue.push(Item::Row(row)),
            Event::Note(note) => self.queue.push(Item::Note(note)),
            Event::Answer { ticket, answer } => {
                if let Some(on_answer) = self.waiting.remove(&ticket) {
                    on_answer(answer);
                }
            }
            Event::Closed => self.closed = true,
            _ => {}
        }
    }
}

struct Line<M, P: LivePort> {
    machine: M,
    port: Tapped<P>,
    connect: fn(&mut M, Instant, Reach),
    filters: fn(&mut M) -> Option<Vec<Filter>>,
    goes_on: fn(&M) -> bool,
    finish: Finish<M>,
    reopen: Reopen,
    inbox: Receiver<Command<M>>,
    desk: Desk,
    /// One note a loss says that the port is not back yet.
    absence_told: bool,
    /// Ends the queue even if a machine panics: nobody waits for ever.
    _end: EndQueue,
}

impl<M: Machine<Event = Event>, P: LivePort> Line<M, P> {
    fn new(start: Start<M, P>, inbox: Receiver<Command<M>>, waker: Waker) -> Self {
        let Start { machine, port, connect, filters, goes_on, finish, queue, reopen, tap, real_time: _ } = start;
        let end = EndQueue { queue: Arc::clone(&queue), port: port.description().name };
        let desk = Desk { queue, waiting: BTreeMap::new(), closing: Vec::new(), closed: false, stopped: false, waker };
        let port = Tapped::new(port, tap);
        Self { machine, port, connect, filters, goes_on, finish, reopen, inbox, desk, absence_told: false, _end: end }
    }

    fn run(mut self) {
        (self.connect)(&mut self.machine, self.port.now(), self.port.reach());
        let down = loop {
            while let Ok(command) = self.inbox.try_recv() {
                command(&mut self.machine, &mut self.desk, self.port.now());
            }
            if self.desk.stopped {
                break None;
            }
            if self.desk.closed {
                // It also says so when the line went before it could leave in order.
                break self.port.loss().map(|loss| Down::lost(self.port.port().description().name, loss.cause));
            }
            if let Err(down) = self.go_on() {
                break Some(down);
            }
            self.turn();
            if self.port.loss().is_some_and(|loss| loss.retry.is_none()) {
                // Does not wait: takes what the machine says about the loss.
                self.turn();
            }
        };
        (self.finish)(&mut self.machine, self.port.now(), down.as_ref());
        drop(self.inbox);
        for told in self.desk.closing.drain(..) {
            told(down.clone().map_or(Ok(()), Err));
        }
        self.desk.queue.end(down);
    }

    /// The events of a turn are taken before it waits; one that ends our work must end the wait too.
    fn turn(&mut self) {
        if let Some(filters) = (self.filters)(&mut self.machine) {
            self.port.filter(&filters);
        }
        turn(&mut self.machine, &mut self.port, |machine, event| {
            self.desk.take(event);
            if self.desk.closed || !(self.goes_on)(machine) {
                self.desk.waker.wake_by_ref();
            }
        });
    }

    fn go_on(&mut self) -> Result<(), Down> {
        match self.port.loss() {
            Some(loss) => self.without_line(loss),
            None if (self.goes_on)(&self.machine) => Ok(()),
            None => {
                // One more turn takes what the machine still has to say; the bell keeps it from waiting.
                self.desk.waker.wake_by_ref();
                self.turn();
                Err(Down::GaveUp { port: self.port.port().description().name })
            }
        }
    }

    /// Tries to get the line back when it is time; `Err` if it stays gone.
    fn without_line(&mut self, loss: Loss) -> Result<(), Down> {
        let name = self.port.port().description().name;
        let interval = match self.reopen {
            Reopen::Every(interval) if loss.cause == Lost::Gone && self.desk.closing.is_empty() => interval,
            _ => return Err(Down::lost(name, loss.cause)),
        };
        let now = self.port.now();
        match loss.retry {
            None => self.port.retry_at(now.after(interval)),
            Some(retry) if now < retry => {}
            Some(_) => match self.port.reopen() {
                Ok(()) => {
                    self.absence_told = false;
                    let now = self.port.now();
                    let gap = now.since(loss.at).as_secs_f64();
                    self.note(
                        NoteKind::Reconnecting,
                        Fault::Nobody,
                        now,
                        format!("port {name} is open again after {gap:.1} s"),
                    );
                    (self.connect)(&mut self.machine, now, self.port.reach());
                }
                Err(error) => {
                    if !std::mem::replace(&mut self.absence_told, true) {
                        let every = interval.as_secs_f64();
                        self.note(NoteKind::Lost, Fault::Line, now, format!("{error}; tried again every {every:.1} s"));
                    }
                    self.port.retry_at(self.port.now().after(interval));
                }
            },
        }
        Ok(())
    }

    fn note(&self, kind: NoteKind, fault: Fault, at: Instant, text: String) {
        self.desk.queue.push(Item::Note(Note { at, unit: None, kind, fault, text, advice: "" }));
    }
}

struct EndQueue {
    queue: Arc<Queue>,
    port: String,
}

impl Drop for EndQueue {
    fn drop(&mut self) {
        self.queue.end(Some(Down::Ended { port: std::mem::take(&mut self.port) }));
    }
}

/// Asks for the real-time class for the calling thread: the middle of its priorities.
#[cfg(unix)]
fn schedule(wanted: bool) -> Scheduling {
    use thread_priority::{
        RealtimeThreadSchedulePolicy, ThreadPriority, ThreadPriorityValue, ThreadSchedulePolicy,
        set_thread_priority_and_policy, thread_native_id,
    };

    const PRIORITY: u8 = 50;
    if !wanted {
        return Scheduling::Ordinary { why: "real time was not asked for".to_owned() };
    }
    let Ok(value) = ThreadPriorityValue::try_from(PRIORITY) else {
        return Scheduling::Ordinary { why: "the system has no such priority".to_owned() };
    };
    let class = ThreadSchedulePolicy::Realtime(RealtimeThreadSchedulePolicy::Fifo);
    match set_thread_priority_and_policy(thread_native_id(), ThreadPriority::Crossplatform(value), class) {
        Ok(()) => Scheduling::RealTime { priority: PRIORITY },
        Err(error) => Scheduling::Ordinary { why: refusal(&error) },
    }
}

#[cfg(unix)]
fn refusal(error: &thread_priority::Error) -> String {
    let why = match error {
        thread_priority::Error::OS(code) => std::io::Error::from_raw_os_error(*code).to_string(),
        other => format!("{other:?}"),
    };
    format!("the system refused real time: {why}")
}

#[cfg(not(unix))]
fn schedule(_wanted: bool) -> Scheduling {
    Scheduling::Ordinary { why: "real time is asked for on unix only".to_owned() }
}

#[cfg(test)]
mod tests;
