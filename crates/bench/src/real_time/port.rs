//! Simulated units in process as a port, and the ledger of what they did.

use std::io;
use std::sync::{Arc, Mutex, PoisonError};
use std::task::Waker;

use tickover_framing::Instant;
use tickover_framing::can::Filter;
use tickover_framing::contract::{Act, Input};
use tickover_framing::drive::{Port, Woke};
use tickover_framing::transport::Reach;
use tickover_link::{Clock, Description, LivePort, OpenError};

use super::{LiveBus, LiveLine, TruthSink};
use crate::unit::{MishapCounts, Simulated, Tally};

/// Simulated units on a line or a bus in this program, as a port for a session.
#[derive(Debug)]
pub struct BenchPort {
    live: OnLine,
    ledger: Ledger,
}

#[derive(Debug)]
enum OnLine {
    Line(Box<LiveLine<Simulated>>),
    Bus(Box<LiveBus<Simulated>>),
}

impl BenchPort {
    pub(super) fn line(line: LiveLine<Simulated>, ledger: Ledger) -> Self {
        Self { live: OnLine::Line(Box::new(line)), ledger }
    }

    pub(super) fn bus(bus: LiveBus<Simulated>, ledger: Ledger) -> Self {
        Self { live: OnLine::Bus(Box::new(bus)), ledger }
    }

    /// The bus, to plan faults; `None`: the units are on a K-line.
    pub fn bus_mut(&mut self) -> Option<&mut crate::bus::Bus<Simulated>> {
        match &mut self.live {
            OnLine::Bus(bus) => Some(bus.bus_mut()),
            OnLine::Line(_) => None,
        }
    }

    /// The line, to plan faults; `None`: the units are on a bus.
    pub fn line_mut(&mut self) -> Option<&mut crate::line::Line<Simulated>> {
        match &mut self.live {
            OnLine::Line(line) => Some(line.line_mut()),
            OnLine::Bus(_) => None,
        }
    }

    fn live(&self) -> &dyn LivePort {
        match &self.live {
            OnLine::Line(line) => &**line,
            OnLine::Bus(bus) => &**bus,
        }
    }

    fn live_mut(&mut self) -> &mut dyn LivePort {
        match &mut self.live {
            OnLine::Line(line) => &mut **line,
            OnLine::Bus(bus) => &mut **bus,
        }
    }

    fn write_down(&mut self) {
        match &mut self.live {
            OnLine::Line(line) => self.ledger.take_from(line.line_mut().units_mut()),
            OnLine::Bus(bus) => self.ledger.take_from(bus.bus_mut().units_mut()),
        }
    }
}

impl Port for BenchPort {
    fn reach(&self) -> Reach {
        self.live().reach()
    }

    fn now(&self) -> Instant {
        self.live().now()
    }

    fn act(&mut self, act: &Act) -> Option<Input<'static>> {
        let report = self.live_mut().act(act);
        self.write_down();
        report
    }

    fn wait(&mut self, until: Option<Instant>, buffer: &mut [u8]) -> Woke {
        let woke = self.live_mut().wait(until, buffer);
        self.write_down();
        woke
    }
}

impl LivePort for BenchPort {
    fn clock(&self) -> Clock {
        self.live().clock()
    }

    fn waker(&self) -> Waker {
        self.live().waker()
    }

    fn reopen(&mut self) -> Result<(), OpenError> {
        self.live_mut().reopen()
    }

    fn description(&self) -> Description {
        self.live().description()
    }

    fn filter(&mut self, filters: &[Filter]) {
        self.live_mut().filter(filters);
    }
}

/// What the units of a bench did: their truth goes to its sink, their tally is kept.
#[derive(Clone)]
pub struct Ledger(Arc<Mutex<Kept>>);

struct Kept {
    sink: Option<TruthSink>,
    failed: Option<io::Error>,
    tally: Tally,
}

impl std::fmt::Debug for Ledger {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        f.debug_tuple("Ledger").field(&self.tally()).finish()
    }
}

impl Ledger {
    pub(super) fn new(sink: Option<TruthSink>) -> Self {
        Self(Arc::new(Mutex::new(Kept { sink, failed: None, tally: Tally::default() })))
    }

    /// What all units together did.
    pub fn tally(&self) -> Tally {
        self.kept().tally
    }

    /// Flushes the sink: the truth so far is complete.
    ///
    /// # Errors
    /// What the sink said first.
    pub fn close(&self) -> io::Result<Tally> {
        let mut kept = self.kept();
        if let Some(error) = kept.failed.take() {
            return Err(error);
        }
        kept.sink.as_mut().map_or(Ok(()), |sink| sink.flush())?;
        Ok(kept.tally)
    }

    pub(super) fn is_kept(&self) -> bool {
        self.kept().sink.is_some()
    }

    pub(super) fn take_from<'a>(&self, units: impl Iterator<Item = &'a mut Simulated>) {
        let mut kept = self.kept();
        let Kept { sink, failed, tally } = &mut *kept;
        *tally = Tally::default();
        for unit in units {
            *tally = sum(*tally, unit.tally());
            for truth in unit.take_truths() {
                if let Some(sink) = sink.as_mut().filter(|_| failed.is_none())
                    && let Err(error) = truth.write_to(sink)
                {
                    *failed = Some(error);
                }
            }
        }
    }

    fn kept(&self) -> std::sync::MutexGuard<'_, Kept> {
        self.0.lock().unwrap_or_else(PoisonError::into_inner)
    }
}

fn sum(a: Tally, b: Tally) -> Tally {
    let (of_a, of_b) = (a.mishaps, b.mishaps);
    Tally {
        answers: a.answers + b.answers,
        requests: a.requests + b.requests,
        unknown: a.unknown + b.unknown,
        starts: a.starts + b.starts,
        stops: a.stops + b.stops,
        timeouts: a.timeouts + b.timeouts,
        ignored: a.ignored + b.ignored,
        mishaps: MishapCounts {
            pending: of_a.pending + of_b.pending,
            busy: of_a.busy + of_b.busy,
            reset: of_a.reset + of_b.reset,
            silent: of_a.silent + of_b.silent,
            refused: of_a.refused + of_b.refused,
            slow: of_a.slow + of_b.slow,
            misframed: of_a.misframed + of_b.misframed,
            no_flow_control: of_a.no_flow_control + of_b.no_flow_control,
        },
    }
}
