//! The session: commands in, rows and notes out.

use alloc::collections::VecDeque;
use alloc::format;
use alloc::string::{String, ToString};
use alloc::vec::Vec;
use core::time::Duration;

use tickover_defs::{ChannelId, Definition, UnknownName};
use tickover_framing::Instant;
use tickover_framing::contract::{Act, Hex, Input, Machine, Output, Why};
use tickover_framing::time::earliest;
use tickover_framing::transport::Reach;
use tickover_services::Effect;

use crate::connect::Phase;
use crate::judge::judge;
use crate::lane::Lane;
use crate::meter::Meter;
use crate::schedule::Schedule;
use crate::unit::Unit;
use crate::{Event, Fault, Note, NoteKind, Permit, Prediction, Rate, RequestError};

/// Requests of the caller that wait at most.
const WAITING_MOST: usize = 64;

/// A diagnostic session with one control unit: connects, identifies, polls, decodes, measures, recovers.
///
/// It is a [`Machine`]: commands and inputs go in, then [`poll_output`](Machine::poll_output) is drained until it
/// waits. Every command takes the time and is followed by draining, too.
///
/// ```
/// use core::time::Duration;
/// use tickover_session::{Rate, Session};
/// # fn show(definition: tickover_defs::Definition) -> Result<(), tickover_defs::UnknownName> {
/// let speed = definition.channel("engine_speed")?;
/// let session = Session::new(definition).watch(speed, Rate::per_second(20));
/// println!("{}", session.predict(Duration::from_millis(25)));
/// # Ok(())
/// # }
/// ```
#[derive(Debug)]
pub struct Session {
    pub(crate) unit: Unit,
    /// `None`: not connected.
    pub(crate) lane: Option<Lane>,
    pub(crate) phase: Phase,
    pub(crate) schedule: Schedule,
    pub(crate) meter: Meter,
    pub(crate) now: Instant,
    pub(crate) reach: Reach,
    tolerance_ppm: Option<u32>,
    pub(crate) one_shots: VecDeque<OneShot>,
    next_ticket: u32,
    pub(crate) events: VecDeque<Event>,
    /// Acts of the session itself, and whether the report of one is still to come.
    pub(crate) acts: VecDeque<Act>,
    awaits_report: bool,
    pub(crate) closing: bool,
    /// How the connections went.
    pub(crate) history: History,
}

/// A request of the caller that waits for its turn.
#[derive(Debug)]
pub(crate) struct OneShot {
    pub(crate) ticket: u32,
    pub(crate) request: Vec<u8>,
    pub(crate) effect: Effect,
}

/// How the connections went.
#[derive(Debug, Default)]
pub(crate) struct History {
    /// The unit answered an initialisation at least once.
    pub(crate) connected_before: bool,
    /// When the last connection ended.
    pub(crate) down_since: Option<Instant>,
    /// Attempts since the last good answer.
    pub(crate) attempts: u32,
    /// Turns in a row without any answer.
    pub(crate) lost_turns: u32,
    /// A session of the definition that the port's speed forbids.
    pub(crate) impossible: Option<u16>,
    /// Why no variant was chosen, as it was last said.
    pub(crate) unclear: Option<String>,
    /// "Early" is said once a connection.
    pub(crate) said_early: bool,
}

impl Session {
    /// A session with the unit that the definition describes; nothing is watched and nothing connected.
    pub fn new(definition: Definition) -> Self {
        Self {
            unit: Unit::new(definition),
            lane: None,
            phase: Phase::Down,
            schedule: Schedule::new(),
            meter: Meter::default(),
            now: Instant::ORIGIN,
            reach: Reach::IDEAL,
            tolerance_ppm: None,
            one_shots: VecDeque::new(),
            next_ticket: 1,
            events: VecDeque::new(),
            acts: VecDeque::new(),
            awaits_report: false,
            closing: false,
            history: History::default(),
        }
    }

    /// Watches a channel of this session's definition at least this often.
    #[must_use]
    pub fn watch(mut self, channel: ChannelId, rate: Rate) -> Self {
        self.wish(channel, Some(rate));
        self
    }

    /// Asks the unit into this `[session]` of the definition after each connection.
    ///
    /// # Errors
    /// [`UnknownName`] with the nearest names if the definition has no such session.
    pub fn enter(mut self, name: &str) -> Result<Self, UnknownName> {
        self.unit.chosen = Some(self.unit.definition.session(name)?);
        Ok(self)
    }

    /// Accepts a port whose baud rate, read back, is off by so many parts per million; 5000 (0.5 %) without this.
    #[must_use]
    pub fn baud_tolerance_ppm(mut self, parts_per_million: u32) -> Self {
        self.tolerance_ppm = Some(parts_per_million);
        self
    }

    /// The definition.
    pub fn definition(&self) -> &Definition {
        &self.unit.definition
    }

    /// What this choice of channels will bring from a unit that answers after `p2` (end of a request to the start
    /// of its answer). It comes from definition, wishes and `p2` alone: nothing in it is measured.
    pub fn predict(&self, p2: Duration) -> Prediction {
        self.unit.predict(p2)
    }

    /// Watches a channel at another rate, or no more.
    pub fn set_rate(&mut self, now: Instant, channel: ChannelId, rate: Option<Rate>) {
        self.pass_time(now);
        self.wish(channel, rate);
        self.replan();
        if self.phase.polls() {
            self.say_missing(|missing| missing == channel);
        }
    }

