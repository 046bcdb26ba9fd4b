//! The CAN bus that a session's units share: its speed, its start, its condition.

use alloc::boxed::Box;
use alloc::format;
use alloc::vec::Vec;
use core::time::Duration;

use tickover_defs::compiled::{Can, Line, Start as Way};
use tickover_framing::Instant;
use tickover_framing::can::{Condition, Filter, Id};
use tickover_framing::contract::{Act, Input, Lost, Machine, Output, Speed, Why};
use tickover_framing::isotp::Path;

use crate::connect::BACK_OFF;
use crate::conversation::Found;
use crate::machine::Session;
use crate::notes::{self, advise, is_round, note};
use crate::start::{Start, StartEvent, Started, Width};
use crate::{Fault, NoteKind};

/// The bus as the session knows it.
#[derive(Debug, Default)]
pub(crate) enum Bus {
    /// No connection, or a K-line, whose transport looks after it.
    #[default]
    Closed,
    /// The speed is being set.
    Setting { wanted: Speed },
    /// Bit rate, width of identifiers and who is there are being found out.
    Starting { start: Box<Start>, attempts: usize },
    /// Nobody answered; it is tried again.
    Waiting { until: Instant, attempts: usize },
    Up {
        /// The controller has switched itself off.
        off_since: Option<Instant>,
    },
}

/// What the bus itself wants next.
pub(crate) enum BusStep {
    Act(Act),
    /// Something changed: look again.
    Done,
    Wait(Option<(Instant, Why)>),
}

impl Bus {
    pub(crate) fn close(&mut self) {
        *self = Self::Closed;
    }

    pub(crate) const fn is_open(&self) -> bool {
        !matches!(self, Self::Closed)
    }

    /// Hands an input to the start, if there is one under way.
    pub(crate) fn starts(&mut self, input: Input<'_>) -> bool {
        match self {
            Self::Starting { start, .. } => start.handle(input),
            _ => return false,
        }
        true
    }
}

impl Session {
    /// Opens the bus: sets its speed, or finds it out.
    pub(crate) fn begin_bus(&mut self, now: Instant) {
        self.filters_changed = true;
        let Some(Line::Can(can)) = self.first.line() else { return };
        if can.start == Some(Way::Iso15765_4) {
            return self.begin_start(now, 0);
        }
        let wanted = Speed::Can { bit_rate: can.bit_rate, data_rate: can.data_rate, listen_only: false };
        self.bus = Bus::Setting { wanted };
        self.acts.push_back(Act::Speed(wanted));
    }

    fn begin_start(&mut self, _now: Instant, attempts: usize) {
        let Some(Line::Can(can)) = self.first.line() else { return };
        let width = can.unit.map_or(Width::Bits11, |unit| Width::of(unit.path.response));
        let padding = can.unit.and_then(|unit| unit.line.frames.padding);
        let mut start = Start::new(can.bit_rate, width, padding, self.reach.late_in);
        start.begin();
        self.bus = Bus::Starting { start: Box::new(start), attempts };
        self.filters_changed = true;
    }

    /// The next thing that the bus itself wants.
    pub(crate) fn poll_bus(&mut self) -> BusStep {
        let now = self.now;
        match &mut self.bus {
            Bus::Starting { start, attempts } => {
                let attempts = *attempts;
                match start.poll_output() {
                    Output::Act(act) => return BusStep::Act(act),
                    Output::Event(event) => self.start_ended(now, attempts, event),
                    Output::WaitUntil { at, why } => return BusStep::Wait(Some((at, why))),
                    Output::Idle => return BusStep::Wait(None),
                }
                BusStep::Done
            }
            Bus::Waiting { until, attempts } if *until <= now => {
                let attempts = *attempts;
                self.begin_start(now, attempts);
                BusStep::Done
            }
            Bus::Waiting { until, .. } => BusStep::Wait(Some((*until, Why { name: "back-off", clause: "" }))),
            Bus::Closed | Bus::Setting { .. } | Bus::Up { .. } => BusStep::Wait(None),
        }
    }

    fn start_ended(&mut self, now: Instant, attempts: usize, event: StartEvent) {
        match event {
            StartEvent::Started(started) => self.started(now, &started),
            StartEvent::NotStarted(failed) => {
                let text = format!("{failed}; it is tried again");
                self.note(advise(now, NoteKind::NotReady, Fault::Line, text, failed.advice()));
                let wait = BACK_OFF.get(attempts + 1).or(BACK_OFF.last()).copied().unwrap_or(Duration::ZERO);
                // A frame that nobody acknowledged would be repeated until then.
                if let Some(Line::Can(Can { bit_rate, .. })) = self.first.line() {
                    let quiet = Speed::Can { bit_rate: *bit_rate, data_rate: None, listen_only: true };
                    self.acts.push_back(Act::Speed(quiet));
                }
                self.bus = Bus::Waiting { until: now.after(wait), attempts: attempts.saturating_add(1) };
            }
            StartEvent::Down(cause) => self.bus_lost(now, cause),
        }
    }

