//! The start of ISO 15765-4 clause 4: which bit rate a bus has, which width its identifiers, and who answers.
//!
//! ```text
//! listens for 1 s, silently  -- frames without errors -->  this rate
//!        |        \-- errors --> listens at the next rate
//!     nothing
//!        v
//! 01 00 to all, at 500 then 250 kbit/s, with 11 then 29 bits, until somebody answers
//! ```
//! Listening first is ours: the standard begins by asking. A tester at a wrong rate destroys the frames of others, and
//! the standard's way out, leaving the bus within 100 us of the first error (4.2.1), cannot be kept by a program that
//! only hears of errors from its controller.

mod outcome;
#[cfg(test)]
mod tests;

use alloc::collections::VecDeque;
use alloc::vec::Vec;
use core::time::Duration;

use tickover_framing::Instant;
use tickover_framing::can::{Condition, Frame, FrameKind};
use tickover_framing::contract::{Act, Chunk, Input, Known, Lost, Machine, Output, Speed, Tag, Why, Wire};
use tickover_framing::isotp::Path;

pub use outcome::{NotStarted, Started, Width};

/// Bit rates of ISO 15765-4 8.2, the more usual one first.
pub const BIT_RATES: [u32; 2] = [500_000, 250_000];
/// How long is listened before anything is sent.
pub const LISTEN: Duration = Duration::from_secs(1);
/// P2CANmax (SAE J1979; from memory): the answers of all units start within it.
const P2_MAX: Duration = Duration::from_millis(50);
/// N_As (ISO 15765-4:2005 table 6): a request that is not out by then meets nobody who acknowledges it.
const N_AS: Duration = Duration::from_millis(25);
/// A busy unit is asked again after this (ISO 15765-4 clause 4: at least 200 ms, at most six times).
const BUSY: Duration = Duration::from_millis(200);
const TRIES: u8 = 6;
/// Answers are kept of so many units (ISO 15765-4 6.3.1.2).
const UNITS: usize = 8;

/// Finds bit rate and width of identifiers, and who answers. Its first act sets a speed.
#[derive(Debug)]
pub struct Start {
    rates: VecDeque<u32>,
    widths: [Width; 2],
    padding: u8,
    /// Added to P2: how late the port tells.
    late: Duration,
    phase: Phase,
    /// What is to be asked next, first first.
    plan: VecDeque<(Option<u32>, Width)>,
    acts: VecDeque<Act>,
    events: VecDeque<StartEvent>,
    traffic: bool,
    errors: bool,
    acknowledged: bool,
    responders: Vec<Path>,
    tag: u16,
}

/// How a start ended.
#[derive(Clone, PartialEq, Eq, Debug)]
pub enum StartEvent {
    /// Somebody answered.
    Started(Started),
    /// Nobody did.
    NotStarted(NotStarted),
    /// The line is gone.
    Down(Lost),
}

#[derive(Clone, Copy, PartialEq, Eq, Debug)]
enum Phase {
    Idle,
    /// Waits for `SpeedIs`, to listen or to ask.
    Speed {
        wanted: u32,
        asks: Option<Width>,
    },
    Listening {
        rate: Option<u32>,
        until: Instant,
        frames: bool,
        errors: bool,
    },
    /// The request is on its way.
    Sending {
        rate: Option<u32>,
        width: Width,
        tries: u8,
        until: Instant,
    },
    /// Answers may come.
    Answers {
        rate: Option<u32>,
        width: Width,
        tries: u8,
        until: Instant,
        busy: bool,
    },
    /// A unit was busy and is asked again.
    Busy {
        rate: Option<u32>,
        width: Width,
        tries: u8,
        until: Instant,
    },
}

impl Start {
    /// Tries this rate and this width first; `late` is how late the port tells of frames.
    pub fn new(bit_rate: u32, width: Width, padding: Option<u8>, late: Duration) -> Self {
        let others = BIT_RATES.into_iter().filter(|rate| *rate != bit_rate);
        let other = if width == Width::Bits11 { Width::Bits29 } else { Width::Bits11 };
        Self {
            rates: core::iter::once(bit_rate).chain(others).collect(),
            widths: [width, other],
            padding: padding.unwrap_or(0),
            late,
            phase: Phase::Idle,
            plan: VecDeque::new(),
            acts: VecDeque::new(),
            events: VecDeque::new(),
            traffic: false,
            errors: false,
            acknowledged: false,
            responders: Vec::new(),
            tag: 0,
        }
    }

