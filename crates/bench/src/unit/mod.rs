//! A control unit simulated from a compiled definition, through the inverse of its conversions.
//!
//! [`Simulated`] is a [`Station`] on a [`Line`](crate::line::Line) or a [`Bus`](crate::bus::Bus), as its definition
//! says. It speaks through the control unit's machine of the framing crate and answers what the definition names:
//! records with values of the [engine](crate::engine), sessions with their speed and timing, keep-alive, fault codes,
//! procedures. Services of SAE J1979 and ISO 14229-1 follow from the identifiers that are named: support masks, several
//! identifiers in a request, identifiers defined on request. What the definition does not name is refused, or passed
//! over in silence where the standards say so. Frames that the definition says are heard on the bus are sent.
//!
//! It never answers a request for another unit, and never panics on any bytes.

mod answer;
mod broadcast;
mod data;
mod dialogue;
mod faults;
mod obd;
mod options;
mod tamper;
#[cfg(test)]
mod tests;
mod trouble;
mod uds;
mod values;
mod voice;

use core::convert::Infallible;
use core::time::Duration;
use std::collections::VecDeque;

use tickover_defs::{Definition, RecordId};
use tickover_framing::Instant;
use tickover_framing::can::Condition;
use tickover_framing::contract::{Act, Input, Known, Output};
use tickover_framing::time::earliest;
use tickover_framing::transport::Echo;
use tickover_services::{ResponseCode, ServiceId};

use crate::line::Station;
use crate::truth::Truth;
use answer::{Reply, Then};
use broadcast::Broadcasts;
use data::Sensors;
use dialogue::Dialogue;
pub use options::{Options, UnitError};
use tamper::{Done, Tamper};
use trouble::{BOOT, Dice};
pub use trouble::{Mishap, MishapCounts, Trouble};
use voice::{Told, Voice};

/// A control unit that answers as its definition says.
#[derive(Debug)]
pub struct Simulated {
    name: String,
    voice: Voice,
    dialogue: Dialogue,
    sensors: Sensors,
    broadcasts: Broadcasts,
    tamper: Tamper,
    p2: Option<Duration>,
    note_values: bool,
    hears_itself: bool,
    dice: Dice,
    deaf_until: Instant,
    now: Instant,
    /// End of the last request or answer: S3 runs from here.
    last_at: Instant,
    speaking: Option<Speaking>,
    truths: Vec<Truth>,
    tally: Tally,
}

/// How often the unit did what.
#[derive(Clone, Copy, PartialEq, Eq, Debug, Default)]
pub struct Tally {
    /// Complete answers to records, and frames sent.
    pub answers: u64,
    /// Requests heard, whatever was answered.
    pub requests: u64,
    /// Requests that the definition does not name: refused, or passed over.
    pub unknown: u64,
    /// Times that a tester started communication on a K-line.
    pub starts: u64,
    /// Times that a tester ended it.
    pub stops: u64,
    /// Times that P3max ended it, or S3 a session.
    pub timeouts: u64,
    /// Messages that were garbled or not for this unit.
    pub ignored: u64,
    /// What it did wrong on purpose.
    pub mishaps: MishapCounts,
}

/// An answer on its way.
#[derive(Debug)]
struct Speaking {
    /// "Response pending" that comes first.
    pending: u8,
    service: u8,
    messages: VecDeque<Vec<u8>>,
    /// A message of the answer itself is being sent.
    answering: bool,
    start: Option<Instant>,
    records: Vec<(RecordId, Vec<u8>)>,
    then: Then,
}

impl Simulated {
    /// A unit that is switched on at `now`.
    ///
    /// # Errors
    /// [`UnitError`]: the definition has no line, or the options name what it does not have.
    pub fn new(definition: &Definition, options: &Options, now: Instant) -> Result<Self, UnitError> {
        let line = definition.line.clone().ok_or(UnitError::NoLine)?;
        let mut voice = Voice::new(&line, options.reach).ok_or(UnitError::NoLine)?;
        if let Some(p2) = options.p2 {
            voice.set_p2(p2);
        }
        let (layout, values) = options::choose(definition, options)?;
        let broadcasts = Broadcasts::new(&layout, now);
        let dialogue = Dialogue::new(line, definition.sessions.clone(), layout, options.pids.as_deref());
        let masks = (dialogue.emission.supported_pids, dialogue.emission.supported_infos);
        let sensors = Sensors::new(definition, &dialogue.layout, values, options, masks, now);
        Ok(Self {
            name: options.name.clone().unwrap_or_else(|| definition.id.to_string()),
            voice,
            dialogue,
            sensors,
            broadcasts,
            tamper: Tamper::default(),
            p2: options.p2,
            note_values: options.note_values,
            hears_itself: options.reach.echo != Echo::Suppressed,
            dice: Dice::new(options.trouble, options.seed),
            deaf_until: now,
            now,
            last_at: now,
            speaking: None,
            truths: Vec::new(),
            tally: Tally::default(),
        })
    }

