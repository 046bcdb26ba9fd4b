//! How a unit is spoken to: the machine of its line, and what it tells in one set of words.

use core::time::Duration;

use tickover_defs::compiled::{CanUnit, Line};
use tickover_framing::Instant;
use tickover_framing::contract::{Act, Input, Machine, Output, Speed, Why};
use tickover_framing::transport::Reach;
use tickover_framing::{isotp, kline};

/// The longest message without an escape sequence (ISO 15765-2:2016 table 9).
const LONGEST: usize = 4095;
/// The response time of a unit on CAN, if nothing else is asked for: a fast unit (common practice, no source).
const P2_CAN: Duration = Duration::from_millis(1);

/// The unit's end of its line.
#[derive(Debug)]
pub(super) enum Voice {
    KLine(Box<kline::Unit>),
    Can {
        machine: Box<isotp::Unit<LONGEST>>,
        unit: Box<CanUnit>,
        speed: Speed,
        reach: Reach,
        /// The bus is set to the unit's speed once.
        is_set: bool,
    },
    /// On CAN, asked by nobody: it only sends its frames.
    Mute {
        speed: Speed,
        is_set: bool,
    },
}

/// What it tells.
#[derive(Clone, Copy, PartialEq, Debug)]
pub(super) enum Told {
    Request { functional: bool, end: Instant },
    Sent { start: Instant, end: Instant },
    Started,
    Stopped,
    TimedOut,
    Ignored,
    Nothing,
}

impl Voice {
    pub(super) fn new(line: &Line, reach: Reach) -> Option<Self> {
        Some(match line {
            Line::KLine(line) => Self::KLine(Box::new(kline::Unit::new(line.line, reach))),
            Line::Can(can) => {
                let speed = Speed::Can { bit_rate: can.bit_rate, data_rate: can.data_rate, listen_only: false };
                match can.unit {
                    Some(unit) => Self::Can {
                        machine: Box::new(on_bus(&unit, speed, reach)),
                        unit: Box::new(unit),
                        speed,
                        reach,
                        is_set: false,
                    },
                    None => Self::Mute { speed, is_set: false },
                }
            }
            _ => return None,
        })
    }

    pub(super) fn handle(&mut self, input: Input<'_>) {
        match self {
            Self::KLine(machine) => machine.handle(input),
            Self::Can { machine, .. } => machine.handle(input),
            Self::Mute { .. } => {}
        }
    }

    pub(super) fn poll(&mut self) -> Output<Told> {
        match self {
            Self::KLine(machine) => match machine.poll_output() {
                Output::Event(event) => Output::Event(told_on_k_line(event)),
                other => without_event(other),
            },
            Self::Can { speed, is_set, .. } | Self::Mute { speed, is_set } if !*is_set => {
                *is_set = true;
                Output::Act(Act::Speed(*speed))
            }
            Self::Can { machine, .. } => match machine.poll_output() {
                Output::Event(event) => Output::Event(told_on_can(event)),
                other => without_event(other),
            },
            Self::Mute { .. } => Output::Idle,
        }
    }

    /// The data of the request told last.
    pub(super) fn request(&self) -> &[u8] {
        match self {
            Self::KLine(machine) => machine.request(),
            Self::Can { machine, .. } => machine.request(),
            Self::Mute { .. } => &[],
        }
    }

    /// Answers `after` the end of the request or of the last answer; false if the line cannot carry it now.
    pub(super) fn respond(&mut self, now: Instant, data: &[u8], after: Duration) -> bool {
        match self {
            Self::KLine(machine) => machine.respond(now, data, after).is_ok(),
            Self::Can { machine, .. } => machine.respond(now, data, after).is_ok(),
            Self::Mute { .. } => false,
        }
    }

    /// Response time if nothing else is asked for.
    pub(super) fn p2(&self) -> Duration {
        match self {
            Self::KLine(machine) => machine.line().timing.p2_min,
            Self::Can { .. } => P2_CAN,
            Self::Mute { .. } => Duration::ZERO,
        }
    }

    pub(super) fn set_p2(&mut self, p2: Duration) {
        if let Self::KLine(machine) = self {
            machine.set_p2(p2);
        }
    }

    /// S3 on CAN; the K-line's machine tells when its P3max is over.
    pub(super) const fn s3(&self) -> Option<Duration> {
        match self {
            Self::Can { unit, .. } => unit.s3,
            Self::KLine(_) | Self::Mute { .. } => None,
        }
    }

    /// As after power-on.
    pub(super) fn reset(&mut self, now: Instant) {
        match self {
            Self::KLine(machine) => machine.reset(now),
            Self::Can { machine, unit, speed, reach, .. } => **machine = on_bus(unit, *speed, *reach),
            Self::Mute { .. } => {}
        }
    }

    /// From the end of the last answer on the line is this one.
    pub(super) fn change_line(&mut self, now: Instant, line: &Line) {
        if let (Self::KLine(machine), Line::KLine(line)) = (&mut *self, line) {
            machine.change_line(now, line.line);
        }
    }

    /// Keeps no STmin, whatever the tester asks for.
    pub(super) fn hurry(&mut self, yes: bool) {
        if let Self::Can { machine, .. } = self {
            machine.set_separation(yes.then_some(Duration::ZERO));
        }
    }

    /// Whether an answer waits or is sent; a K-line's always ends by itself.
    pub(super) fn is_answering(&self) -> bool {
        match self {
            Self::Can { machine, .. } => machine.is_answering(),
            Self::KLine(_) | Self::Mute { .. } => true,
        }
    }

    /// On a bus a report comes when its frame is out; on a line it may come before.
    pub(super) const fn is_on_bus(&self) -> bool {
        !matches!(self, Self::KLine(_))
    }

    pub(super) const fn path(&self) -> Option<isotp::Path> {
        match self {
            Self::Can { unit, .. } => Some(unit.path),
            Self::KLine(_) | Self::Mute { .. } => None,
        }
    }
}

fn on_bus(unit: &CanUnit, speed: Speed, reach: Reach) -> isotp::Unit<LONGEST> {
    let mut machine = isotp::Unit::new(isotp::Line { speed: None, ..unit.line }, unit.path, unit.functional, reach);
    machine.assume_speed(speed);
    machine
}

fn without_event<E>(output: Output<E>) -> Output<Told> {
    match output {
        Output::Act(act) => Output::Act(act),
        Output::WaitUntil { at, why } => Output::WaitUntil { at, why },
        Output::Event(_) | Output::Idle => Output::Idle,
    }
}

fn told_on_k_line(event: kline::UnitEvent) -> Told {
    use kline::UnitEvent;
    match event {
        UnitEvent::Request { functional, end, .. } => Told::Request { functional, end },
        UnitEvent::Sent { start, end } => Told::Sent { start, end },
        UnitEvent::Started { .. } => Told::Started,
        UnitEvent::Stopped { .. } => Told::Stopped,
        UnitEvent::TimedOut { .. } => Told::TimedOut,
        UnitEvent::Ignored { .. } | UnitEvent::Noise { .. } => Told::Ignored,
        _ => Told::Nothing,
    }
}

fn told_on_can(event: isotp::UnitEvent) -> Told {
    use isotp::UnitEvent;
    match event {
        UnitEvent::Request { functional, end, .. } => Told::Request { functional, end },
        UnitEvent::Sent { start, end } => Told::Sent { start, end },
        UnitEvent::Noise { .. } => Told::Ignored,
        _ => Told::Nothing,
    }
}

/// Of what the unit does by itself.
pub(super) const OWN_TIME: Why = Why { name: "next frame", clause: "the definition's `every`" };
