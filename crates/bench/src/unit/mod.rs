//! A control unit simulated from a compiled definition, through the inverse of its conversions.
//!
//! [`Simulated`] is a [`Station`] on a [`Line`](crate::line::Line). It speaks through the control unit's machine of
//! the framing crate and answers what the definition names: records with values of the [engine](crate::engine),
//! sessions with their speed and timing, keep-alive, fault codes, procedures. What the definition does not name is
//! refused. It never answers a request for another unit, and never panics on any bytes.

mod data;
mod dialogue;
mod options;
#[cfg(test)]
mod tests;
mod trouble;
mod values;

use core::convert::Infallible;
use core::time::Duration;

use tickover_defs::compiled::Line;
use tickover_defs::{Definition, RecordId};
use tickover_framing::Instant;
use tickover_framing::contract::{Act, Input, Machine, Output, Wire};
use tickover_framing::kline::{self, UnitEvent};
use tickover_services::ResponseCode;

use crate::line::Station;
use crate::truth::Truth;
use data::Sensors;
use dialogue::{Asked, Dialogue};
pub use options::{Options, UnitError};
use trouble::{BOOT, Dice};
pub use trouble::{Mishap, MishapCounts, Trouble};

/// A control unit that answers as its definition says.
#[derive(Debug)]
pub struct Simulated {
    machine: kline::Unit,
    dialogue: Dialogue,
    sensors: Sensors,
    p2: Option<Duration>,
    note_values: bool,
    hears_itself: bool,
    dice: Dice,
    deaf_until: Instant,
    now: Instant,
    /// Bytes of the last act.
    acting: usize,
    /// What follows the answer that is being sent.
    then: Then,
    sending: Option<Sending>,
    truths: Vec<Truth>,
    tally: Tally,
}

/// How often the unit did what.
#[derive(Clone, Copy, PartialEq, Eq, Debug, Default)]
pub struct Tally {
    /// Complete answers to records.
    pub answers: u64,
    /// Requests heard, whatever was answered.
    pub requests: u64,
    /// Requests refused because the definition does not name them.
    pub unknown: u64,
    /// Times that a tester started communication.
    pub starts: u64,
    /// Times that a tester ended it.
    pub stops: u64,
    /// Times that P3max ended it.
    pub timeouts: u64,
    /// Messages that were garbled or not for this unit.
    pub ignored: u64,
    /// What it did wrong on purpose.
    pub mishaps: MishapCounts,
}

/// What happens once the answer that is being sent is out.
#[derive(Clone, PartialEq, Debug)]
enum Then {
    Nothing,
    /// The line changes as this session says.
    Enter(u16),
    /// More of "response pending", then the answer.
    Answer {
        more_pending: u8,
        service: u8,
        answer: Vec<u8>,
        record: Option<RecordId>,
        then: Box<Self>,
    },
}

/// A record's answer on its way.
#[derive(Clone, PartialEq, Debug)]
struct Sending {
    record: RecordId,
    response: Vec<u8>,
    start: Option<Instant>,
    bytes_left: usize,
}

impl Simulated {
    /// A unit that is switched on at `now`.
    ///
    /// # Errors
    /// [`UnitError`]: the definition has no line, or the options name what it does not have.
    pub fn new(definition: &Definition, options: &Options, now: Instant) -> Result<Self, UnitError> {
        let Some(Line::KLine(line)) = &definition.line else { return Err(UnitError::NoLine) };
        let (layout, values) = options::choose(definition, options)?;
        let sensors = Sensors::new(definition, &layout, values, options, now);
        let mut machine = kline::Unit::new(line.line, options.reach);
        if let Some(p2) = options.p2 {
            machine.set_p2(p2);
        }
        Ok(Self {
            machine,
            dialogue: Dialogue::new(line.clone(), definition.sessions.clone(), layout),
            sensors,
            p2: options.p2,
            note_values: options.note_values,
            hears_itself: options.reach.echo != tickover_framing::transport::Echo::Suppressed,
            dice: Dice::new(options.trouble, options.seed),
            deaf_until: now,
            now,
            acting: 0,
            then: Then::Nothing,
            sending: None,
            truths: Vec::new(),
            tally: Tally::default(),
        })
    }

