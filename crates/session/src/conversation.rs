//! The conversation with one unit: its lane, what the session does with it, its schedule, what was measured.

use alloc::collections::VecDeque;
use alloc::format;
use alloc::string::{String, ToString};
use alloc::vec::Vec;
use core::time::Duration;

use tickover_defs::compiled::{Can, Line};
use tickover_defs::{ChannelId, Definition};
use tickover_framing::Instant;
use tickover_framing::can::Id;
use tickover_framing::contract::{Act, Hex, Input, Output, Why};
use tickover_framing::isotp;
use tickover_framing::time::earliest;
use tickover_framing::transport::Reach;
use tickover_services::Effect;

use crate::connect::Phase;
use crate::judge::judge;
use crate::lane::Lane;
use crate::listen::Ear;
use crate::meter::Meter;
use crate::right_of_way::{Waits, Way};
use crate::schedule::Schedule;
use crate::unit::Unit;
use crate::{Event, Fault, Note, NoteKind, Permit, Rate, RequestError, UnitId, notes};

/// Requests of the caller that wait at most, for each unit.
const WAITING_MOST: usize = 64;

/// Everything between the session and one of its units.
#[derive(Debug)]
pub(crate) struct Conversation {
    pub(crate) id: UnitId,
    /// As channels are written: `gearbox:oil`.
    pub(crate) name: String,
    pub(crate) unit: Unit,
    /// `None`: not connected.
    pub(crate) lane: Option<Lane>,
    pub(crate) phase: Phase,
    pub(crate) schedule: Schedule,
    pub(crate) meter: Meter,
    pub(crate) now: Instant,
    pub(crate) reach: Reach,
    pub(crate) tolerance_ppm: Option<u32>,
    pub(crate) one_shots: VecDeque<OneShot>,
    pub(crate) events: VecDeque<Event>,
    /// Acts that no transport asks for, and whether the report of one is still to come.
    pub(crate) acts: VecDeque<Act>,
    awaits_report: bool,
    pub(crate) closing: bool,
    /// What may be sent while other lanes are busy, and since when that holds this one up.
    pub(crate) way: Way,
    pub(crate) waits: Option<Waits>,
    /// End of a request to all that the other lanes have not been told of.
    pub(crate) asked_all: Option<Instant>,
    /// Before this the unit may answer a request to all of another lane.
    pub(crate) own_unit_free: Instant,
    /// Address found at the start of the bus instead of the one written.
    pub(crate) found: Option<Found>,
    /// Frames that are listened to, and those whose counts are kept.
    pub(crate) ears: Vec<Ear>,
    pub(crate) heard_ids: Vec<Id>,
    pub(crate) filters_changed: bool,
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

/// Where a unit was found on a bus.
#[derive(Clone, Copy, PartialEq, Eq, Debug)]
pub(crate) struct Found {
    pub(crate) path: isotp::Path,
    pub(crate) functional: isotp::Address,
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
    /// How much noise was told of lately.
    pub(crate) noise: NoiseTold,
}

/// Noise is counted always and told of so often that rows still find room beside it.
#[derive(Debug, Default)]
pub(crate) struct NoiseTold {
    since: Instant,
    count: u8,
}

impl NoiseTold {
    const PERIOD: Duration = Duration::from_secs(1);
    const MOST: u8 = 10;

    /// What a note about noise ends with; `None`: it is only counted.
    pub(crate) fn more(&mut self, at: Instant) -> Option<&'static str> {
        if at.since(self.since) >= Self::PERIOD {
            *self = Self { since: at, count: 0 };
        }
        (self.count < Self::MOST).then_some(())?;
        self.count += 1;
        Some(if self.count < Self::MOST { "" } else { "; what else comes within a second is only counted" })
    }
}

impl Conversation {
    /// Nothing is watched and nothing connected.
    pub(crate) fn new(id: UnitId, name: String, definition: Definition) -> Self {
        Self {
            id,
            name,
            unit: Unit::new(definition),
            lane: None,
            phase: Phase::Down,
            schedule: Schedule::new(),
            meter: Meter::default(),
            now: Instant::ORIGIN,
            reach: Reach::IDEAL,
            tolerance_ppm: None,
            one_shots: VecDeque::new(),
            events: VecDeque::new(),
            acts: VecDeque::new(),
            awaits_report: false,
            closing: false,
            way: Way::FREE,
            waits: None,
            asked_all: None,
            own_unit_free: Instant::ORIGIN,
            found: None,
            ears: Vec::new(),
            heard_ids: Vec::new(),
            filters_changed: false,
            history: History::default(),
        }
    }

    /// Watches a channel at another rate, or no more.
    pub(crate) fn set_rate(&mut self, now: Instant, channel: ChannelId, rate: Option<Rate>) {
        self.pass_time(now);
        self.wish(channel, rate);
        self.replan();
        if self.phase.polls() {
            self.say_missing(|missing| missing == channel);
            if rate.is_some() && self.unit.lacks_pid(channel) {
                self.say_unsupported(&[channel]);
            }
        }
    }

    pub(crate) fn wish(&mut self, channel: ChannelId, rate: Option<Rate>) {
        if !self.unit.wish(channel, rate) {
            let text = format!(
                "channel {} is of another definition: '{}' has {}",
                channel.0,
                self.unit.definition.id,
                self.unit.wishes.len()
            );
            let advice = "take the channel from this session's definition";
            self.note(notes::advise(self.now, NoteKind::NotSupported, Fault::Caller, text, advice));
        }
    }

