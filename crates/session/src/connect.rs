//! From a port to polling, and back again: initialise, identify, enter a session, read once; back-off; leave.

use alloc::collections::VecDeque;
use alloc::format;
use core::time::Duration;

use tickover_defs::compiled::{Line, Step};
use tickover_defs::{ChannelId, RecordId};
use tickover_framing::Instant;
use tickover_framing::contract::{Act, Level, Why};
use tickover_framing::kline::Stopping;
use tickover_framing::transport::{Answers, Misuse};
use tickover_services::Effect;

use crate::identify::{self, Identity};
use crate::lane::{Purpose, Sending};
use crate::machine::Session;
use crate::notes::{advise, note};
use crate::plan::Missing;
use crate::schedule::{Job, Pick};
use crate::{Event, Fault, NoteKind};

/// Waits before communication is started again, by attempt since the last good answer.
const BACK_OFF: [Duration; 5] = [
    Duration::ZERO,
    Duration::from_millis(500),
    Duration::from_secs(1),
    Duration::from_secs(2),
    Duration::from_secs(5),
];

/// What the session is doing.
#[derive(Clone, PartialEq, Eq, Debug)]
pub(crate) enum Phase {
    /// Not connected, and not about to be.
    Down,
    /// Waits before the next initialisation.
    BackOff {
        until: Instant,
    },
    Initialising,
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
    /// No variant fits, or two: nothing is read, the conversation is kept.
    Unidentified,
    Leaving,
}

impl Phase {
    /// Whether the plan is being read.
    pub(crate) fn polls(&self) -> bool {
        matches!(self, Self::Poll | Self::Once { .. })
    }
}

