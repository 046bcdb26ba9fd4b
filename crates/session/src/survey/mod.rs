//! What is on a line: who answers, what identifies them, what they support, which definition fits.
//!
//! On CAN it begins as ISO 15765-4 does ([`start`](crate::start)). Then every definition is tried as a session would
//! use it: connect, identify, read every record once, leave. It only reads, as polling does.

mod fit;
mod probe;

use alloc::collections::VecDeque;
use alloc::format;
use alloc::string::{String, ToString};
use alloc::vec::Vec;
use core::time::Duration;

use tickover_defs::Definition;
use tickover_defs::compiled::{Can, Line};
use tickover_framing::Instant;
use tickover_framing::contract::{Input, Machine, Output, Why};
use tickover_framing::isotp::Path;
use tickover_framing::transport::Reach;

use crate::start::{NotStarted, Start, StartEvent, Started, Width};
pub use fit::{Answers, Fit, Outcome};
use probe::Probe;

/// Asks a line what is on it, with definitions that may fit.
///
/// It is a [`Machine`]: [`begin`](Self::begin), then inputs in and outputs drained until [`SurveyEvent::Done`].
/// A survey is of one line: definitions for the other kind of line than the first are named and left out.
#[derive(Debug)]
pub struct Survey {
    definitions: Vec<Definition>,
    stage: Stage,
    events: VecDeque<SurveyEvent>,
    now: Instant,
    reach: Reach,
    bus: Option<Result<Started, NotStarted>>,
    fits: Vec<Fit>,
    /// What is still to be tried: place of the definition, and on which path if the start found it.
    left: VecDeque<(usize, Option<Path>)>,
}

#[derive(Debug)]
#[expect(clippy::large_enum_variant, reason = "there is one")]
enum Stage {
    Idle,
    Start(Start),
    /// Answers that nobody waits for any more come to their end.
    Pause {
        until: Instant,
    },
    Probe(Probe),
}

/// Longer than P2max and N_Bs of ISO 15765-4 (50 and 75 ms): a unit whose last answer nobody took has given it up.
const PAUSE: Duration = Duration::from_millis(150);

/// What a survey tells.
#[derive(Clone, PartialEq, Debug)]
#[non_exhaustive]
pub enum SurveyEvent {
    /// What is being done, for people.
    Progress(String),
    /// All has been asked.
    Done(Findings),
}

/// What was found on a line.
#[derive(Clone, PartialEq, Debug)]
pub struct Findings {
    /// How the start of ISO 15765-4 ended; `None` on a K-line, or if the line was lost.
    pub bus: Option<Result<Started, NotStarted>>,
    /// Each definition in the order given; one that finds its unit itself once for each unit that answered.
    pub fits: Vec<Fit>,
}

impl Findings {
    /// The definition that fits best: one with its unit's own addresses before one for any unit of the standard, then
    /// the one that read most records, the first of equals.
    pub fn best(&self) -> Option<&Fit> {
        let rank = |fit: &Fit| (fit.path.is_none(), fit.records_read());
        self.fits.iter().filter(|fit| fit.fits()).reduce(|best, fit| if rank(fit) > rank(best) { fit } else { best })
    }
}

impl Survey {
    /// A survey with these definitions.
    pub fn new(definitions: Vec<Definition>) -> Self {
        Self {
            definitions,
            stage: Stage::Idle,
            events: VecDeque::new(),
            now: Instant::ORIGIN,
            reach: Reach::IDEAL,
            bus: None,
            fits: Vec::new(),
            left: VecDeque::new(),
        }
    }

    /// Begins over a port of this reach.
    pub fn begin(&mut self, now: Instant, reach: Reach) {
        (self.now, self.reach) = (now, reach);
        (self.bus, self.stage) = (None, Stage::Idle);
        self.fits.clear();
        self.left.clear();
        let lines = self.definitions.iter().filter_map(|definition| definition.line.as_ref());
        match lines.clone().find_map(can).filter(|_| lines.clone().next().is_some_and(|first| can(first).is_some())) {
            Some(first) => {
                // One that finds its unit itself knows best where to begin.
                let line = lines.filter_map(can).find(|line| line.start.is_some()).unwrap_or(first);
                let unit = line.unit.as_ref();
                let width = unit.map_or(Width::Bits11, |unit| Width::of(unit.path.response));
                let padding = unit.and_then(|unit| unit.line.frames.padding);
                let mut start = Start::new(line.bit_rate, width, padding, reach.late_in);
                start.begin();
                self.stage = Stage::Start(start);
                self.say("listens on the bus, then asks 01 00 of all".to_string());
            }
            None => self.plan(),
        }
    }

