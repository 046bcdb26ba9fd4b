//! A lane: a transport with one exchange in flight. A K-line has one, a CAN bus one for each unit.

use alloc::vec::Vec;
use core::time::Duration;

use tickover_defs::RecordId;
use tickover_defs::compiled::Line;
use tickover_defs::compiled::line::Services;
use tickover_framing::Instant;
use tickover_framing::contract::{Input, Output, Speed, Why};
use tickover_framing::isotp::PathError;
use tickover_framing::kline::Stopping;
use tickover_framing::transport::{Answers, Heard, Misuse, Peer, Reach};
use tickover_services::Effect;

use crate::carrier::{Carrier, Limits};
use crate::exchange::{Exchange, Turn};

/// What an exchange is for.
#[derive(Clone, Copy, PartialEq, Eq, Debug)]
pub(crate) enum Purpose {
    /// Asked for again and again.
    Poll(RecordId),
    /// Which PIDs the unit supports, from this one on.
    Discover(u8),
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
    carrier: Carrier,
    /// What must be known of the line beyond bytes and times, as it is now.
    pub(crate) line: Line,
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
    /// Records that the request asks for beside the purpose's own.
    pub(crate) with: Vec<RecordId>,
}

impl Lane {
    /// `None`: nobody is asked on this line.
    ///
    /// # Errors
    /// Frames of the line's addresses could be taken for others.
    pub(crate) fn open(
        now: Instant,
        line: Line,
        reach: Reach,
        tolerance_ppm: Option<u32>,
    ) -> Result<Option<Self>, PathError> {
        let carrier = Carrier::of(&line, reach, tolerance_ppm)?;
        Ok(carrier.map(|carrier| Self { carrier, line, flight: None, free: now, last_message: now, deadline: None }))
    }

    /// Initialises (again), on the line as the definition's `[line]` has it.
    pub(crate) fn connect(&mut self, now: Instant, line: Line) {
        (self.line, self.flight) = (line, None);
        self.carrier.connect(now);
    }

    /// Hands an input to the transport; a `Timeout` only when it waits for one.
    pub(crate) fn handle(&mut self, input: Input<'_>) {
        match input {
            Input::Timeout { now } if self.deadline.is_none_or(|(at, _)| at > now) => {}
            input => self.carrier.handle(input),
        }
    }

    /// The transport's next output; its deadline is kept.
    pub(crate) fn poll_output(&mut self) -> Output<Heard> {
        let output = self.carrier.poll_output();
        self.deadline = match output {
            Output::WaitUntil { at, why } => Some((at, why)),
            _ => None,
        };
        output
    }

    pub(crate) fn deadline(&self) -> Option<(Instant, Why)> {
        self.deadline
    }

    /// The limits that hold now, granted and announced values included.
    pub(crate) fn limits(&self) -> Limits {
        self.carrier.limits()
    }

    /// A message of either side ended.
    pub(crate) fn message_ended(&mut self, end: Instant) {
        self.last_message = self.last_message.max(end);
        self.free = self.last_message.after(self.limits().p3_min);
    }

    /// Starts an exchange.
    pub(crate) fn start(&mut self, now: Instant, purpose: Purpose, sending: Sending) -> Result<(), Misuse> {
        let Sending { request, effect, answers, with } = sending;
        let to = if self.line.goes_to_all(&request) { Peer::Anyone } else { self.carrier.unit() };
        let exchange = Exchange::new(to, self.limits(), request, effect, answers);
        self.carrier.request(now, &exchange.request, exchange.ask)?;
        self.flight = Some(Flight { purpose, effect, exchange, started: now, with });
        Ok(())
    }

    /// Lets the exchange under way hear; waits and repeats as it says.
    pub(crate) fn hear(&mut self, now: Instant, heard: &Heard) -> Option<Turn> {
        let flight = self.flight.as_mut()?;
        let turn = flight.exchange.hear(&self.line, heard, self.carrier.message());
        match &turn {
            Turn::KeepWaiting(window) => self.carrier.keep_waiting(*window),
            Turn::Repeat => {
                // Refused only when the connection ended in the meantime: then `Down` or `NotMade` follows.
                let _ = self.carrier.request(now, &flight.exchange.request, flight.exchange.ask);
            }
            Turn::Going | Turn::Done(_) => {}
        }
        Some(turn)
    }

    /// From now on the line is this; false: it cannot become so.
    pub(crate) fn change_line(&mut self, now: Instant, line: Line) -> bool {
        let changed = self.carrier.change_line(now, &line);
        if changed {
            self.line = line;
        }
        changed
    }

    /// Ends the conversation in order.
    pub(crate) fn stop(&mut self, now: Instant) -> Result<Stopping, Misuse> {
        // ISO 14229-1 9.2: defaultSession.
        let leave = (self.line.services() == Some(Services::Iso14229)).then_some(&[0x10, 0x01][..]);
        self.carrier.stop(now, leave)
    }

    /// What the port runs at because of this lane.
    pub(crate) fn speed(&self) -> Option<Speed> {
        self.carrier.speed()
    }

    /// How long the request under way, which took so long, occupied the line.
    pub(crate) fn request_occupied(&self, took: Duration) -> Duration {
        let length = self.flight.as_ref().map(|flight| flight.exchange.request.len());
        length.map_or(Duration::ZERO, |length| self.carrier.request_occupies(length, took))
    }

    /// How long an answer of so many bytes, which took so long, occupied the line.
    pub(crate) fn answer_occupied(&self, length: u16, took: Duration) -> Duration {
        self.carrier.answer_occupies(length.into(), took)
    }
}

/// What is sent.
#[derive(Clone, PartialEq, Eq, Debug)]
pub(crate) struct Sending {
    pub(crate) request: Vec<u8>,
    pub(crate) effect: Effect,
    pub(crate) answers: Answers,
    /// Records that it asks for beside the purpose's own.
    pub(crate) with: Vec<RecordId>,
}