    /// End of a request to the start of its answer, as it is now.
    pub fn p2(&self) -> Duration {
        self.p2.unwrap_or_else(|| self.machine.line().timing.p2_min)
    }

    /// Misbehaves once: at the first request after `at`.
    pub fn plan(&mut self, at: Instant, mishap: Mishap) {
        self.dice.plan(at, mishap);
    }

    /// Misbehaves like this from now on.
    pub fn set_trouble(&mut self, trouble: Trouble) {
        self.dice.trouble = trouble;
    }

    /// The complete answers since the last call, in the order sent.
    pub fn take_truths(&mut self) -> Vec<Truth> {
        std::mem::take(&mut self.truths)
    }

    /// What it did wrong on purpose since the last call, in order.
    pub fn take_mishaps(&mut self) -> Vec<(Instant, Mishap)> {
        std::mem::take(&mut self.dice.log)
    }

    /// How often it did what.
    pub fn tally(&self) -> Tally {
        Tally { mishaps: self.dice.counts, ..self.tally }
    }

    fn on_event(&mut self, event: UnitEvent) {
        match event {
            UnitEvent::Request { end, .. } => self.on_request(end),
            UnitEvent::Sent { end, .. } => self.on_sent(end),
            UnitEvent::Started { .. } => {
                self.tally.starts += 1;
                self.forget();
            }
            UnitEvent::Stopped { .. } => {
                self.tally.stops += 1;
                self.forget();
            }
            UnitEvent::TimedOut { .. } => {
                self.tally.timeouts += 1;
                self.forget();
            }
            UnitEvent::Ignored { .. } | UnitEvent::Noise { .. } => self.tally.ignored += 1,
            _ => {}
        }
    }

    fn on_request(&mut self, end: Instant) {
        self.tally.requests += 1;
        self.sending = None;
        self.then = Then::Nothing;
        let request = self.machine.request().to_vec();
        let standard = self.dialogue.base().services.is_some();
        match self.dice.on_request(end) {
            Some(Mishap::Silent(period)) => self.deaf_until = end.after(period),
            Some(Mishap::Reset) => {
                self.deaf_until = end.after(BOOT);
                self.machine.reset(end);
                self.forget();
            }
            Some(Mishap::Busy) => {
                let refusal = self.dialogue.refuse(&request, ResponseCode::BUSY_REPEAT_REQUEST);
                self.respond(&refusal);
            }
            mishap => {
                let more_pending = match mishap {
                    Some(Mishap::Pending(count)) if standard => count,
                    _ => 0,
                };
                self.answer(&request, more_pending);
            }
        }
    }

    fn answer(&mut self, request: &[u8], more_pending: u8) {
        let (answer, record, then) = match self.dialogue.understand(request) {
            Err(refusal) => {
                self.tally.unknown += 1;
                (refusal, None, Then::Nothing)
            }
            Ok(Asked::Record(id)) => {
                let Some(answer) = self.sensors.response(&self.dialogue.layout, id, self.now) else { return };
                (answer, Some(id), Then::Nothing)
            }
            Ok(Asked::ReadFaults) => (self.sensors.faults(), None, Then::Nothing),
            Ok(asked) => {
                let Some(answer) = self.dialogue.answer(self.now, request, asked) else { return };
                if !self.dialogue.is_refusal(&answer) {
                    self.take_effect(asked);
                }
                let then = match asked {
                    Asked::Enter { session, last: true, .. } => Then::Enter(session),
                    _ => Then::Nothing,
                };
                (answer, None, then)
            }
        };
        let service = request.first().copied().unwrap_or(0);
        if more_pending > 0 {
            let then = Box::new(then);
            self.then = Then::Answer { more_pending: more_pending - 1, service, answer, record, then };
            self.respond(&[0x7F, service, ResponseCode::RESPONSE_PENDING.0]);
        } else {
            self.then = then;
            self.give(answer, record);
        }
    }

