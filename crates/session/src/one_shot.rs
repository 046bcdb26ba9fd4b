//! Requests of the caller: answered once, whatever happens to the connection.

use alloc::format;
use alloc::vec::Vec;

use tickover_framing::Instant;
use tickover_framing::contract::Hex;
use tickover_framing::transport::Misuse;
use tickover_services::{Effect, ServiceId};

use crate::connect::Phase;
use crate::conversation::Conversation;
use crate::exchange::Outcome;
use crate::lane::{Flight, Purpose};
use crate::notes;
use crate::poll::LOST_TURNS;
use crate::schedule::Job;
use crate::{Fault, Note, NoteKind};

impl Conversation {
    pub(crate) fn one_shot_finished(&mut self, ticket: u32, flight: &Flight, outcome: Outcome) {
        self.schedule.ran(Job::OneShot(ticket), flight.started, self.now, None);
        let what = format!("request {}", Hex(&flight.exchange.request));
        let expected = self.expected_service(&flight.exchange.request);
        let failed = matches!(outcome, Outcome::Failed(_));
        let answer = match outcome {
            Outcome::Answer(answer) => match expected.filter(|expected| answer.data.first() != Some(expected)) {
                None => Ok(answer.data),
                Some(expected) => {
                    let wrong = format!("an answer that starts with {expected:02X} was expected");
                    Err(notes::misfit(self.now, &what, &wrong, &answer.data))
                }
            },
            Outcome::Sent => Ok(Vec::new()),
            Outcome::Refused(refusal) => {
                self.meter.refusals += 1;
                Err(notes::refused(self.now, NoteKind::Refused, &refusal, &what, ""))
            }
            Outcome::Failed(failure) => Err(notes::failed(self.now, failure, &what)),
        };
        let cleared = answer.is_ok() && flight.effect == Effect::Clears;
        self.answer(ticket, answer);
        if failed {
            self.history.lost_turns += 1;
            if self.history.lost_turns >= LOST_TURNS {
                self.restart("the unit does not answer any more");
            }
        } else if cleared && self.phase == Phase::Poll {
            let once = self.unit.plan.once.clone();
            for id in once {
                self.unit.asked(id).into_iter().for_each(|asked| asked.read = false);
            }
            self.phase = Phase::Once { left: self.unit.plan.once.iter().copied().collect() };
        }
    }

    /// What a good answer starts with, where a standard's services hold.
    fn expected_service(&self, request: &[u8]) -> Option<u8> {
        self.lane.as_ref()?.line.services()?;
        Some(ServiceId(*request.first()?).response().0)
    }

    /// A request that fits no message of this framing.
    pub(crate) fn unsendable(&mut self, purpose: Purpose, misuse: Misuse) {
        let text = format!("{}: {misuse}", self.say(purpose));
        let note = |fault| notes::note(self.now, NoteKind::NotSupported, fault, text.clone());
        match purpose {
            Purpose::OneShot(ticket) => {
                let answer = Err(note(Fault::Caller));
                self.answer(ticket, answer);
                self.schedule.ran(Job::OneShot(ticket), self.now, self.now, None);
            }
            Purpose::Poll(record) | Purpose::Once(record) | Purpose::Identify(record) => {
                let note = note(Fault::Definition);
                self.note(note);
                self.drop_record(record);
            }
            Purpose::Discover(_) => {
                let note = note(Fault::Definition);
                self.note(note);
                self.phase = self.next_identify();
            }
            Purpose::Step => {
                let note = note(Fault::Definition);
                self.note(note);
                self.not_entered();
            }
            Purpose::KeepAlive => {
                let note = note(Fault::Definition);
                self.note(note);
                self.schedule.keep_alive(self.now, None);
            }
        }
    }

    /// The exchange under way comes to nothing.
    pub(crate) fn abandon_flight(&mut self) {
        let flight = self.lane.as_mut().and_then(|lane| lane.flight.take());
        if let Some(Flight { purpose: Purpose::OneShot(ticket), exchange, started, .. }) = flight {
            self.schedule.ran(Job::OneShot(ticket), started, self.now, None);
            let answer = Err(unanswered(self.now, Fault::Line, &exchange.request, "the connection ended"));
            self.answer(ticket, answer);
        }
    }

    /// Requests that wait are not sent any more.
    pub(crate) fn fail_waiting(&mut self, now: Instant, fault: Fault, why: &str) {
        self.schedule.clear_one_shots();
        for one_shot in core::mem::take(&mut self.one_shots) {
            let answer = Err(unanswered(now, fault, &one_shot.request, why));
            self.answer(one_shot.ticket, answer);
        }
    }
}

fn unanswered(at: Instant, fault: Fault, request: &[u8], why: &str) -> Note {
    let text = format!("request {} was not answered: {why}", Hex(request));
    notes::advise(at, NoteKind::Lost, fault, text, "ask again after the next connection")
}