    /// Takes the addresses of those who answered for those that are written.
    fn started(&mut self, now: Instant, started: &Started) {
        self.note(note(now, NoteKind::Connected, Fault::Nobody, format!("{started}")));
        let asked = |line: Option<&Line>| match line {
            Some(Line::Can(Can { unit: Some(unit), .. })) => Some(unit.path),
            _ => None,
        };
        let units: Vec<(crate::UnitId, Path)> =
            self.conversations().filter_map(|it| Some((it.id, asked(it.line())?))).collect();
        let written: Vec<Path> = units.iter().map(|(_, path)| *path).collect();
        for ((unit, written), path) in units.into_iter().zip(started.paths(&written)) {
            let Some(conversation) = self.conversation_mut(unit) else { continue };
            conversation.found = path.map(|path| Found { path, functional: started.width.functional() });
            let name = conversation.name.clone();
            match path {
                None => {
                    let text = format!("unit '{name}' is not among those that answer; it is not asked");
                    let advice = "check its definition's identifiers, and that it is switched on";
                    self.note(advise(now, NoteKind::NotReady, Fault::Unit, text, advice));
                }
                Some(path) if path != written => {
                    let (found, written) = (path.response.id(), written.response.id());
                    let text = format!("unit '{name}' is taken to be the one that answers with {found}, not {written}");
                    self.note(note(now, NoteKind::Connected, Fault::Nobody, text));
                }
                Some(_) => {}
            }
        }
        self.bus_is_up(now);
    }

    /// The port was asked for the bus's speed: with another one nobody is asked anything.
    pub(crate) fn bus_speed_is(&mut self, at: Instant, got: Option<Speed>) {
        let Bus::Setting { wanted } = self.bus else { return };
        let told = rates(got);
        if told.is_some() && told != rates(Some(wanted)) {
            self.note(notes::speed(at, wanted, got));
            return self.end_bus(at);
        }
        if told.is_none() {
            self.note(notes::speed_not_told(at, wanted));
        }
        self.bus_is_up(at);
    }

    fn bus_is_up(&mut self, now: Instant) {
        self.bus = Bus::Up { off_since: None };
        self.filters_changed = true;
        let reach = self.reach;
        self.conversations_mut().for_each(|conversation| conversation.connect(now, reach));
    }

    /// What the controller says: the 1st, 10th, 100th time of a kind is told.
    pub(crate) fn bus_says(&mut self, at: Instant, condition: Condition) {
        let count = match condition {
            Condition::Error => &mut self.said.errors,
            Condition::NoAcknowledge => &mut self.said.unacknowledged,
            Condition::Passive => &mut self.said.passive,
            Condition::Off => &mut self.said.off,
            Condition::Overrun => &mut self.said.overruns,
            Condition::Refused => &mut self.said.refused,
            _ => return self.bus_is_active(at),
        };
        *count += 1;
        let times = *count;
        if condition == Condition::Off {
            self.bus_is_off(at);
        }
        if is_round(times) || condition == Condition::Off {
            self.events.extend(notes::bus(at, condition, times).map(crate::Event::Note));
        }
    }

    /// Nothing is sent until the controller takes part again.
    fn bus_is_off(&mut self, at: Instant) {
        if let Bus::Up { off_since } = &mut self.bus {
            off_since.get_or_insert(at);
            self.conversations_mut().for_each(|conversation| conversation.pause(at));
        }
    }

    fn bus_is_active(&mut self, at: Instant) {
        let Bus::Up { off_since } = &mut self.bus else { return };
        let Some(since) = off_since.take() else { return };
        let text = format!("the bus is active again after {:.3} s", at.since(since).as_secs_f64());
        self.note(note(at, NoteKind::Bus, Fault::Nobody, text));
        self.conversations_mut().for_each(|conversation| conversation.resume(at));
    }

    /// The port is gone: said once, whatever the number of units.
    pub(crate) fn bus_lost(&mut self, at: Instant, cause: Lost) {
        self.note(notes::lost(at, cause));
        self.end_bus(at);
    }

    fn end_bus(&mut self, at: Instant) {
        self.bus.close();
        self.acts.clear();
        self.conversations_mut().for_each(|conversation| conversation.end_connection(at));
    }

    /// The frames that this session wants, if they have changed since they were last taken; for a port that filters.
    ///
    /// `None` on a K-line, too. Everything is wanted while a bus is being started.
    pub fn take_filters(&mut self) -> Option<Vec<Filter>> {
        let mut changed = core::mem::take(&mut self.filters_changed);
        self.conversations_mut().for_each(|unit| changed |= core::mem::take(&mut unit.filters_changed));
        if !changed || matches!(self.first.line(), Some(Line::KLine(_))) {
            return None;
        }
        if matches!(self.bus, Bus::Starting { .. } | Bus::Waiting { .. }) {
            return Some([Id::Standard(0), Id::Extended(0)].map(Filter::all).into());
        }
        let mut filters: Vec<Filter> = Vec::new();
        for conversation in self.conversations() {
            filters.extend(conversation.heard_filters());
            let line = conversation.line_as_found();
            if let Some(Line::Can(Can { unit: Some(unit), .. })) = line {
                filters.push(unit.path.response.filter());
            }
        }
        let all = self.asks_all_of().and_then(|unit| Width::standard(unit.functional?));
        filters.extend(all.map(Width::answers));
        filters.sort_unstable();
        filters.dedup();
        Some(filters)
    }
}

/// Bit rate and data rate.
fn rates(speed: Option<Speed>) -> Option<(u32, Option<u32>)> {
    match speed? {
        Speed::Can { bit_rate, data_rate, .. } => Some((bit_rate, data_rate)),
        Speed::Serial { .. } => None,
    }
}
