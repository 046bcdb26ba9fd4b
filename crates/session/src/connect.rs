//! From a port to polling, and back again: initialise, identify, enter a session, read once; back-off; leave.

use alloc::collections::VecDeque;
use alloc::format;
use alloc::vec::Vec;
use core::time::Duration;

use tickover_defs::compiled::Step;
use tickover_defs::{ChannelId, RecordId};
use tickover_framing::Instant;
use tickover_framing::contract::Why;
use tickover_framing::time::earliest;
use tickover_framing::transport::Answers;
use tickover_services::Effect;

use crate::conversation::Conversation;
use crate::identify::{self, Identity};
use crate::lane::{Purpose, Sending};
use crate::notes::{advise, note};
use crate::plan::Missing;
use crate::schedule::Pick;
use crate::{Fault, NoteKind};

/// Waits before communication is started again, by attempt since the last good answer.
pub(crate) const BACK_OFF: [Duration; 5] = [
    Duration::ZERO,
    Duration::from_millis(500),
    Duration::from_secs(1),
    Duration::from_secs(2),
    Duration::from_secs(5),
];

/// The wait before a unit that no variant fits is asked again which it is.
const IDENTIFY_AGAIN: Duration = Duration::from_secs(5);

/// What the session is doing.
#[derive(Clone, PartialEq, Eq, Debug)]
pub(crate) enum Phase {
    /// Not connected, and not about to be.
    Down,
    /// Waits before the next initialisation.
    BackOff {
        until: Instant,
    },
    /// The bus is off: nothing is sent until it is active again.
    Paused,
    Initialising,
    /// Asks which PIDs the unit supports.
    Discover {
        asked: u8,
    },
    /// Reads the records that tell the variant.
    Identify {
        left: VecDeque<RecordId>,
    },
    /// Goes through the steps of a session of the definition.
    Enter {
        session: u16,
        step: usize,
        since: Instant,
    },
    /// Reads what is read once.
    Once {
        left: VecDeque<RecordId>,
    },
    Poll,
    /// Nobody is asked: frames come by themselves.
    Listening,
    /// No variant fits, or two: nothing is read, the conversation is kept, and the unit is asked again.
    Unidentified {
        until: Instant,
    },
    Leaving,
}

impl Phase {
    /// Whether the plan is being read.
    pub(crate) fn polls(&self) -> bool {
        matches!(self, Self::Poll | Self::Once { .. } | Self::Listening)
    }

    /// Whether the unit must answer for the session to go on.
    pub(crate) fn is_opening(&self) -> bool {
        matches!(self, Self::Discover { .. } | Self::Identify { .. } | Self::Enter { .. })
    }
}

impl Conversation {
    /// Starts communication on the open lane.
    pub(crate) fn begin(&mut self, now: Instant) {
        let Some(line) = self.line_as_found() else { return };
        let Some(lane) = &mut self.lane else { return };
        lane.connect(now, line);
        self.unit.forget();
        self.history.said_early = false;
        self.phase = Phase::Initialising;
    }

    /// Gives communication up and starts it again after a while.
    pub(crate) fn restart(&mut self, why: &str) {
        let now = self.now;
        let wait = self.back_off();
        let text = match wait.is_zero() {
            true => format!("{why}; communication is started again"),
            false => format!("{why}; communication is started again in {} ms", wait.as_millis()),
        };
        self.note(note(now, NoteKind::Reconnecting, Fault::Unit, text));
        self.abandon_flight();
        self.phase = Phase::BackOff { until: now.after(wait) };
    }

    /// The wait before the next attempt; counts it.
    pub(crate) fn back_off(&mut self) -> Duration {
        self.history.down_since.get_or_insert(self.now);
        self.history.lost_turns = 0;
        let attempt = usize::try_from(self.history.attempts).unwrap_or(usize::MAX).min(BACK_OFF.len() - 1);
        self.history.attempts = self.history.attempts.saturating_add(1);
        BACK_OFF.get(attempt).copied().unwrap_or_default()
    }

    /// The unit answered the initialisation, or there is none.
    pub(crate) fn ready(&mut self, key_bytes: Option<(u8, u8)>) {
        let now = self.now;
        let again = self.history.down_since.take().filter(|_| self.history.connected_before);
        let again =
            again.map(|since| format!(" again after {:.1} s", now.since(since).as_secs_f64())).unwrap_or_default();
        let text = match key_bytes {
            Some((a, b)) => format!("the unit answered{again} with key bytes {a:02X} {b:02X}"),
            // Without an initialisation nobody has answered yet.
            None => format!("there is nothing to initialise; the unit is asked{again}"),
        };
        if self.history.connected_before {
            self.meter.reconnections += 1;
        }
        self.history.connected_before = true;
        self.note(note(now, NoteKind::Connected, Fault::Nobody, text));
        let Some(lane) = &mut self.lane else { return };
        (lane.last_message, lane.free) = (now, now);
        let every = lane.line.keep_alive().map(|keep_alive| keep_alive.every);
        self.schedule.keep_alive(now, every);
        self.phase = self.next_discover();
    }

