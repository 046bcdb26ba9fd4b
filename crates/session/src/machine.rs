//! The session: commands in, rows and notes out.

use alloc::collections::VecDeque;
use alloc::format;
use alloc::string::ToString;
use alloc::vec::Vec;

use tickover_defs::compiled::Line;
use tickover_defs::{Definition, UnknownName};
use tickover_framing::Instant;
use tickover_framing::contract::{Act, Hex, Input, Machine, Output, Tag, Why};
use tickover_framing::transport::Reach;

use crate::bus::{Bus, BusStep};
use crate::bystander::Bystanders;
use crate::conversation::Conversation;
use crate::report::BusCounts;
use crate::sender::{OURS, Sender};
use crate::{ChannelKey, Event, Fault, Note, NoteKind, Permit, Rate, RequestError, UnitId, notes};

/// A diagnostic session on one line with one or more control units: connects, identifies, polls, decodes, measures,
/// recovers.
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
///
/// Several units on one CAN bus stand in one session, each under a name; their requests are under way at the same
/// time:
///
/// ```
/// use tickover_session::{Rate, Session};
/// # fn show(engine: tickover_defs::Definition, gearbox: tickover_defs::Definition)
/// #     -> Result<Session, Box<dyn std::error::Error>> {
/// let session = Session::new(engine).named("engine")?.with_unit("gearbox", gearbox)?;
/// let (sump, gears) = (session.channel("engine:oil")?, session.channel("gearbox:oil")?);
/// Ok(session.watch(sump, Rate::per_second(5)).watch(gears, Rate::per_second(5)))
/// # }
/// ```
#[derive(Debug)]
pub struct Session {
    pub(crate) first: Conversation,
    /// Of the units added later, in order.
    pub(crate) others: Vec<Conversation>,
    /// What is not one unit's: the CAN bus.
    pub(crate) bus: Bus,
    /// What its controller said, over all connections.
    pub(crate) said: BusCounts,
    /// The frames that are wanted have changed since they were taken.
    pub(crate) filters_changed: bool,
    pub(crate) now: Instant,
    pub(crate) reach: Reach,
    next_ticket: u32,
    pub(crate) events: VecDeque<Event>,
    /// Acts of the session itself, and whether the report of one is still to come.
    pub(crate) acts: VecDeque<Act>,
    awaits_report: bool,
    closing: bool,
    /// Frames of ours.
    pub(crate) senders: Vec<Sender>,
    pub(crate) bystanders: Bystanders,
}

impl Session {
    /// A session with the unit that the definition describes; nothing is watched and nothing connected.
    ///
    /// The unit's name is the definition's id until it is [named](Self::named).
    pub fn new(definition: Definition) -> Self {
        let name = definition.id.to_string();
        Self {
            first: Conversation::new(UnitId::FIRST, name, definition),
            others: Vec::new(),
            bus: Bus::default(),
            said: BusCounts::default(),
            filters_changed: false,
            now: Instant::ORIGIN,
            reach: Reach::IDEAL,
            next_ticket: 1,
            events: VecDeque::new(),
            acts: VecDeque::new(),
            awaits_report: false,
            closing: false,
            senders: Vec::new(),
            bystanders: Bystanders::default(),
        }
    }

    /// Watches a channel at least this often; a bare channel is one of the first unit.
    #[must_use]
    pub fn watch(mut self, channel: impl Into<ChannelKey>, rate: Rate) -> Self {
        let key = channel.into();
        self.of(key, |unit| unit.wish(key.channel, Some(rate)));
        self
    }

    /// Asks a unit into this `[session]` of its definition after each connection: `extended`, or with several units
    /// `gearbox:extended`.
    ///
    /// # Errors
    /// [`UnknownName`] with the nearest names if there is no such unit, or its definition has no such session.
    pub fn enter(mut self, name: &str) -> Result<Self, UnknownName> {
        let (unit, name) = self.split_name(name)?;
        if let Some(conversation) = self.conversation_mut(unit) {
            conversation.unit.chosen = Some(conversation.unit.definition.session(name)?);
        }
        Ok(self)
    }

