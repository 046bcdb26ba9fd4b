//! What was heard, and what comes of it.

use alloc::format;
use alloc::string::{String, ToString};
use alloc::vec::Vec;
use core::time::Duration;

use tickover_defs::compiled::Step;
use tickover_defs::compiled::line::J1979;
use tickover_defs::{Reading, RecordId};
use tickover_framing::Instant;
use tickover_framing::transport::{Heard, Noise};

use crate::connect::Phase;
use crate::conversation::Conversation;
use crate::derive::{Response, age_limit};
use crate::exchange::{Answer, Failure, Last, Outcome, Refusal, Turn};
use crate::identify;
use crate::lane::{Flight, Purpose};
use crate::listen::interval;
use crate::notes;
use crate::schedule::Job;
use crate::unit::layout_of;
use crate::{Event, Fault, NoteKind, Row, pack};

/// So many turns in a row without any answer, and communication is started again.
pub(crate) const LOST_TURNS: u32 = 2;
/// A refusal whose meaning is not known is believed after so many in a row.
const REFUSALS: u8 = 3;

/// A consecutive frame of an answer that nobody waits for, with what the unit takes between two.
const PER_FRAME: Duration = Duration::from_millis(1);

impl Conversation {
    /// Takes what the transport heard.
    pub(crate) fn hear(&mut self, heard: &Heard) {
        self.count(heard);
        match self.phase {
            Phase::Leaving => return self.hear_last(heard),
            Phase::Paused => return,
            _ => {}
        }
        match *heard {
            Heard::Ready { key_bytes } => return self.ready(key_bytes),
            Heard::NotReady { at, stage } => {
                self.note(notes::not_ready(at, stage, self.reach.pulse));
                self.fail_waiting(self.now, Fault::Unit, "the unit could not be reached");
                let wait = self.back_off();
                self.phase = Phase::BackOff { until: self.now.after(wait) };
                return;
            }
            Heard::NotMade { wanted, got } => {
                self.note(notes::speed(self.now, wanted, got));
                return self.speed_not_made();
            }
            Heard::Down(cause) => {
                self.note(notes::lost(self.now, cause));
                self.phase = Phase::Down;
                return self.end_connection(self.now);
            }
            Heard::Noise { at, what } => self.heard_noise(at, what),
            _ => {}
        }
        let now = self.now;
        let Some(turn) = self.lane.as_mut().and_then(|lane| lane.hear(now, heard)) else { return };
        match turn {
            Turn::Going => {}
            Turn::KeepWaiting(_) => self.meter.pending += 1,
            Turn::Repeat => self.meter.repeats += 1,
            Turn::Done(outcome) => self.finished(outcome),
        }
    }

    fn count(&mut self, heard: &Heard) {
        let Some(lane) = &mut self.lane else { return };
        match *heard {
            Heard::Sent { start, end } => {
                if lane.flight.as_ref().is_some_and(|flight| flight.exchange.goes_to_all()) {
                    self.asked_all = Some(end);
                }
                self.meter.carried += lane.request_occupied(end.since(start));
                lane.message_ended(end);
            }
            Heard::Message { start, end, len, .. } => {
                self.meter.carried += lane.answer_occupied(len, end.since(start));
                lane.message_ended(end);
            }
            Heard::Silence { .. } => self.meter.silences += 1,
            // The answer to another lane's request to all: its unit is free once the rest of it is out.
            Heard::Noise { at, what: Noise::Unasked { bytes } } => {
                self.own_unit_free = at.after(PER_FRAME.saturating_mul(u32::from(bytes / 7)));
            }
            Heard::Noise { what: Noise::Early, .. } => {}
            Heard::Noise { .. } => self.meter.noise += 1,
            _ => {}
        }
    }

    /// Whether an answer that this lane did not ask for may belong to a request to all: another lane's, or, on a K-line,
    /// its own, which another unit had answered first.
    fn may_be_asked_by_others(&self) -> bool {
        self.line().is_some_and(|line| line.goes_to_all(&[*J1979.start()]))
    }

    fn heard_noise(&mut self, at: Instant, what: Noise) {
        if matches!(what, Noise::Unasked { .. }) && self.may_be_asked_by_others() {
            return;
        }
        if what == Noise::Early && core::mem::replace(&mut self.history.said_early, true) {
            return;
        }
        let Some(more) = self.history.noise.more(at) else { return };
        let during = self.lane.as_ref().and_then(|lane| lane.flight.as_ref()).map(|flight| self.say(flight.purpose));
        let mut note = notes::noise(at, what, &during.unwrap_or_else(|| "between requests".to_string()));
        note.text.push_str(more);
        self.note(note);
    }