    fn wish(&mut self, channel: ChannelId, rate: Option<Rate>) {
        if !self.unit.wish(channel, rate) {
            let text = format!(
                "channel {} is of another definition: '{}' has {}",
                channel.0,
                self.unit.definition.id,
                self.unit.wishes.len()
            );
            let advice = "take the channel from this session's definition";
            self.note(Note { at: self.now, kind: NoteKind::NotSupported, fault: Fault::Caller, text, advice });
        }
    }

    /// Connects over a port of this reach: sets the speed, initialises, identifies, polls.
    ///
    /// A connection that stands is dropped. Plan, statistics and totals go on.
    pub fn connect(&mut self, now: Instant, reach: Reach) {
        self.pass_time(now);
        self.end_connection(now);
        self.reach = reach;
        self.history = History {
            down_since: self.history.down_since,
            connected_before: self.history.connected_before,
            ..History::default()
        };
        let Some(line) = self.unit.base_line().cloned() else {
            let text = "it has no [line], so nothing says how to reach a unit".to_string();
            let advice = "use a definition that extends it and has a line";
            self.note(Note { at: now, kind: NoteKind::NotReady, fault: Fault::Definition, text, advice });
            return;
        };
        self.lane = Some(Lane::open(now, line, reach, self.tolerance_ppm));
        self.begin(now);
    }

    /// Sends one request between the polled ones; its answer comes as [`Event::Answer`] with the ticket returned.
    ///
    /// # Errors
    /// [`RequestError`]: it is empty, does more than read without a permit for that, nobody knows what it does,
    /// there is no connection, or too many wait already. A permit given is consumed in every case.
    pub fn request(&mut self, now: Instant, request: &[u8], permit: Option<Permit>) -> Result<u32, RequestError> {
        self.pass_time(now);
        let not_connected = || RequestError::NotConnected { request: Hex(request).to_string() };
        let lane = self.lane.as_ref().filter(|_| !self.closing).ok_or_else(not_connected)?;
        let effect = judge(&lane.line, request, permit.as_ref())?;
        if self.one_shots.len() >= WAITING_MOST {
            return Err(RequestError::TooMany { waiting: self.one_shots.len() });
        }
        let ticket = self.next_ticket;
        self.next_ticket = self.next_ticket.wrapping_add(1).max(1);
        self.one_shots.push_back(OneShot { ticket, request: request.to_vec(), effect });
        self.schedule.add_one_shot(now, ticket);
        Ok(ticket)
    }

    /// Ends communication in order, then tells [`Event::Closed`], also when the port is lost before that is done.
    /// Requests that wait are answered with a note.
    pub fn close(&mut self, now: Instant) {
        self.pass_time(now);
        self.closing = true;
        self.leave_soon(now);
    }

    /// Whether there is a line, in whatever state.
    pub fn is_connected(&self) -> bool {
        self.lane.is_some()
    }

    pub(crate) fn pass_time(&mut self, now: Instant) {
        self.now = self.now.max(now);
    }

    pub(crate) fn note(&mut self, note: Note) {
        self.events.push_back(Event::Note(note));
    }

    /// Plans anew and tells the schedule.
    pub(crate) fn replan(&mut self) {
        if self.phase.polls() {
            self.unit.replan();
            self.schedule.set(self.now, &self.unit.wanted());
        }
    }
}

impl Machine for Session {
    type Event = Event;

    fn handle(&mut self, input: Input<'_>) {
        self.pass_time(time_of(&input));
        let own = core::mem::take(&mut self.awaits_report);
        if own && matches!(input, Input::SpeedIs { .. } | Input::LineIs { .. }) {
            return;
        }
        if let Some(lane) = &mut self.lane {
            lane.handle(input);
        }
    }

    fn poll_output(&mut self) -> Output<Event> {
        loop {
            if let Some(act) = self.acts.pop_front() {
                self.awaits_report = true;
                return Output::Act(act);
            }
            if let Some(event) = self.events.pop_front() {
                return Output::Event(event);
            }
            let Some(lane) = &mut self.lane else { return Output::Idle };
            match lane.poll_output() {
                Output::Act(act) => return Output::Act(act),
                Output::Event(heard) => self.hear(&heard),
                Output::WaitUntil { .. } | Output::Idle if self.advance() => {}
                Output::WaitUntil { .. } | Output::Idle => return self.wait(),
            }
        }
    }
}

impl Session {
    /// The earlier of the transport's deadline and the session's own.
    fn wait(&self) -> Output<Event> {
        let transport = self.lane.as_ref().and_then(Lane::deadline);
        let own = self.own_deadline();
        match earliest(transport.map(|(at, _)| at), own.map(|(at, _)| at)) {
            None => Output::Idle,
            Some(at) => {
                let why = [transport, own].into_iter().flatten().find(|(other, _)| *other == at).map(|(_, why)| why);
                Output::WaitUntil { at, why: why.unwrap_or(Why { name: "schedule", clause: "" }) }
            }
        }
    }
}

/// The time of an input; of our own bytes their start, for their end may lie ahead.
fn time_of(input: &Input<'_>) -> Instant {
    match input {
        Input::Bytes { end, .. } | Input::Frame { end, .. } => *end,
        Input::Sent { start, .. } => *start,
        Input::Bus { at, .. }
        | Input::Edge { at, .. }
        | Input::LineIs { at, .. }
        | Input::SpeedIs { at, .. }
        | Input::Lost { at, .. } => *at,
        Input::Timeout { now } => *now,
    }
}
