//! What goes out, and the last judgement of it: whatever the schedule picks, polling can only read.

use alloc::format;
use alloc::vec::Vec;

use tickover_defs::RecordId;
use tickover_defs::compiled::Step;
use tickover_defs::compiled::line::J1979;
use tickover_framing::transport::{Answers, Misuse};
use tickover_services::Effect;

use crate::connect::Phase;
use crate::conversation::{Conversation, OneShot};
use crate::lane::{Purpose, Sending};
use crate::notes::note;
use crate::schedule::{Job, Pick};
use crate::{Fault, NoteKind, pack};

impl Conversation {
    /// Whether the request that would go out now goes to all; `None`: nothing is to be sent now.
    pub(crate) fn next_goes_to_all(&self) -> Option<bool> {
        let line = &self.lane.as_ref()?.line;
        let record = |id: &RecordId| self.unit.record(*id).and_then(|record| record.request.constant());
        let request = match &self.phase {
            Phase::Discover { asked } => [*J1979.start(), *asked].into(),
            Phase::Identify { left } | Phase::Once { left } => left.front().and_then(record)?,
            Phase::Enter { session, step, .. } => self.step(*session, *step)?.to_vec(),
            Phase::Poll | Phase::Unidentified { .. } => match self.schedule.pick(self.now) {
                Pick::Run(Job::Record(id)) => record(&id)?,
                Pick::Run(Job::KeepAlive) => line.keep_alive()?.send.to_vec(),
                Pick::Run(Job::OneShot(ticket)) => {
                    self.one_shots.iter().find(|one_shot| one_shot.ticket == ticket)?.request.clone()
                }
                Pick::Wait(_) | Pick::Nothing => return None,
            },
            _ => return None,
        };
        Some(line.goes_to_all(&request))
    }

    /// The request of a step into a session, if it sends one.
    fn step(&self, session: u16, step: usize) -> Option<&[u8]> {
        match self.unit.definition.sessions.get(usize::from(session))?.enter.get(step)? {
            Step::Send { send, .. } => Some(send),
            Step::Wait(_) => None,
        }
    }

    /// Sends what the schedule picks; whether there was anything.
    pub(crate) fn poll_next(&mut self) -> bool {
        let Pick::Run(job) = self.schedule.pick(self.now) else { return false };
        if self.was_quiet_too_long() {
            return true;
        }
        match job {
            Job::Record(record) => self.poll_record(record),
            Job::KeepAlive => self.send_keep_alive(),
            Job::OneShot(ticket) => self.send_one_shot(ticket),
        }
        true
    }

    /// Whether the unit has ended the conversation since the last message; then it is started again.
    pub(crate) fn was_quiet_too_long(&mut self) -> bool {
        let Some(lane) = &self.lane else { return false };
        let over = lane.limits().p3_max.is_some_and(|limit| self.now.since(lane.last_message) > limit);
        if over {
            self.restart("nothing was sent for longer than P3max, so the unit has ended the conversation");
        }
        over
    }

    /// Polls a record, with those that share its request.
    fn poll_record(&mut self, leader: RecordId) {
        let mut records = self.unit.plan.group(leader);
        if records.len() > 1 {
            let request = pack::request(self.unit.layout(), records.iter().copied());
            let reads = |request: &Vec<u8>| {
                self.lane.as_ref().is_some_and(|lane| lane.line.effect_of(request) == Some(Effect::Reads))
            };
            if let Some(request) = request.filter(reads) {
                let with = records.split_off(1);
                let sending = Sending { request, effect: Effect::Reads, answers: Answers::One, with };
                return self.send(Purpose::Poll(leader), sending);
            }
            self.ask_alone(&records);
        }
        self.ask_record(leader, Purpose::Poll(leader));
    }

    /// These records are asked for one by one from now on.
    pub(crate) fn ask_alone(&mut self, records: &[RecordId]) {
        for id in records {
            self.unit.asked(*id).into_iter().for_each(|asked| asked.alone = true);
        }
        self.replan();
    }

    /// Asks for a record, if its request really only reads.
    pub(crate) fn ask_record(&mut self, id: RecordId, purpose: Purpose) {
        let request = self.unit.record(id).and_then(|record| record.request.constant());
        let effect = request.as_ref().and_then(|request| self.lane.as_ref()?.line.effect_of(request));
        match (request, effect) {
            (Some(request), Some(Effect::Reads)) => {
                let sending = Sending { request, effect: Effect::Reads, answers: Answers::One, with: Vec::new() };
                self.send(purpose, sending);
            }
            _ => {
                let text = format!("{} is not asked for: its request does not only read", self.unit.say_record(id));
                self.note(note(self.now, NoteKind::NotSupported, Fault::Definition, text));
                self.drop_record(id);
            }
        }
    }

    fn send_keep_alive(&mut self) {
        let Some((keep_alive, lane)) = self.lane.as_ref().and_then(|lane| Some((lane.line.keep_alive()?, lane))) else {
            return self.schedule.keep_alive(self.now, None);
        };
        let request = keep_alive.send.to_vec();
        let answers = if keep_alive.expect.is_some() { Answers::One } else { Answers::None };
        match lane.line.effect_of(&request) {
            Some(effect @ (Effect::Reads | Effect::Session)) => {
                self.send(Purpose::KeepAlive, Sending { request, effect, answers, with: Vec::new() });
            }
            _ => {
                let text = "keep_alive does more than keep the unit listening; it is not sent".into();
                self.note(note(self.now, NoteKind::Refused, Fault::Definition, text));
                self.schedule.keep_alive(self.now, None);
            }
        }
    }

    fn send_one_shot(&mut self, ticket: u32) {
        let place = self.one_shots.iter().position(|one_shot| one_shot.ticket == ticket);
        match place.and_then(|place| self.one_shots.remove(place)) {
            Some(one_shot) => {
                let OneShot { request, effect, .. } = one_shot;
                let sending = Sending { request, effect, answers: Answers::One, with: Vec::new() };
                self.send(Purpose::OneShot(ticket), sending);
            }
            None => self.schedule.ran(Job::OneShot(ticket), self.now, self.now, None),
        }
    }

    pub(crate) fn send(&mut self, purpose: Purpose, sending: Sending) {
        let now = self.now;
        let Some(lane) = &mut self.lane else { return };
        self.meter.since.get_or_insert(now);
        match lane.start(now, purpose, sending) {
            Ok(()) => {}
            Err(misuse @ Misuse::Length { .. }) => self.unsendable(purpose, misuse),
            Err(misuse) => self.restart(&format!("{misuse}")),
        }
    }
}