    /// The answer to the end of communication, or none: it is over.
    fn hear_last(&mut self, heard: &Heard) {
        match heard {
            Heard::Message { .. } | Heard::Silence { .. } | Heard::Down(_) | Heard::NotMade { .. } => self.closed(),
            _ => {}
        }
    }

    /// The port does not run at a speed: of a session, then without it; of the line itself, then not at all.
    fn speed_not_made(&mut self) {
        match self.unit.entered {
            Some(session) => {
                self.history.impossible = Some(session);
                self.restart("the unit runs at a speed that the port cannot make, and must fall back first");
            }
            None => self.end_connection(self.now),
        }
    }

    fn finished(&mut self, outcome: Outcome) {
        let Some(flight) = self.lane.as_mut().and_then(|lane| lane.flight.take()) else { return };
        // Whatever it says, the unit is there.
        if matches!(outcome, Outcome::Answer(_) | Outcome::Refused(_)) {
            self.history.lost_turns = 0;
        }
        match flight.purpose {
            Purpose::Poll(record) | Purpose::Once(record) | Purpose::Identify(record) => {
                self.record_finished(record, &flight, outcome);
            }
            Purpose::Discover(asked) => self.discover_finished(asked, outcome),
            Purpose::Step => self.step_finished(outcome),
            Purpose::KeepAlive => self.keep_alive_finished(&flight, outcome),
            Purpose::OneShot(ticket) => self.one_shot_finished(ticket, &flight, outcome),
        }
    }

    fn record_finished(&mut self, record: RecordId, flight: &Flight, outcome: Outcome) {
        let free = self.lane.as_ref().map_or(self.now, |lane| lane.free.max(self.now));
        let cost = match &outcome {
            Outcome::Answer(answer) if answer.clean => Some(free.since(answer.asked)),
            _ => None,
        };
        self.schedule.ran(Job::Record(record), flight.started, free, cost);
        match outcome {
            _ if !flight.with.is_empty() => self.group_finished(record, flight, outcome),
            Outcome::Answer(answer) => self.answered(record, flight.purpose, answer),
            Outcome::Refused(refusal) => self.record_refused(record, &refusal),
            Outcome::Failed(failure) => self.turn_lost(failure, flight.purpose),
            Outcome::Sent => {}
        }
    }

    /// Of several records in one request. What a unit does not answer together is asked for one by one.
    fn group_finished(&mut self, leader: RecordId, flight: &Flight, outcome: Outcome) {
        let records: Vec<RecordId> = core::iter::once(leader).chain(flight.with.iter().copied()).collect();
        match outcome {
            Outcome::Answer(answer) => match pack::split(self.unit.layout(), &records, &answer.data) {
                Some(parts) => self.group_answered(&records, parts, &answer),
                None => {
                    self.misfit(leader, "an answer with the identifiers asked for was expected", &answer.data);
                    self.ask_alone(&records);
                }
            },
            Outcome::Refused(refusal) if refusal.last != Last::Later => {
                self.meter.refusals += 1;
                let what = format!("{} identifiers in one request", records.len());
                let after = "; they are asked for one by one";
                self.note(notes::refused(self.now, NoteKind::Refused, &refusal, &what, after));
                self.ask_alone(&records);
            }
            Outcome::Refused(refusal) => self.record_refused(leader, &refusal),
            Outcome::Failed(failure) => {
                // Silence may be all that a unit has to say to a request of this form.
                if self.unit.asked(leader).is_some_and(|asked| !asked.answered) {
                    self.ask_alone(&records);
                }
                self.turn_lost(failure, flight.purpose);
            }
            Outcome::Sent => {}
        }
    }

    fn group_answered(&mut self, records: &[RecordId], parts: Vec<(RecordId, Vec<u8>)>, answer: &Answer) {
        let left_out = records.iter().filter(|id| !parts.iter().any(|(part, _)| part == *id));
        let left_out: Vec<RecordId> = left_out.copied().collect();
        let mut good = false;
        for (id, data) in parts {
            if self.make_row(id, &Answer { data, ..answer.clone() }) {
                self.healthy(id);
                good = true;
            }
        }
        if good {
            self.meter.response(answer.start, answer.response_time);
        }
        left_out.into_iter().for_each(|id| self.was_left_out(id));
    }