    /// Begins on an open line. Plan, statistics and totals go on.
    pub(crate) fn connect(&mut self, now: Instant, reach: Reach) {
        self.pass_time(now);
        self.reach = reach;
        self.history = History {
            down_since: self.history.down_since,
            connected_before: self.history.connected_before,
            ..History::default()
        };
        let Some(line) = self.line_as_found() else { return };
        self.lane = match Lane::open(now, line, reach, self.tolerance_ppm) {
            Ok(lane) => lane,
            Err(error) => {
                let advice = "give requests and answers identifiers of their own in [line]";
                self.note(notes::advise(now, NoteKind::NotReady, Fault::Definition, error.to_string(), advice));
                return;
            }
        };
        self.waits = None;
        self.own_unit_free = now;
        if self.lane.is_none() {
            self.prick_ears(now);
            return self.begin_listening(now);
        }
        self.begin(now);
    }

    pub(crate) fn request(
        &mut self,
        now: Instant,
        ticket: u32,
        request: &[u8],
        permit: Option<Permit>,
    ) -> Result<(), RequestError> {
        self.pass_time(now);
        let not_connected = || RequestError::NotConnected { request: Hex(request).to_string() };
        let lane = self.lane.as_ref().filter(|_| !self.closing).ok_or_else(not_connected)?;
        let effect = judge(&lane.line, request, permit.as_ref())?;
        if self.one_shots.len() >= WAITING_MOST {
            return Err(RequestError::TooMany { waiting: self.one_shots.len() });
        }
        self.one_shots.push_back(OneShot { ticket, request: request.to_vec(), effect });
        self.schedule.add_one_shot(now, ticket);
        Ok(())
    }

    /// Ends communication in order, then is no longer `closing`.
    pub(crate) fn close(&mut self, now: Instant) {
        self.pass_time(now);
        self.closing = true;
        self.leave_soon(now);
    }

    pub(crate) fn pass_time(&mut self, now: Instant) {
        self.now = self.now.max(now);
    }

    pub(crate) fn note(&mut self, note: Note) {
        let note = self.of_this_unit(note);
        self.events.push_back(Event::Note(note));
    }

    /// Ends a request of the caller.
    pub(crate) fn answer(&mut self, ticket: u32, answer: Result<Vec<u8>, Note>) {
        let answer = answer.map_err(|note| self.of_this_unit(note));
        self.events.push_back(Event::Answer { ticket, answer });
    }

    fn of_this_unit(&self, note: Note) -> Note {
        Note { unit: Some(self.id), ..note }
    }

    /// Plans anew and tells the schedule.
    pub(crate) fn replan(&mut self) {
        if self.phase.polls() {
            self.unit.replan();
            self.set_ears();
            self.schedule.set(self.now, &self.unit.wanted());
        }
    }

    pub(crate) fn handle(&mut self, input: Input<'_>) {
        let own = core::mem::take(&mut self.awaits_report);
        if own && matches!(input, Input::SpeedIs { .. } | Input::LineIs { .. }) {
            return;
        }
        if let Input::Frame { end, frame } = input {
            self.overhear(end, frame);
        }
        if let Some(lane) = &mut self.lane {
            lane.handle(input);
        }
    }

    pub(crate) fn poll_output(&mut self) -> Output<Event> {
        self.miss_frames();
        loop {
            if let Some(act) = self.acts.pop_front() {
                self.awaits_report = true;
                return Output::Act(act);
            }
            if let Some(event) = self.events.pop_front() {
                return Output::Event(event);
            }
            let Some(lane) = &mut self.lane else {
                return self.misses_at().map_or(Output::Idle, |(at, why)| Output::WaitUntil { at, why });
            };
            match lane.poll_output() {
                Output::Act(act) => return Output::Act(act),
                Output::Event(heard) => self.hear(&heard),
                Output::WaitUntil { .. } | Output::Idle if self.advance() => {}
                Output::WaitUntil { .. } | Output::Idle => return self.wait(),
            }
        }
    }

    /// The earlier of the transport's deadline and the conversation's own.
    fn wait(&self) -> Output<Event> {
        let transport = self.lane.as_ref().and_then(Lane::deadline);
        let own = self.own_deadline();
        let missed = self.misses_at();
        let of = |deadline: Option<(Instant, Why)>| deadline.map(|(at, _)| at);
        match earliest(earliest(of(transport), of(own)), of(missed)) {
            None => Output::Idle,
            Some(at) => {
                let why =
                    [transport, own, missed].into_iter().flatten().find(|(other, _)| *other == at).map(|(_, why)| why);
                Output::WaitUntil { at, why: why.unwrap_or(Why { name: "schedule", clause: "" }) }
            }
        }
    }

    /// The line as the definition has it, if it has one.
    pub(crate) fn line(&self) -> Option<&Line> {
        self.unit.base_line()
    }

    /// The same with the addresses that were found at the start of the bus.
    pub(crate) fn line_as_found(&self) -> Option<Line> {
        let mut line = self.unit.base_line().cloned()?;
        self.apply_found(&mut line);
        Some(line)
    }

    /// Puts the addresses found in place of those written.
    pub(crate) fn apply_found(&self, line: &mut Line) {
        if let (Line::Can(Can { unit: Some(unit), .. }), Some(found)) = (line, self.found) {
            unit.path = found.path;
            unit.functional = unit.functional.map(|_| found.functional);
        }
    }

    /// How long the unit may take to begin an answer.
    pub(crate) fn answers_within(&self) -> Duration {
        self.lane.as_ref().map_or(Duration::ZERO, |lane| lane.limits().p2_max.saturating_add(self.reach.late_in))
    }
}
