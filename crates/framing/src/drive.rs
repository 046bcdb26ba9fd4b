//! The loop that obeys a machine on any port: the I/O thread, a microcontroller, the bench.

use crate::can::{Condition, Frame};
use crate::contract::{Act, Input, Known, Lost, Machine, Output, Tag};
use crate::time::Instant;
use crate::transport::Reach;

/// Why [`Port::wait`] came back.
#[derive(Clone, Copy, PartialEq, Eq, Debug)]
pub enum Woke {
    /// Bytes lie in the buffer.
    Bytes {
        /// End of the last one.
        end: Instant,
        /// How many.
        len: usize,
    },
    /// A frame came.
    Frame {
        /// End of the frame.
        end: Instant,
        /// The frame.
        frame: Frame,
    },
    /// A CAN controller says something about its bus.
    Bus {
        /// When.
        at: Instant,
        /// What.
        condition: Condition,
    },
    /// Somebody else moved the line.
    Edge {
        /// When.
        at: Instant,
        /// To which level.
        level: crate::contract::Level,
    },
    /// An act that had been left open is done.
    Sent {
        /// The act's tag.
        tag: Tag,
        /// Start of the first bit.
        start: Instant,
        /// End of the last bit.
        end: Instant,
    },
    /// The deadline passed and nothing was readable.
    Deadline {
        /// The time now.
        now: Instant,
    },
    /// A command for the machine's owner is waiting.
    Command,
    /// The port is gone.
    Lost {
        /// When it was noticed.
        at: Instant,
        /// Why.
        cause: Lost,
    },
}

impl Woke {
    /// What the machine is told of it; `buffer` is the one given to [`Port::wait`]. `None` for a command.
    pub fn input<'a>(&'a self, buffer: &'a [u8]) -> Option<Input<'a>> {
        Some(match self {
            Self::Bytes { end, len } => Input::Bytes { end: *end, bytes: buffer.get(..*len).unwrap_or(buffer) },
            Self::Frame { end, frame } => Input::Frame { end: *end, frame },
            Self::Bus { at, condition } => Input::Bus { at: *at, condition: *condition },
            Self::Edge { at, level } => Input::Edge { at: *at, level: *level },
            Self::Sent { tag, start, end } => {
                Input::Sent { tag: *tag, start: *start, end: *end, known: Known::Measured }
            }
            Self::Deadline { now } => Input::Timeout { now: *now },
            Self::Lost { at, cause } => Input::Lost { at: *at, cause: *cause },
            Self::Command => return None,
        })
    }
}

/// A line's end that can be acted on and waited for. Time is the port's: real or virtual.
pub trait Port {
    /// What this port can do and how late it tells.
    fn reach(&self) -> Reach;
    /// The time now.
    fn now(&self) -> Instant;
    /// Does one act. `None`: the report comes later out of [`wait`](Self::wait).
    fn act(&mut self, act: &Act) -> Option<Input<'static>>;
    /// Waits for input or until the deadline (for ever if there is none); data come first, even late.
    fn wait(&mut self, until: Option<Instant>, buffer: &mut [u8]) -> Woke;
}

/// One turn: drains the machine, waits once, hands in what came. The machine's owner takes events in `on`.
pub fn turn<M: Machine, P: Port + ?Sized>(machine: &mut M, port: &mut P, mut on: impl FnMut(&mut M, M::Event)) -> Woke {
    let until = loop {
        match machine.poll_output() {
            Output::Act(act) => {
                if let Some(report) = port.act(&act) {
                    machine.handle(report);
                }
            }
            Output::Event(event) => on(machine, event),
            Output::WaitUntil { at, .. } => break Some(at),
            Output::Idle => break None,
        }
    };
    let mut buffer = [0; 256];
    let woke = port.wait(until, &mut buffer);
    if let Some(input) = woke.input(&buffer) {
        machine.handle(input);
    }
    woke
}