    /// A unit leaves out what it does not have as long as it has one of the others (SAE J1979, ISO 14229-1 11.2).
    fn was_left_out(&mut self, record: RecordId) {
        let what = self.unit.say_record(record);
        let Some(asked) = self.unit.asked(record) else { return };
        asked.refusals = asked.refusals.saturating_add(1);
        if !asked.answered && asked.refusals >= REFUSALS {
            let text = format!("{what}: the unit leaves it out of its answers; it is asked for no more");
            self.note(notes::note(self.now, NoteKind::NotSupported, Fault::Unit, text));
            self.drop_record(record);
        }
    }

    /// A good message came: is it the record's, and of its length?
    fn answered(&mut self, id: RecordId, purpose: Purpose, answer: Answer) {
        let good = match purpose {
            Purpose::Identify(_) => self.decode(id, &answer, true).is_some(),
            _ => self.make_row(id, &answer),
        };
        if !good {
            return;
        }
        self.healthy(id);
        self.meter.response(answer.start, answer.response_time);
        if matches!(purpose, Purpose::Identify(_)) {
            self.unit.told.push((id, answer));
        }
    }

    /// Reads an answer; `None`: it is not what the definition says, which is said.
    fn decode(&mut self, id: RecordId, answer: &Answer, identifying: bool) -> Option<Vec<Reading>> {
        let unit = &mut self.unit;
        let layout = layout_of(&unit.definition, unit.variant);
        let record = layout.record(id)?;
        let Some(data) = record.answer.strip(&answer.data) else {
            let wrong = notes::starts_otherwise(&record.answer);
            self.misfit(id, &wrong, &answer.data);
            return None;
        };
        let wanted_derived = if identifying { identify::derived(&unit.definition) } else { unit.plan.derived.clone() };
        let (schedule, plan) = (&self.schedule, &unit.plan);
        let limit = |channel| match identifying {
            true => None,
            false => age_limit(layout, channel, &|id| interval(layout, id, &|id| schedule.interval(plan.leader(id)))),
        };
        let response = Response { data, at: answer.start, interval: schedule.interval(plan.leader(id)) };
        let readings = unit.store.take(layout, record, response, &wanted_derived, &limit);
        readings.map_err(|wrong| self.misfit(id, &wrong.to_string(), &answer.data)).ok()
    }

    /// Makes a row of an answer; whether it was one of this record.
    pub(crate) fn make_row(&mut self, id: RecordId, answer: &Answer) -> bool {
        let Some(readings) = self.decode(id, answer, false) else { return false };
        self.was_read(id);
        let unit = &mut self.unit;
        let readings: Vec<_> = readings.into_iter().filter(|reading| unit.watched(reading.channel)).collect();
        for reading in &readings {
            unit.beats.iter_mut().skip(usize::from(reading.channel.0)).take(1).for_each(|beat| beat.add(answer.start));
        }
        // What only goes into frames that we send was not asked to be seen.
        if readings.is_empty() && !unit.feeds.is_empty() {
            return true;
        }
        self.events.push_back(Event::Row(Row {
            at: answer.start,
            unit: self.id,
            record: id,
            response: answer.data.clone(),
            response_time: answer.response_time,
            readings,
        }));
        true
    }

    fn healthy(&mut self, record: RecordId) {
        self.history.attempts = 0;
        let Some(asked) = self.unit.asked(record) else { return };
        (asked.answered, asked.refusals, asked.complaint) = (true, 0, None);
    }

    /// A row was made of a record: what is read once is not asked for any more.
    fn was_read(&mut self, record: RecordId) {
        let Some(asked) = self.unit.asked(record) else { return };
        let first = !core::mem::replace(&mut asked.read, true);
        if first && self.phase == Phase::Poll && self.unit.plan.once.contains(&record) {
            self.replan();
        }
    }

    fn misfit(&mut self, record: RecordId, expected: &str, came: &[u8]) {
        if self.complain(record, NoteKind::Misfit) {
            let what = self.unit.say_record(record);
            self.note(notes::misfit(self.now, &what, expected, came));
        }
    }

    /// Whether this is a new complaint about the record.
    fn complain(&mut self, record: RecordId, kind: NoteKind) -> bool {
        self.unit.asked(record).is_none_or(|asked| asked.complaint.replace(kind) != Some(kind))
    }