    /// Accepts a port whose baud rate, read back, is off by so many parts per million; 5000 (0.5 %) without this.
    #[must_use]
    pub fn baud_tolerance_ppm(mut self, parts_per_million: u32) -> Self {
        self.first.tolerance_ppm = Some(parts_per_million);
        self
    }

    /// Watches a channel at another rate, or no more.
    pub fn set_rate(&mut self, now: Instant, channel: impl Into<ChannelKey>, rate: Option<Rate>) {
        self.pass_time(now);
        let key = channel.into();
        self.of(key, |unit| unit.set_rate(now, key.channel, rate));
    }

    fn of(&mut self, key: ChannelKey, command: impl FnOnce(&mut Conversation)) {
        if let Some(conversation) = self.conversation_mut(key.unit) {
            return command(conversation);
        }
        let text = format!("this session has no unit {}; it has {}", key.unit.0, self.unit_count());
        let advice = "take the channel from this session";
        self.note(notes::advise(self.now, NoteKind::NotSupported, Fault::Caller, text, advice));
    }

    /// Connects over a port of this reach: sets the speed, initialises, identifies, polls.
    ///
    /// A connection that stands is dropped. Plan, statistics and totals go on.
    pub fn connect(&mut self, now: Instant, reach: Reach) {
        self.pass_time(now);
        self.conversations_mut().for_each(|conversation| conversation.end_connection(now));
        self.reach = reach;
        match self.first.line() {
            None => {
                let text = "it has no [line], so nothing says how to reach a unit".to_string();
                let advice = "use a definition that extends it and has a line";
                self.note(notes::advise(now, NoteKind::NotReady, Fault::Definition, text, advice));
            }
            Some(Line::Can(_)) => self.begin_bus(now),
            Some(_) => self.first.connect(now, reach),
        }
    }

    /// Sends one request to the first unit between the polled ones; its answer comes as [`Event::Answer`] with the
    /// ticket returned.
    ///
    /// # Errors
    /// [`RequestError`]: it is empty, does more than read without a permit for that, nobody knows what it does,
    /// there is no connection, or too many wait already. A permit given is consumed in every case.
    pub fn request(&mut self, now: Instant, request: &[u8], permit: Option<Permit>) -> Result<u32, RequestError> {
        self.request_to(now, UnitId::FIRST, request, permit)
    }

    /// Sends one request to this unit, see [`request`](Self::request).
    ///
    /// # Errors
    /// As [`request`](Self::request); a unit that is not in this session has no connection.
    pub fn request_to(
        &mut self,
        now: Instant,
        unit: UnitId,
        request: &[u8],
        permit: Option<Permit>,
    ) -> Result<u32, RequestError> {
        self.pass_time(now);
        let ticket = self.next_ticket;
        let conversation = self
            .conversation_mut(unit)
            .ok_or_else(|| RequestError::NotConnected { request: Hex(request).to_string() })?;
        conversation.request(now, ticket, request, permit)?;
        self.next_ticket = self.next_ticket.wrapping_add(1).max(1);
        Ok(ticket)
    }

    /// Ends communication in order, then tells [`Event::Closed`], also when the port is lost before that is done.
    /// Requests that wait are answered with a note.
    pub fn close(&mut self, now: Instant) {
        self.pass_time(now);
        self.closing = true;
        self.senders.clear();
        self.conversations_mut().for_each(|conversation| conversation.close(now));
    }

    /// Whether there is a line, in whatever state.
    pub fn is_connected(&self) -> bool {
        self.bus.is_open() || self.conversations().any(|conversation| conversation.lane.is_some())
    }

    fn pass_time(&mut self, now: Instant) {
        self.now = self.now.max(now);
        self.conversations_mut().for_each(|conversation| conversation.pass_time(now));
    }

    pub(crate) fn note(&mut self, note: Note) {
        self.events.push_back(Event::Note(note));
    }
}

impl Machine for Session {
    type Event = Event;