    /// Plans what is tried, now that it is known what the bus is like.
    fn plan(&mut self) {
        let first_is_can = self
            .definitions
            .iter()
            .find_map(|definition| definition.line.as_ref())
            .is_some_and(|line| can(line).is_some());
        for (place, definition) in self.definitions.iter().enumerate() {
            let id = definition.id.to_string();
            let mut leave_out =
                |outcome| self.fits.push(Fit { definition: place, id: id.clone(), path: None, outcome });
            let Some(line) = &definition.line else {
                leave_out(Outcome::NoLine);
                continue;
            };
            let can = can(line);
            if can.is_some() != first_is_can {
                leave_out(Outcome::OtherLine);
                continue;
            }
            match (can, &self.bus) {
                (Some(Can { start: Some(_), unit: Some(_), .. }), Some(Ok(started))) => {
                    self.left.extend(started.responders.iter().map(|path| (place, Some(*path))));
                }
                (Some(Can { start: Some(_), .. }), _) => leave_out(Outcome::NobodyAnswers),
                (Some(line), Some(Ok(Started { bit_rate: Some(found), .. }))) if *found != line.bit_rate => {
                    leave_out(Outcome::OtherBitRate { expected: line.bit_rate, found: *found });
                }
                _ => self.left.push_back((place, None)),
            }
        }
        self.try_next();
    }

    fn try_next(&mut self) {
        let Some((place, path)) = self.left.pop_front() else { return self.done() };
        let Some(definition) = self.definitions.get(place) else { return self.done() };
        let definition = match (path, &self.bus) {
            (Some(path), Some(Ok(started))) => started.applied_to(definition, path),
            _ => definition.clone(),
        };
        let at = path.map(|path| format!(" at {}", path.response.id())).unwrap_or_default();
        self.say(format!("tries {}{at}", definition.id));
        self.stage = Stage::Probe(Probe::begin(place, path, definition, self.now, self.reach));
    }

    fn done(&mut self) {
        self.stage = Stage::Idle;
        let mut fits = core::mem::take(&mut self.fits);
        fits.sort_by_key(|fit| fit.definition);
        self.events.push_back(SurveyEvent::Done(Findings { bus: self.bus.clone(), fits }));
    }

    fn say(&mut self, text: String) {
        self.events.push_back(SurveyEvent::Progress(text));
    }

    fn started(&mut self, event: StartEvent) {
        match event {
            StartEvent::Started(started) => {
                self.say(started.to_string());
                self.bus = Some(Ok(started));
                self.plan();
            }
            StartEvent::NotStarted(not_started) => {
                self.say(not_started.to_string());
                self.bus = Some(Err(not_started));
                self.plan();
            }
            StartEvent::Down(_) => self.done(),
        }
    }
}

impl Machine for Survey {
    type Event = SurveyEvent;

    fn handle(&mut self, input: Input<'_>) {
        self.now = self.now.max(crate::machine::time_of(&input));
        match &mut self.stage {
            Stage::Idle | Stage::Pause { .. } => {}
            Stage::Start(start) => start.handle(input),
            Stage::Probe(probe) => probe.handle(input),
        }
    }

    fn poll_output(&mut self) -> Output<SurveyEvent> {
        loop {
            if let Some(event) = self.events.pop_front() {
                return Output::Event(event);
            }
            match &mut self.stage {
                Stage::Idle => return Output::Idle,
                Stage::Pause { until } if *until <= self.now => self.try_next(),
                Stage::Pause { until } => {
                    let why = Why { name: "pause", clause: "a unit gives up an answer that nobody takes" };
                    return Output::WaitUntil { at: *until, why };
                }
                Stage::Start(start) => match start.poll_output() {
                    Output::Event(event) => self.started(event),
                    Output::Act(act) => return Output::Act(act),
                    Output::WaitUntil { at, why } => return Output::WaitUntil { at, why },
                    Output::Idle => return Output::Idle,
                },
                Stage::Probe(probe) => match probe.poll_output() {
                    Output::Event(fit) => {
                        let lost = matches!(fit.outcome, Outcome::Lost(_));
                        self.fits.push(*fit);
                        if lost {
                            self.left.clear();
                        }
                        self.stage = Stage::Pause { until: self.now.after(PAUSE) };
                    }
                    Output::Act(act) => return Output::Act(act),
                    Output::WaitUntil { at, why } => return Output::WaitUntil { at, why },
                    Output::Idle => return Output::Idle,
                },
            }
        }
    }
}

fn can(line: &Line) -> Option<&Can> {
    match line {
        Line::Can(can) => Some(can),
        _ => None,
    }
}