    /// Begins: sets the first rate and listens.
    pub fn begin(&mut self) {
        self.plan.clear();
        (self.traffic, self.errors, self.acknowledged) = (false, false, false);
        if let Some(rate) = self.rates.front().copied() {
            self.set_speed(rate, None);
        }
    }

    fn set_speed(&mut self, bit_rate: u32, asks: Option<Width>) {
        let speed = Speed::Can { bit_rate, data_rate: None, listen_only: asks.is_none() };
        self.acts.push_back(Act::Speed(speed));
        self.phase = Phase::Speed { wanted: bit_rate, asks };
    }

    fn speed_is(&mut self, at: Instant, got: Option<Speed>) {
        let Phase::Speed { wanted, asks } = self.phase else { return };
        let rate = match got {
            Some(Speed::Can { bit_rate, .. }) => Some(bit_rate),
            _ => None,
        };
        // A port that keeps its own rate cannot try others.
        if rate != Some(wanted) {
            self.rates = rate.into_iter().collect();
            self.plan.retain(|(planned, _)| *planned == rate);
        }
        match asks {
            None => self.phase = Phase::Listening { rate, until: at.after(LISTEN), frames: false, errors: false },
            Some(width) => self.ask(at, rate, width, 1),
        }
    }

    fn ask(&mut self, now: Instant, rate: Option<u32>, width: Width, tries: u8) {
        let mut data = [self.padding; 8];
        data[..3].copy_from_slice(&[0x02, 0x01, 0x00]);
        let (data, _) = Chunk::split_from(&data);
        let frame = Frame { id: width.functional().id(), kind: FrameKind::Classic, data };
        self.tag = (self.tag + 1) & 0xFF;
        self.responders.clear();
        self.acts.push_back(Act::Transmit { tag: Tag(self.tag), wire: Wire::Frame(frame) });
        self.phase = Phase::Sending { rate, width, tries, until: now.after(N_AS).after(self.late) };
    }

    fn heard(&mut self, end: Instant, frame: &Frame) {
        match &mut self.phase {
            Phase::Listening { frames, .. } => *frames = true,
            Phase::Answers { width, until, busy, .. } if end <= *until => {
                let Some(path) = width.path(frame.id) else { return };
                match frame.data.as_slice() {
                    [length @ 0x06..=0x07, 0x41, 0x00, rest @ ..]
                        if rest.len() + 2 >= usize::from(*length)
                            && self.responders.len() < UNITS
                            && !self.responders.contains(&path) =>
                    {
                        self.responders.push(path);
                    }
                    [0x03, 0x7F, 0x01, 0x21, ..] => *busy = true,
                    _ => {}
                }
            }
            _ => {}
        }
    }

    fn condition(&mut self, at: Instant, condition: Condition) {
        let wrong = !matches!(condition, Condition::Active | Condition::Overrun | Condition::Refused);
        match &mut self.phase {
            Phase::Listening { errors, .. } => *errors |= wrong,
            Phase::Sending { .. } | Phase::Answers { .. } | Phase::Busy { .. } if wrong => {
                self.errors |= condition != Condition::NoAcknowledge;
                self.next_rate(at);
            }
            _ => {}
        }
    }

    fn listened(&mut self, now: Instant, rate: Option<u32>, frames: bool, errors: bool) {
        self.errors |= errors;
        if errors {
            // Somebody speaks here, at another rate: it is found by listening.
            self.rates.retain(|other| Some(*other) != rate);
            return match self.rates.front().copied() {
                Some(next) if rate.is_some() => self.set_speed(next, None),
                _ => self.fail(rate),
            };
        }
        self.traffic |= frames;
        let rates: Vec<Option<u32>> = match rate {
            Some(rate) if !frames => {
                let others = self.rates.iter().copied().filter(|other| *other != rate);
                core::iter::once(rate).chain(others).map(Some).collect()
            }
            rate => [rate].into(),
        };
        self.plan = rates.iter().flat_map(|rate| self.widths.map(|width| (*rate, width))).collect();
        self.ask_next(now, None);
    }

    /// Asks what is planned next; `at_rate` is the rate that is set and may be asked at.
    fn ask_next(&mut self, now: Instant, at_rate: Option<Option<u32>>) {
        match self.plan.pop_front() {
            Some((rate, width)) if at_rate == Some(rate) => self.ask(now, rate, width, 1),
            Some((Some(rate), width)) => self.set_speed(rate, Some(width)),
            Some((None, width)) => self.set_speed(self.rates.front().copied().unwrap_or(BIT_RATES[0]), Some(width)),
            None => self.fail(at_rate.flatten()),
        }
    }

