//! One definition tried on a line: connect, identify, read every record once, leave.

use alloc::boxed::Box;
use alloc::string::ToString;
use alloc::vec::Vec;
use core::time::Duration;

use tickover_defs::{ChannelId, Definition, Reading, RecordId};
use tickover_framing::Instant;
use tickover_framing::contract::{Input, Machine, Output, Why};
use tickover_framing::isotp::Path;
use tickover_framing::transport::Reach;

use super::fit::{Answers, Fit, Outcome};
use crate::connect::Phase;
use crate::{Event, Note, NoteKind, Rate, Session};

/// A definition is tried for so long at most. Five-baud initialisation alone takes 2 to 3 s.
const LONGEST: Duration = Duration::from_secs(20);
/// How long leaving may take.
const LEAVING: Duration = Duration::from_secs(1);

/// A definition that is being tried.
#[derive(Debug)]
pub(crate) struct Probe {
    definition: usize,
    path: Option<Path>,
    session: Box<Session>,
    until: Instant,
    /// Set when nothing more is asked.
    outcome: Option<Outcome>,
    response_times: Vec<Duration>,
    readings: Vec<Reading>,
    misfits: Vec<Note>,
    unidentified: Option<Note>,
    /// Communication would be started again.
    failed: Option<Note>,
    /// The first thing that went wrong: it says more.
    trouble: Option<Note>,
    now: Instant,
}

impl Probe {
    pub(crate) fn begin(place: usize, path: Option<Path>, definition: Definition, now: Instant, reach: Reach) -> Self {
        let channels = definition.channels.len();
        let mut session = Session::new(definition);
        for channel in 0..channels {
            session = session.watch(ChannelId(channel as u16), Rate::Fastest);
        }
        session.connect(now, reach);
        Self {
            definition: place,
            path,
            session: Box::new(session),
            until: now.after(LONGEST),
            outcome: None,
            response_times: Vec::new(),
            readings: Vec::new(),
            misfits: Vec::new(),
            unidentified: None,
            failed: None,
            trouble: None,
            now,
        }
    }

    pub(crate) fn handle(&mut self, input: Input<'_>) {
        self.now = self.now.max(crate::machine::time_of(&input));
        self.session.handle(input);
    }

    /// Events are fits: the one of this definition.
    pub(crate) fn poll_output(&mut self) -> Output<Box<Fit>> {
        loop {
            match self.session.poll_output() {
                Output::Act(act) => return Output::Act(act),
                Output::Event(Event::Closed) => return self.fit(),
                Output::Event(event) => self.hear(event),
                waiting => {
                    let over = self.until <= self.now;
                    if self.outcome.is_some() {
                        // A unit or a port that cannot be left in order is left all the same.
                        if over {
                            return self.fit();
                        }
                    } else if over || self.failed.is_some() || self.all_asked() {
                        self.leave();
                        continue;
                    }
                    return self.wait(&waiting);
                }
            }
        }
    }

    fn wait(&self, session: &Output<Event>) -> Output<Box<Fit>> {
        let own = (self.until, Why { name: "survey", clause: "a definition is tried for 20 s at most" });
        let (at, why) = match session {
            Output::WaitUntil { at, why } if *at < self.until => (*at, *why),
            _ => own,
        };
        Output::WaitUntil { at, why }
    }

    fn hear(&mut self, event: Event) {
        match event {
            Event::Row(row) => {
                self.response_times.push(row.response_time);
                for reading in row.readings {
                    match self.readings.binary_search_by_key(&reading.channel, |known| known.channel) {
                        Ok(_) => {}
                        Err(place) => self.readings.insert(place, reading),
                    }
                }
            }
            Event::Note(note) => match note.kind {
                NoteKind::NotReady | NoteKind::Reconnecting | NoteKind::Speed | NoteKind::Lost => {
                    self.failed.get_or_insert(note);
                }
                NoteKind::Silence | NoteKind::Noise => {
                    self.trouble.get_or_insert(note);
                }
                NoteKind::Misfit => self.misfits.push(note),
                NoteKind::NotIdentified => self.unidentified = Some(note),
                NoteKind::Identified => self.unidentified = None,
                _ => {}
            },
            _ => {}
        }
    }

    /// Whether every record of the plan has been answered, refused or complained about.
    fn all_asked(&self) -> bool {
        let conversation = &self.session.first;
        if self.unidentified.is_some() {
            return true;
        }
        if conversation.phase != Phase::Poll {
            return false;
        }
        let unit = &conversation.unit;
        let records = unit.plan.polled.iter().map(|polled| polled.record).chain(unit.plan.once.iter().copied());
        let mut asked = records.map(|id| unit.asked.get(usize::from(id.0)).copied().unwrap_or_default());
        asked.all(|asked| asked.read || asked.refused || asked.complaint.is_some())
    }

    fn leave(&mut self) {
        self.outcome = Some(self.judge());
        self.until = self.now.after(LEAVING);
        self.session.close(self.now);
    }

    fn judge(&mut self) -> Outcome {
        if self.failed.as_ref().is_some_and(|note| note.kind == NoteKind::Lost) {
            return Outcome::Lost(self.failed.take());
        }
        let unit = &self.session.first.unit;
        let records = unit.asked.iter().enumerate().map(|(place, asked)| (RecordId(place as u16), asked));
        let read: Vec<RecordId> = records.clone().filter(|(_, asked)| asked.read).map(|(id, _)| id).collect();
        let refused: Vec<RecordId> = records.clone().filter(|(_, asked)| asked.refused).map(|(id, _)| id).collect();
        let silent = read.is_empty() && refused.is_empty() && self.misfits.is_empty() && self.unidentified.is_none();
        if silent {
            return Outcome::Silent(self.trouble.take().or_else(|| self.failed.take()));
        }
        let unsupported = (0..unit.definition.channels.len()).map(|place| ChannelId(place as u16));
        let unsupported = unsupported.filter(|id| !tickover_defs::decode::Scope::supported(&unit.store, *id)).collect();
        self.response_times.sort();
        let response_time = self.response_times.get(self.response_times.len() / 2).copied().unwrap_or_default();
        let variant = unit.variant.and_then(|place| unit.definition.variants.get(place));
        Outcome::Answers(Answers {
            variant: variant.map(|variant| variant.name.to_string()),
            unidentified: self.unidentified.take(),
            read,
            refused,
            misfits: core::mem::take(&mut self.misfits),
            readings: core::mem::take(&mut self.readings),
            unsupported,
            response_time,
            prediction: self.session.predict(response_time),
        })
    }

    fn fit(&mut self) -> Output<Box<Fit>> {
        let outcome = match self.outcome.take() {
            Some(outcome) => outcome,
            None => self.judge(),
        };
        let id = self.session.definition().id.to_string();
        Output::Event(Box::new(Fit { definition: self.definition, id, path: self.path, outcome }))
    }
}