    fn take_effect(&mut self, asked: Asked) {
        match asked {
            Asked::ClearFaults { .. } => self.sensors.clear_faults(),
            Asked::Procedure { procedure, finally: false, .. } => {
                let layout = &self.dialogue.layout;
                let read = layout.procedures.get(usize::from(procedure)).and_then(|p| p.then_read.as_deref());
                let group = read.and_then(|name| layout.groups.iter().find(|group| group.name == name));
                for id in group.map(|group| group.channels.to_vec()).unwrap_or_default() {
                    self.sensors.unlearn(&self.dialogue.layout, id);
                }
            }
            _ => {}
        }
    }

    /// Answers with these data; a record's are noted once they are out.
    fn give(&mut self, answer: Vec<u8>, record: Option<RecordId>) {
        if self.respond(&answer)
            && let Some(record) = record
        {
            let bytes_left = self.machine.line().response_len(answer.len());
            self.sending = Some(Sending { record, response: answer, start: None, bytes_left });
        }
    }

    fn respond(&mut self, answer: &[u8]) -> bool {
        let p2 = self.p2();
        self.machine.respond(self.now, answer, p2).is_ok()
    }

    fn on_sent(&mut self, end: Instant) {
        match std::mem::replace(&mut self.then, Then::Nothing) {
            Then::Nothing => {}
            Then::Enter(session) => {
                if let Some(line) = self.dialogue.enter(session) {
                    self.machine.change_line(end, line.line);
                }
            }
            Then::Answer { more_pending: 0, answer, record, then, .. } => {
                self.then = *then;
                self.give(answer, record);
            }
            Then::Answer { more_pending, service, answer, record, then } => {
                self.then = Then::Answer { more_pending: more_pending - 1, service, answer, record, then };
                self.respond(&[0x7F, service, ResponseCode::RESPONSE_PENDING.0]);
            }
        }
    }

    /// Communication is over, or new.
    fn forget(&mut self) {
        self.dialogue.reset();
        self.then = Then::Nothing;
        self.sending = None;
    }

    /// Follows a record's answer to its last byte.
    fn follow(&mut self, start: Instant, bytes: usize) {
        let Some(sending) = &mut self.sending else { return };
        let start = *sending.start.get_or_insert(start);
        sending.bytes_left = sending.bytes_left.saturating_sub(bytes);
        if sending.bytes_left > 0 {
            return;
        }
        if let Some(Sending { record, response, .. }) = self.sending.take() {
            self.tally.answers += 1;
            let layout = &self.dialogue.layout;
            let values = if self.note_values { self.sensors.decoded(layout, record, &response) } else { Vec::new() };
            let name = self.sensors.record_name(record);
            self.truths.push(Truth { number: self.tally.answers, at: start, record, name, response, values });
        }
    }
}

impl Station for Simulated {
    fn handle(&mut self, input: Input<'_>) {
        match input {
            Input::Bytes { end: at, .. } | Input::Edge { at, .. } => {
                self.now = self.now.max(at);
                if at < self.deaf_until {
                    return;
                }
            }
            Input::Timeout { now } => self.now = self.now.max(now),
            Input::Sent { start, .. } => self.follow(start, self.acting),
            _ => {}
        }
        self.machine.handle(input);
    }

    fn poll(&mut self) -> Output<Infallible> {
        loop {
            match self.machine.poll_output() {
                Output::Event(event) => self.on_event(event),
                Output::Act(act) => {
                    if let Act::Transmit { wire: Wire::Bytes(chunk), .. } = &act {
                        self.acting = chunk.as_slice().len();
                    }
                    return Output::Act(act);
                }
                Output::WaitUntil { at, why } => return Output::WaitUntil { at, why },
                Output::Idle => return Output::Idle,
            }
        }
    }

    fn hears_itself(&self) -> bool {
        self.hears_itself
    }
}
