//! A lane: a transport with one exchange in flight. A K-line has one.

use alloc::vec::Vec;

use tickover_defs::RecordId;
use tickover_defs::compiled::KLine;
use tickover_framing::Instant;
use tickover_framing::contract::{Input, Machine, Output, Why};
use tickover_framing::kline::{self, Timing};
use tickover_framing::transport::{Answers, Heard, Misuse, Reach, Transport};
use tickover_services::Effect;

use crate::exchange::{Exchange, Turn};

/// What an exchange is for.
#[derive(Clone, Copy, PartialEq, Eq, Debug)]
pub(crate) enum Purpose {
    /// Asked for again and again.
    Poll(RecordId),
    /// Read to tell the variant.
    Identify(RecordId),
    /// Read at connect and after a clear.
    Once(RecordId),
    /// A step into a session of the definition.
    Step,
    KeepAlive,
    /// A request of the caller, by ticket.
    OneShot(u32),
}

#[derive(Debug)]
pub(crate) struct Lane {
    pub(crate) transport: kline::Tester,
    /// What must be known of the line beyond bytes and times, as it is now.
    pub(crate) line: KLine,
    pub(crate) flight: Option<Flight>,
    /// When the next request may start: P3min after the last message.
    pub(crate) free: Instant,
    /// End of the last message of either side.
    pub(crate) last_message: Instant,
    deadline: Option<(Instant, Why)>,
}

/// An exchange under way.
#[derive(Debug)]
pub(crate) struct Flight {
    pub(crate) purpose: Purpose,
    pub(crate) effect: Effect,
    pub(crate) exchange: Exchange,
    pub(crate) started: Instant,
}

impl Lane {
    pub(crate) fn open(now: Instant, line: KLine, reach: Reach, tolerance_ppm: Option<u32>) -> Self {
        let mut transport = kline::Tester::new(line.line, reach);
        tolerance_ppm.into_iter().for_each(|ppm| transport.set_speed_tolerance_ppm(ppm));
        Self { transport, line, flight: None, free: now, last_message: now, deadline: None }
    }

    /// Initialises (again), on the line as the definition's `[line]` has it.
    pub(crate) fn connect(&mut self, now: Instant, line: KLine) {
        (self.line, self.flight) = (line, None);
        self.transport.connect(now);
    }

    /// Hands an input to the transport; a `Timeout` only when it waits for one.
    pub(crate) fn handle(&mut self, input: Input<'_>) {
        match input {
            Input::Timeout { now } if self.deadline.is_none_or(|(at, _)| at > now) => {}
            input => self.transport.handle(input),
        }
    }

    /// The transport's next output; its deadline is kept.
    pub(crate) fn poll_output(&mut self) -> Output<Heard> {
        let output = self.transport.poll_output();
        self.deadline = match output {
            Output::WaitUntil { at, why } => Some((at, why)),
            _ => None,
        };
        output
    }

    pub(crate) fn deadline(&self) -> Option<(Instant, Why)> {
        self.deadline
    }

    /// The timing that holds now, granted and announced values included.
    pub(crate) fn timing(&self) -> &Timing {
        &self.transport.line().timing
    }

    /// A message of either side ended.
    pub(crate) fn message_ended(&mut self, end: Instant) {
        self.last_message = self.last_message.max(end);
        self.free = self.last_message.after(self.timing().p3_min);
    }

    /// Starts an exchange.
    pub(crate) fn start(&mut self, now: Instant, purpose: Purpose, sending: Sending) -> Result<(), Misuse> {
        let Sending { request, effect, answers } = sending;
        let exchange = Exchange::new(self.line.line.unit, self.timing(), request, effect, answers);
        self.transport.request(now, &exchange.request, exchange.ask)?;
        self.flight = Some(Flight { purpose, effect, exchange, started: now });
        Ok(())
    }

    /// Lets the exchange under way hear; waits and repeats as it says.
    pub(crate) fn hear(&mut self, now: Instant, heard: &Heard) -> Option<Turn> {
        let flight = self.flight.as_mut()?;
        let turn = flight.exchange.hear(&self.line, heard, self.transport.message());
        match &turn {
            Turn::KeepWaiting(window) => self.transport.keep_waiting(*window),
            Turn::Repeat => {
                // Refused only when the connection ended in the meantime: then `Down` or `NotMade` follows.
                let _ = self.transport.request(now, &flight.exchange.request, flight.exchange.ask);
            }
            Turn::Going | Turn::Done(_) => {}
        }
        Some(turn)
    }
}

/// What is sent.
#[derive(Clone, PartialEq, Eq, Debug)]
pub(crate) struct Sending {
    pub(crate) request: Vec<u8>,
    pub(crate) effect: Effect,
    pub(crate) answers: Answers,
}