impl Session {
    /// Starts communication on the open lane.
    pub(crate) fn begin(&mut self, now: Instant) {
        let Some(line) = self.unit.base_line().cloned() else { return };
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

    /// The unit answered the initialisation.
    pub(crate) fn ready(&mut self, key_bytes: Option<(u8, u8)>) {
        let now = self.now;
        let keys = key_bytes.map_or_else(Default::default, |(a, b)| format!(" with key bytes {a:02X} {b:02X}"));
        let text = match self.history.down_since.take().filter(|_| self.history.connected_before) {
            Some(since) => format!("the unit answered again after {:.1} s{keys}", now.since(since).as_secs_f64()),
            None => format!("the unit answered{keys}"),
        };
        if self.history.connected_before {
            self.meter.reconnections += 1;
        }
        self.history.connected_before = true;
        self.note(note(now, NoteKind::Connected, Fault::Nobody, text));
        let Some(lane) = &mut self.lane else { return };
        (lane.last_message, lane.free) = (now, now);
        let every = lane.line.keep_alive.as_ref().map(|keep_alive| keep_alive.every);
        self.schedule.keep_alive(now, every);
        self.phase = if self.unit.definition.variants.is_empty() {
            self.next_enter()
        } else {
            Phase::Identify { left: identify::records(&self.unit.definition).into() }
        };
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
        self.unit.replan();
        self.say_missing(|_| true);
        Phase::Once { left: self.unit.plan.once.iter().copied().collect() }
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
                self.phase = self.next_enter();
            }
            Identity::Unclear { fault, text, advice } => {
                self.note(advise(now, NoteKind::NotIdentified, fault, text, advice));
                self.phase = Phase::Unidentified;
                self.schedule.set(now, &[]);
            }
        }
    }

    /// Does the next thing on a quiet line; whether there was one.
    pub(crate) fn advance(&mut self) -> bool {
        let now = self.now;
        let Some(lane) = self.lane.as_ref().filter(|lane| lane.flight.is_none()) else { return false };
        let free = now >= lane.free;
        if self.closing && !matches!(self.phase, Phase::Initialising | Phase::Leaving) {
            self.leave();
            return true;
        }
        match &mut self.phase {
            Phase::BackOff { until } if now >= *until => self.begin(now),
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
            Phase::Poll | Phase::Unidentified if free => return self.poll_next(),
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
            Phase::Down | Phase::Initialising | Phase::Leaving => None,
            _ if self.now < lane.free => Some((lane.free, Why { name: "P3min", clause: "ISO 14230-2 table 1a" })),
            Phase::Enter { session, step, since } => {
                let wait = self.wait_of(*session, *step)?;
                Some((since.after(wait), why("step")))
            }
            _ => match self.schedule.pick(self.now) {
                Pick::Wait(at) => Some((at, why("schedule"))),
                Pick::Run(_) | Pick::Nothing => None,
            },
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
                        self.send(Purpose::Step, Sending { request, effect, answers: Answers::One });
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
        let (Line::KLine(line), Some(lane)) = (&state.line, &mut self.lane) else { return };
        let (text, every) =
            (format!("session '{}' is entered", state.name), line.keep_alive.as_ref().map(|it| it.every));
        if lane.transport.change_line(now, line.line).is_err() {
            return self.restart("the line could not be changed");
        }
        lane.line = line.clone();
        self.schedule.keep_alive(now, every);
        self.unit.entered = Some(session);
        self.note(note(now, NoteKind::Entered, Fault::Nobody, text));
        self.phase = self.next_read_once();
    }

    /// Sends what the schedule picks; whether there was anything.
    fn poll_next(&mut self) -> bool {
        let Pick::Run(job) = self.schedule.pick(self.now) else { return false };
        let Some(lane) = &self.lane else { return false };
        let limit = lane.timing().p3_max;
        if limit.is_some_and(|limit| self.now.since(lane.last_message) > limit) {
            self.restart("nothing was sent for longer than P3max, so the unit has ended the conversation");
            return true;
        }
        match job {
            Job::Record(record) => self.ask_record(record, Purpose::Poll(record)),
            Job::KeepAlive => self.send_keep_alive(),
            Job::OneShot(ticket) => self.send_one_shot(ticket),
        }
        true
    }

    /// Asks for a record, if its request really only reads.
    fn ask_record(&mut self, id: RecordId, purpose: Purpose) {
        let request = self.unit.record(id).and_then(|record| record.request.constant());
        let effect = request.as_ref().and_then(|request| self.lane.as_ref()?.line.effect_of(request));
        match (request, effect) {
            (Some(request), Some(Effect::Reads)) => {
                self.send(purpose, Sending { request, effect: Effect::Reads, answers: Answers::One });
            }
            _ => {
                let text = format!("{} is not asked for: its request does not only read", self.unit.say_record(id));
                self.note(note(self.now, NoteKind::NotSupported, Fault::Definition, text));
                self.drop_record(id);
            }
        }
    }

    fn send_keep_alive(&mut self) {
        let Some((keep_alive, lane)) = self.lane.as_ref().and_then(|lane| Some((lane.line.keep_alive.as_ref()?, lane)))
        else {
            return self.schedule.keep_alive(self.now, None);
        };
        let request = keep_alive.send.to_vec();
        let answers = if keep_alive.expect.is_some() { Answers::One } else { Answers::None };
        match lane.line.effect_of(&request) {
            Some(effect @ (Effect::Reads | Effect::Session)) => {
                self.send(Purpose::KeepAlive, Sending { request, effect, answers });
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
                let sending = Sending { request: one_shot.request, effect: one_shot.effect, answers: Answers::One };
                self.send(Purpose::OneShot(ticket), sending);
            }
            None => self.schedule.ran(Job::OneShot(ticket), self.now, self.now, None),
        }
    }

    fn send(&mut self, purpose: Purpose, sending: Sending) {
        let now = self.now;
        let Some(lane) = &mut self.lane else { return };
        self.meter.since.get_or_insert(now);
        match lane.start(now, purpose, sending) {
            Ok(()) => {}
            Err(misuse @ Misuse::Length { .. }) => self.unsendable(purpose, misuse),
            Err(misuse) => self.restart(&format!("{misuse}")),
        }
    }

    /// Ends the connection in order, or at once where there is none.
    fn leave(&mut self) {
        let now = self.now;
        let connected = !matches!(self.phase, Phase::Down | Phase::BackOff { .. });
        self.phase = Phase::Leaving;
        let stopping = self.lane.as_mut().filter(|_| connected).map(|lane| lane.transport.stop(now));
        if !matches!(stopping, Some(Ok(Stopping::Asked))) {
            self.closed();
        }
    }

    /// `close` was called: nothing new is sent, nothing is repeated.
    pub(crate) fn leave_soon(&mut self, now: Instant) {
        self.fail_waiting(now, "the session is being closed");
        match &mut self.lane {
            None => self.events.push_back(Event::Closed),
            Some(lane) => lane.flight.iter_mut().for_each(|flight| flight.exchange.repeat_no_more()),
        }
    }

    /// The conversation is over: the port runs at its first speed again.
    pub(crate) fn closed(&mut self) {
        let lane = self.lane.take();
        let base = self.unit.base_line().map(|line| line.line.speed());
        if let (Some(lane), Some(base)) = (&lane, base) {
            if lane.transport.line().speed() != base {
                self.acts.push_back(Act::Speed(base));
            }
            self.history.down_since.get_or_insert(self.now);
        }
        self.phase = Phase::Down;
        self.events.push_back(Event::Closed);
    }

    /// Drops the connection at once: the port is gone, or another is taken.
    pub(crate) fn end_connection(&mut self, now: Instant) {
        self.abandon_flight();
        self.fail_waiting(now, "the connection ended");
        if self.phase == Phase::Initialising && self.reach.pulse {
            self.acts.push_back(Act::Line { level: Level::High, hold: Duration::ZERO });
        }
        if self.lane.take().is_some() {
            self.history.down_since.get_or_insert(now);
        }
        self.phase = Phase::Down;
    }
}