    /// The phase in which the unit is asked which variant it is.
    pub(crate) fn next_identify(&mut self) -> Phase {
        match self.unit.definition.variants.is_empty() {
            true => self.next_enter(),
            false => Phase::Identify { left: identify::records(&self.unit.definition).into() },
        }
    }

    /// The phase after the variant is known.
    fn next_enter(&mut self) -> Phase {
        let session = self.unit.session_to_enter().filter(|session| Some(*session) != self.history.impossible);
        match session {
            Some(session) => Phase::Enter { session, step: 0, since: self.now },
            None => self.next_read_once(),
        }
    }

    /// The phase after the session is entered: plans, and says what cannot be read.
    fn next_read_once(&mut self) -> Phase {
        self.unit.store.fit(crate::unit::layout_of(&self.unit.definition, self.unit.variant));
        self.drop_unsupported();
        self.unit.replan();
        self.set_ears();
        self.prick_ears(self.now);
        self.say_missing(|_| true);
        let once = self.unit.plan.once.clone();
        for (record, answer) in core::mem::take(&mut self.unit.told) {
            if once.contains(&record) {
                self.make_row(record, &answer);
            }
        }
        let left = once.into_iter().filter(|id| self.unit.asked(*id).is_some_and(|asked| !asked.read)).collect();
        Phase::Once { left }
    }

    /// Says which of these channels cannot be read, and why.
    pub(crate) fn say_missing(&mut self, of: impl Fn(ChannelId) -> bool) {
        for (channel, missing) in core::mem::take(&mut self.unit.plan.missing) {
            if !of(channel) {
                continue;
            }
            let name = self.unit.definition.channel_name(channel);
            let (fault, text, advice) = match missing {
                Missing::NotInVariant => {
                    (Fault::Caller, format!("this variant of the unit has no channel '{name}'"), "")
                }
                Missing::NeedsValue(record) => {
                    let record = self.unit.definition.record_name(record);
                    (
                        Fault::Caller,
                        format!("channel '{name}' cannot be polled: a value is put into the request of '{record}'"),
                        "",
                    )
                }
                Missing::OtherSession(session) => (
                    Fault::Caller,
                    format!("channel '{name}' is read in session '{}' only", self.unit.session_name(session)),
                    "enter that session",
                ),
                Missing::Sent => {
                    (Fault::Caller, format!("channel '{name}' is in a frame that we send: it is not read"), "")
                }
            };
            self.note(advise(self.now, NoteKind::NotSupported, fault, text, advice));
        }
    }

    /// Polling begins.
    pub(crate) fn start_polling(&mut self) {
        self.phase = Phase::Poll;
        self.schedule.set(self.now, &self.unit.wanted());
        self.schedule.restart(self.now);
    }

    fn identified(&mut self) {
        let later = |asked: &crate::unit::Asked| !asked.answered && asked.complaint == Some(NoteKind::Refused);
        if self.unit.asked.iter().any(later) {
            return self.restart("the unit was not ready to say which variant it is");
        }
        let layout = &self.unit.definition.base;
        self.unit.store.fit(layout);
        let now = self.now;
        match identify::decide(&self.unit.definition, &self.unit.store) {
            Identity::One(variant) => {
                let name = self.unit.definition.variants.get(variant).map_or("?", |variant| &variant.name);
                let text = format!("it is the variant '{name}'");
                self.note(note(now, NoteKind::Identified, Fault::Nobody, text));
                self.unit.variant = Some(variant);
                self.history.unclear = None;
                self.phase = self.next_enter();
            }
            Identity::Unclear { fault, text, advice } => {
                if self.history.unclear.as_ref() != Some(&text) {
                    self.history.unclear = Some(text.clone());
                    self.note(advise(now, NoteKind::NotIdentified, fault, text, advice));
                }
                self.phase = Phase::Unidentified { until: now.after(IDENTIFY_AGAIN) };
                self.schedule.set(now, &[]);
            }
        }
    }