    /// End of a request to the start of its answer, as it is now.
    pub fn p2(&self) -> Duration {
        self.p2.unwrap_or_else(|| self.voice.p2())
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

    fn on_told(&mut self, told: Told) {
        match told {
            Told::Request { functional, end } => self.on_request(functional, end),
            Told::Sent { start, end } => self.on_sent(start, end),
            Told::Started => {
                self.tally.starts += 1;
                self.forget();
            }
            Told::Stopped => {
                self.tally.stops += 1;
                self.forget();
            }
            Told::TimedOut => {
                self.tally.timeouts += 1;
                self.forget();
            }
            Told::Ignored => {
                self.tally.ignored += 1;
                // An answer that nobody takes is given up: N_Bs, an overflow.
                if !self.voice.is_answering() && self.speaking.take().is_some() {
                    self.tamper.end();
                }
            }
            Told::Nothing => {}
        }
    }

    fn on_request(&mut self, functional: bool, end: Instant) {
        self.tally.requests += 1;
        if self.speaking.is_some() && functional {
            // A request to a group that comes while an answer is under way cannot be answered.
            return;
        }
        if self.voice.s3().is_some_and(|s3| end.since(self.last_at) > s3) && self.dialogue.is_in_session() {
            self.tally.timeouts += 1;
            self.dialogue.reset();
        }
        self.last_at = end;
        self.speaking = None;
        self.tamper.begin();
        self.voice.hurry(false);
        let request = self.voice.request().to_vec();
        let standard = self.dialogue.services().is_some();
        let (mut pending, mut late) = (0, Duration::ZERO);
        match self.dice.on_request(end) {
            Some(Mishap::Silent(period)) => {
                self.deaf_until = end.after(period);
                return;
            }
            Some(Mishap::Reset) => {
                self.deaf_until = end.after(BOOT);
                self.voice.reset(end);
                return self.forget();
            }
            Some(Mishap::Busy) => return self.refuse(&request, ResponseCode::BUSY_REPEAT_REQUEST),
            Some(Mishap::Refuse(code)) => return self.refuse(&request, code),
            Some(Mishap::Pending(count)) if standard => pending = count,
            Some(Mishap::Slow(by)) => late = by,
            Some(Mishap::Hasty) => self.voice.hurry(true),
            Some(Mishap::Miscounted) => self.tamper.miscount = true,
            Some(Mishap::Swapped) => self.tamper.swap = true,
            Some(Mishap::Pending(_) | Mishap::NoFlowControl) | None => {}
        }
        if let Some(Reply { messages, records, then }) = self.reply(&request, functional) {
            let service = request.first().copied().unwrap_or(0);
            let (messages, answering, start) = (messages.into(), false, None);
            self.speaking = Some(Speaking { pending, service, messages, answering, start, records, then });
            self.go_on(late);
        }
    }

    fn refuse(&mut self, request: &[u8], code: ResponseCode) {
        let refusal = self.dialogue.refuse(request, code);
        let after = self.p2();
        self.voice.respond(self.now, &refusal, after);
    }

    /// Sends what comes next of the answer, or ends it.
    fn go_on(&mut self, late: Duration) {
        let after = self.p2().saturating_add(late);
        let Some(speaking) = &mut self.speaking else { return };
        let message = if speaking.pending > 0 {
            speaking.pending -= 1;
            Some(vec![ServiceId::NEGATIVE_RESPONSE.0, speaking.service, ResponseCode::RESPONSE_PENDING.0])
        } else {
            let next = speaking.messages.pop_front();
            speaking.answering = next.is_some();
            next
        };
        match message {
            // What does not fit the line is not sent, and so is not true.
            Some(message) if !self.voice.respond(self.now, &message, after) => self.speaking = None,
            Some(_) => {}
            None => self.end_answer(),
        }
    }

    fn on_sent(&mut self, start: Instant, end: Instant) {
        self.last_at = end;
        self.tamper.end();
        if let Some(speaking) = &mut self.speaking {
            if speaking.answering {
                speaking.start.get_or_insert(start);
            }
            self.go_on(Duration::ZERO);
        }
    }

    /// Everything is out: it is true, and what follows from it happens.
    fn end_answer(&mut self) {
        let Some(Speaking { start, records, then, .. }) = self.speaking.take() else { return };
        for (record, response) in records {
            self.note(start.unwrap_or(self.now), record, response);
        }
        match then {
            Then::Nothing => {}
            Then::Default => self.dialogue.reset(),
            Then::Enter(session) => {
                if let Some(line) = self.dialogue.enter(session) {
                    self.voice.change_line(self.last_at, line);
                }
            }
        }
    }

    fn note(&mut self, at: Instant, record: RecordId, response: Vec<u8>) {
        self.tally.answers += 1;
        let layout = &self.dialogue.layout;
        let values = if self.note_values { self.sensors.decoded(layout, record, &response) } else { Vec::new() };
        let (number, unit, name) = (self.tally.answers, self.name.clone(), self.sensors.record_name(record));
        self.truths.push(Truth { number, unit, at, record, name, response, values });
    }

    /// Communication is over, or new.
    fn forget(&mut self) {
        self.dialogue.reset();
        self.speaking = None;
    }

    /// The act as it is really done; `None`: nothing is sent.
    fn tampered(&mut self, act: Act) -> Option<Act> {
        let Some(path) = self.voice.path() else { return Some(act) };
        match self.tamper.act(path, act) {
            Done::Sent(act) => Some(act),
            Done::Swallowed(tag) => {
                let at = self.now;
                self.voice.handle(Input::Sent { tag, start: at, end: at, known: Known::Computed });
                None
            }
        }
    }

    /// A request of several frames begins.
    fn is_first_frame(&self, input: &Input<'_>) -> bool {
        let (Input::Frame { frame, .. }, Some(path)) = (input, self.voice.path()) else { return false };
        let at = usize::from(path.request.first_byte().is_some());
        path.request.matches(frame) && frame.data.as_slice().get(at).is_some_and(|byte| byte >> 4 == 1)
    }
}

impl Station for Simulated {
    fn handle(&mut self, input: Input<'_>) {
        match input {
            Input::Bytes { end: at, .. } | Input::Edge { at, .. } | Input::Frame { end: at, .. } => {
                self.now = self.now.max(at);
                if at < self.deaf_until {
                    return;
                }
                if self.is_first_frame(&input) && self.dice.on_first_frame(at) {
                    self.tamper.no_flow_control = true;
                }
            }
            Input::Timeout { now } => self.now = self.now.max(now),
            Input::Sent { tag, start, end, .. } if self.voice.is_on_bus() => {
                self.now = self.now.max(end);
                if let Some((record, data)) = self.broadcasts.sent(tag) {
                    return self.note(start, record, data);
                }
            }
            Input::Bus { condition: Condition::Off, .. } => self.broadcasts.forget(),
            _ => {}
        }
        self.voice.handle(input);
    }

    fn poll(&mut self) -> Output<Infallible> {
        loop {
            let (at, why) = match self.voice.poll() {
                Output::Event(told) => {
                    self.on_told(told);
                    continue;
                }
                Output::Act(act) => match self.tampered(act) {
                    Some(act) => return Output::Act(act),
                    None => continue,
                },
                Output::WaitUntil { at, why } => (Some(at), why),
                Output::Idle => (None, voice::OWN_TIME),
            };
            let own = self.tamper.next();
            if let Some(act) = own.or_else(|| self.broadcasts.next(self.now, &self.dialogue.layout, &mut self.sensors))
            {
                return Output::Act(act);
            }
            return match earliest(at, self.broadcasts.due()) {
                Some(first) if Some(first) == at => Output::WaitUntil { at: first, why },
                Some(first) => Output::WaitUntil { at: first, why: voice::OWN_TIME },
                None => Output::Idle,
            };
        }
    }

    fn hears_itself(&self) -> bool {
        self.hears_itself
    }
}