    fn handle(&mut self, input: Input<'_>) {
        self.pass_time(time_of(&input));
        let own = core::mem::take(&mut self.awaits_report);
        match input {
            Input::Lost { at, cause } if self.bus.is_open() => self.bus_lost(at, cause),
            input if self.bus.starts(input) => {}
            Input::SpeedIs { at, got } if own => self.bus_speed_is(at, got),
            Input::LineIs { .. } if own => {}
            Input::Bus { at, condition } => self.bus_says(at, condition),
            Input::Sent { tag: Tag(tag), start, end, known } if self.bus.is_open() => {
                let [unit, tag] = tag.to_be_bytes();
                if unit == OURS {
                    return self.frame_is_out(tag);
                }
                let input = Input::Sent { tag: Tag(tag.into()), start, end, known };
                self.conversation_mut(UnitId(unit)).into_iter().for_each(|conversation| conversation.handle(input));
            }
            input => {
                if let Input::Frame { end, frame } = input {
                    self.serve_bystander(end, frame);
                }
                self.conversations_mut().for_each(|conversation| conversation.handle(input));
            }
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
            if let Some(act) = self.bystanders.waiting.pop_front() {
                return Output::Act(act);
            }
            if let Some(act) = self.poll_senders() {
                return Output::Act(act);
            }
            // A frame that is left out is told of.
            if !self.events.is_empty() {
                continue;
            }
            let waiting = match self.poll_units() {
                waiting @ (Output::WaitUntil { .. } | Output::Idle) => waiting,
                output => return output,
            };
            if self.is_over() {
                self.closing = false;
                self.bus.close();
                return Output::Event(Event::Closed);
            }
            match self.poll_bus() {
                BusStep::Act(act) => return Output::Act(act),
                BusStep::Done => {}
                BusStep::Wait(own) => return sooner(sooner(waiting, own), self.sends_at()),
            }
        }
    }
}

impl Session {
    /// The first output of a unit, or the earliest deadline of all.
    fn poll_units(&mut self) -> Output<Event> {
        loop {
            let mut first: Option<(Instant, Why)> = None;
            for place in 0..self.unit_count() {
                match self.poll_unit(UnitId(place as u8)) {
                    Output::WaitUntil { at, why } if first.is_none_or(|(earlier, _)| at < earlier) => {
                        first = Some((at, why));
                    }
                    Output::WaitUntil { .. } | Output::Idle => {}
                    output => return output,
                }
            }
            // What one lane ended, or waits for, is the others' business, too.
            if self.conversations().all(|conversation| self.way_of(conversation.id) == conversation.way) {
                return first.map_or(Output::Idle, |(at, why)| Output::WaitUntil { at, why });
            }
        }
    }

    fn poll_unit(&mut self, unit: UnitId) -> Output<Event> {
        let (way, several) = (self.way_of(unit), !self.others.is_empty());
        let Some(conversation) = self.conversation_mut(unit) else { return Output::Idle };
        conversation.way = way;
        let output = match conversation.poll_output() {
            Output::Act(act) if several => Output::Act(tagged(act, unit)),
            Output::Event(event) if several => Output::Event(signed(event, conversation)),
            output => output,
        };
        self.spread_requests_to_all();
        output
    }

    /// Whether it was closed and every unit has been left.
    fn is_over(&self) -> bool {
        self.closing && self.conversations().all(|conversation| !conversation.closing)
    }
}

/// The earlier of two waits.
fn sooner(one: Output<Event>, other: Option<(Instant, Why)>) -> Output<Event> {
    match (one, other) {
        (Output::WaitUntil { at, why }, Some((earlier, _))) if at <= earlier => Output::WaitUntil { at, why },
        (_, Some((at, why))) => Output::WaitUntil { at, why },
        (one, None) => one,
    }
}

/// The act of one unit of several, so that its report finds it again.
fn tagged(act: Act, unit: UnitId) -> Act {
    match act {
        Act::Transmit { tag: Tag(tag), wire } => Act::Transmit { tag: Tag(u16::from(unit.0) << 8 | tag & 0xFF), wire },
        act => act,
    }
}

/// The event of one unit of several: notes begin with its name.
fn signed(event: Event, by: &Conversation) -> Event {
    let sign = |note: Note| Note { text: format!("{}: {}", by.name, note.text), ..note };
    match event {
        Event::Note(note) => Event::Note(sign(note)),
        Event::Answer { ticket, answer } => Event::Answer { ticket, answer: answer.map_err(sign) },
        event => event,
    }
}

/// The time of an input; of our own bytes their start, for their end may lie ahead.
pub(crate) fn time_of(input: &Input<'_>) -> Instant {
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