    fn next_rate(&mut self, now: Instant) {
        let (Phase::Sending { rate, .. } | Phase::Answers { rate, .. } | Phase::Busy { rate, .. }) = self.phase else {
            return;
        };
        self.plan.retain(|(planned, _)| *planned != rate);
        match self.plan.is_empty() {
            true => self.fail(rate),
            false => self.ask_next(now, None),
        }
    }

    fn answered(&mut self, now: Instant, rate: Option<u32>, width: Width, tries: u8, busy: bool) {
        if !self.responders.is_empty() {
            self.responders.sort_by_key(|path| path.response.id());
            let responders = core::mem::take(&mut self.responders);
            self.phase = Phase::Idle;
            let started = Started { bit_rate: rate, width, traffic: self.traffic, responders };
            return self.events.push_back(StartEvent::Started(started));
        }
        match busy && tries < TRIES {
            true => self.phase = Phase::Busy { rate, width, tries, until: now.after(BUSY) },
            false => self.ask_next(now, Some(rate)),
        }
    }

    fn fail(&mut self, bit_rate: Option<u32>) {
        self.phase = Phase::Idle;
        let failed = NotStarted { bit_rate, traffic: self.traffic || self.acknowledged, errors: self.errors };
        self.events.push_back(StartEvent::NotStarted(failed));
    }

    fn on_time(&mut self, now: Instant) {
        match self.phase {
            Phase::Listening { rate, until, frames, errors } if until <= now => {
                self.listened(now, rate, frames, errors);
            }
            // Nobody acknowledges: at this rate there is nobody.
            Phase::Sending { until, .. } if until <= now => self.next_rate(now),
            Phase::Answers { rate, width, tries, until, busy } if until <= now => {
                self.answered(now, rate, width, tries, busy);
            }
            Phase::Busy { rate, width, tries, until } if until <= now => self.ask(now, rate, width, tries + 1),
            _ => {}
        }
    }

    fn deadline(&self) -> Option<(Instant, Why)> {
        const fn why(name: &'static str, clause: &'static str) -> Why {
            Why { name, clause }
        }
        match self.phase {
            Phase::Idle | Phase::Speed { .. } => None,
            Phase::Listening { until, .. } => Some((until, why("listening", "before anything is sent"))),
            Phase::Sending { until, .. } => Some((until, why("N_As", "ISO 15765-4 table 6"))),
            Phase::Answers { until, .. } => Some((until, why("P2CANmax", "ISO 15765-4 clause 4"))),
            Phase::Busy { until, .. } => Some((until, why("busy", "ISO 15765-4 clause 4"))),
        }
    }
}

impl Machine for Start {
    type Event = StartEvent;

    fn handle(&mut self, input: Input<'_>) {
        match input {
            Input::Frame { end, frame } => self.heard(end, frame),
            Input::Bus { at, condition } => self.condition(at, condition),
            Input::SpeedIs { at, got } => self.speed_is(at, got),
            Input::Sent { tag, end, known, .. } if tag.0 == self.tag => {
                if let Phase::Sending { rate, width, tries, .. } = self.phase {
                    if known == Known::Measured {
                        // Somebody took the frame, so the rate is right, whoever answers.
                        self.acknowledged = true;
                        self.plan.retain(|(planned, _)| *planned == rate);
                    }
                    let until = end.after(P2_MAX).after(self.late);
                    self.phase = Phase::Answers { rate, width, tries, until, busy: false };
                }
            }
            Input::Timeout { now } => self.on_time(now),
            Input::Lost { cause, .. } => {
                self.phase = Phase::Idle;
                self.acts.clear();
                self.events.push_back(StartEvent::Down(cause));
            }
            Input::Sent { .. } | Input::Bytes { .. } | Input::Edge { .. } | Input::LineIs { .. } => {}
        }
    }

    fn poll_output(&mut self) -> Output<StartEvent> {
        if let Some(act) = self.acts.pop_front() {
            return Output::Act(act);
        }
        if let Some(event) = self.events.pop_front() {
            return Output::Event(event);
        }
        match self.deadline() {
            Some((at, why)) => Output::WaitUntil { at, why },
            None => Output::Idle,
        }
    }
}