    /// Does the next thing on a quiet line; whether there was one.
    pub(crate) fn advance(&mut self) -> bool {
        let now = self.now;
        let Some(lane) = self.lane.as_ref().filter(|lane| lane.flight.is_none()) else { return false };
        let free = now >= lane.free;
        self.waits = self.waits.filter(|_| free);
        if self.closing && !matches!(self.phase, Phase::Initialising | Phase::Leaving) {
            self.leave();
            return true;
        }
        if free && self.must_wait() {
            return false;
        }
        match &mut self.phase {
            Phase::BackOff { until } if now >= *until => self.begin(now),
            Phase::Discover { asked } if free => {
                let asked = *asked;
                self.discover(asked);
            }
            Phase::Identify { left } if free => match left.pop_front() {
                Some(record) => self.ask_record(record, Purpose::Identify(record)),
                None => self.identified(),
            },
            Phase::Once { left } if free => match left.pop_front() {
                Some(record) => self.ask_record(record, Purpose::Once(record)),
                None => self.start_polling(),
            },
            Phase::Enter { session, step, since } if free => {
                let (session, step, since) = (*session, *step, *since);
                return self.enter_step(session, step, since);
            }
            Phase::Unidentified { until } if free && now >= *until => {
                if !self.was_quiet_too_long() {
                    self.unit.forget();
                    self.phase = self.next_discover();
                }
            }
            Phase::Poll | Phase::Unidentified { .. } if free => return self.poll_next(),
            _ => return false,
        }
        true
    }

    /// When [`advance`](Self::advance) has something to do.
    pub(crate) fn own_deadline(&self) -> Option<(Instant, Why)> {
        let lane = self.lane.as_ref().filter(|lane| lane.flight.is_none())?;
        let why = |name| Why { name, clause: "" };
        match &self.phase {
            Phase::BackOff { until } => Some((*until, why("back-off"))),
            Phase::Down | Phase::Paused | Phase::Initialising | Phase::Listening | Phase::Leaving => None,
            _ if self.waits.is_some() => {
                let from = Some(self.way.from).filter(|from| self.now < *from);
                from.map(|from| (from, Why { name: "P2max", clause: "a request to all units may still be answered" }))
            }
            _ if self.now < lane.free => Some((lane.free, Why { name: "P3min", clause: "ISO 14230-2 table 1a" })),
            Phase::Enter { session, step, since } => {
                let wait = self.wait_of(*session, *step)?;
                Some((since.after(wait), why("step")))
            }
            phase => {
                let next = match self.schedule.pick(self.now) {
                    Pick::Wait(at) => Some(at),
                    Pick::Run(_) | Pick::Nothing => None,
                };
                let again = if let Phase::Unidentified { until } = phase { Some(*until) } else { None };
                earliest(next, again).map(|at| (at, why("schedule")))
            }
        }
    }

    fn wait_of(&self, session: u16, step: usize) -> Option<Duration> {
        match self.unit.definition.sessions.get(usize::from(session))?.enter.get(step)? {
            Step::Wait(duration) => Some(*duration),
            Step::Send { .. } => None,
        }
    }

    /// Takes one step into a session; whether anything was done.
    fn enter_step(&mut self, session: u16, step: usize, since: Instant) -> bool {
        let steps = self.unit.definition.sessions.get(usize::from(session)).map(|session| &session.enter);
        match steps.and_then(|steps| steps.get(step)) {
            None => self.entered(session),
            Some(Step::Wait(duration)) => {
                if self.now < since.after(*duration) {
                    return false;
                }
                self.phase = Phase::Enter { session, step: step + 1, since: self.now };
            }
            Some(Step::Send { send, .. }) => {
                let request = send.to_vec();
                let effect = self.lane.as_ref().and_then(|lane| lane.line.effect_of(&request));
                match effect {
                    Some(effect @ (Effect::Reads | Effect::Session)) => {
                        self.send(Purpose::Step, Sending { request, effect, answers: Answers::One, with: Vec::new() });
                    }
                    _ => {
                        let name = self.unit.session_name(session);
                        let text =
                            format!("a step into session '{name}' does more than change the session; it is not sent");
                        self.note(note(self.now, NoteKind::Refused, Fault::Definition, text));
                        self.not_entered();
                    }
                }
            }
        }
        true
    }

    /// The session could not be entered: the default one serves.
    pub(crate) fn not_entered(&mut self) {
        self.phase = self.next_read_once();
    }

    /// All steps are done: the line is as the session has it.
    fn entered(&mut self, session: u16) {
        let now = self.now;
        let Some(state) = self.unit.definition.sessions.get(usize::from(session)) else { return };
        let mut line = state.line.clone();
        self.apply_found(&mut line);
        let Some(lane) = &mut self.lane else { return };
        let (text, every) =
            (format!("session '{}' is entered", state.name), state.line.keep_alive().map(|it| it.every));
        if !lane.change_line(now, line) {
            return self.restart("the line could not be changed");
        }
        self.schedule.keep_alive(now, every);
        self.unit.entered = Some(session);
        self.note(note(now, NoteKind::Entered, Fault::Nobody, text));
        self.phase = self.next_read_once();
    }
}