    fn record_refused(&mut self, record: RecordId, refusal: &Refusal) {
        self.meter.refusals += 1;
        let what = self.unit.say_record(record);
        let Some(asked) = self.unit.asked(record) else { return };
        asked.refusals = asked.refusals.saturating_add(1);
        let (answered, refusals) = (asked.answered, asked.refusals);
        let never = match refusal.last {
            Last::Never => true,
            Last::Later => false,
            Last::Unknown => !answered && refusals >= REFUSALS,
        };
        if never && answered {
            let why =
                format!("{what} had answered and is now refused with {}: the unit has been reset", refusal.meaning);
            return self.restart(&why);
        }
        if never {
            let after = "; it is asked for no more";
            self.note(notes::refused(self.now, NoteKind::NotSupported, refusal, &what, after));
            self.drop_record(record);
        } else if self.complain(record, NoteKind::Refused) {
            self.note(notes::refused(self.now, NoteKind::Refused, refusal, &what, "; it is asked for again later"));
        }
    }

    /// A record is asked for no more; its channels are not supported.
    pub(crate) fn drop_record(&mut self, record: RecordId) {
        let unit = &mut self.unit;
        unit.store.refuse(layout_of(&unit.definition, unit.variant), record);
        if let Some(asked) = unit.asked(record) {
            asked.refused = true;
        }
        self.replan();
    }

    /// No good answer to all repetitions.
    pub(crate) fn turn_lost(&mut self, failure: Failure, purpose: Purpose) {
        let what = self.say(purpose);
        self.note(notes::failed(self.now, failure, &what));
        self.history.lost_turns += 1;
        if self.history.lost_turns >= LOST_TURNS || self.phase.is_opening() {
            self.restart("the unit does not answer any more");
        }
    }

    fn step_finished(&mut self, outcome: Outcome) {
        let Phase::Enter { session, step, since } = self.phase else { return };
        let what = self.say(Purpose::Step);
        let Some(Step::Send { expect, within, .. }) =
            self.unit.definition.sessions.get(usize::from(session)).and_then(|state| state.enter.get(step))
        else {
            return;
        };
        let patient = within.is_some_and(|within| self.now.since(since) < within);
        match outcome {
            Outcome::Answer(answer) if expect.strip(&answer.data).is_some() => {
                self.phase = Phase::Enter { session, step: step + 1, since: self.now };
            }
            Outcome::Answer(_) | Outcome::Refused(_) if patient => {}
            Outcome::Answer(answer) => {
                let wrong = notes::starts_otherwise(expect);
                self.note(notes::misfit(self.now, &what, &wrong, &answer.data));
                self.not_entered();
            }
            Outcome::Refused(refusal) => {
                self.meter.refusals += 1;
                let after = "; the default session stays";
                self.note(notes::refused(self.now, NoteKind::Refused, &refusal, &what, after));
                self.not_entered();
            }
            Outcome::Failed(failure) => self.turn_lost(failure, Purpose::Step),
            Outcome::Sent => {}
        }
    }

    fn keep_alive_finished(&mut self, flight: &Flight, outcome: Outcome) {
        self.schedule.ran(Job::KeepAlive, flight.started, self.now, None);
        let what = self.say(Purpose::KeepAlive);
        let expect = self.lane.as_ref().and_then(|lane| lane.line.keep_alive()?.expect.clone());
        match outcome {
            Outcome::Failed(failure) => self.turn_lost(failure, Purpose::KeepAlive),
            Outcome::Refused(refusal) => {
                self.meter.refusals += 1;
                self.note(notes::refused(self.now, NoteKind::Refused, &refusal, &what, ""));
            }
            Outcome::Answer(answer) => {
                if let Some(expect) = expect.filter(|expect| expect.strip(&answer.data).is_none()) {
                    let wrong = notes::starts_otherwise(&expect);
                    self.note(notes::misfit(self.now, &what, &wrong, &answer.data));
                }
            }
            Outcome::Sent => {}
        }
    }

    /// What an exchange is for, in a note.
    pub(crate) fn say(&self, purpose: Purpose) -> String {
        match purpose {
            Purpose::Poll(record) | Purpose::Identify(record) | Purpose::Once(record) => self.unit.say_record(record),
            Purpose::Step => match self.phase {
                Phase::Enter { session, .. } => format!("session '{}'", self.unit.session_name(session)),
                _ => "session".to_string(),
            },
            Purpose::Discover(asked) => format!("support of PIDs from {asked:02X}"),
            Purpose::KeepAlive => "keep-alive".to_string(),
            Purpose::OneShot(ticket) => format!("request {ticket}"),
        }
    }
}
