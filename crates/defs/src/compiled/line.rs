//! How to reach the unit, and the states it can be asked into.

use core::time::Duration;

use tickover_framing::kline;
use tickover_services::Effect;

use super::{List, Pattern, Step, Text};

/// A line.
#[derive(Clone, PartialEq, Debug)]
#[non_exhaustive]
pub enum Line {
    /// A K-line.
    KLine(KLine),
}

/// A K-line with what the session must know beyond bytes and times.
#[derive(Clone, PartialEq, Debug)]
pub struct KLine {
    /// Speed, initialisation, addresses, framing, timing.
    pub line: kline::Line,
    /// Whose service numbers hold. `None`: nobody's; `effects` lists what may be sent.
    pub services: Option<Services>,
    /// What keeps the unit listening.
    pub keep_alive: Option<KeepAlive>,
    /// Effects of commands that no standard knows, by first byte. One not listed is never sent.
    pub effects: List<(u8, Effect)>,
    /// How a unit with declared framing refuses.
    pub refusal: Option<Refusal>,
}

/// Whose service numbers hold.
#[derive(Clone, Copy, PartialEq, Eq, Debug)]
pub enum Services {
    /// ISO 14230-3.
    Iso14230,
    /// ISO 14229-1.
    Iso14229,
}

/// A request that keeps the unit listening.
#[derive(Clone, PartialEq, Debug)]
pub struct KeepAlive {
    /// The request.
    pub send: List<u8>,
    /// What its answer starts with; `None`: it is not answered.
    pub expect: Option<Pattern>,
    /// Sent when nothing else has been for this long.
    pub every: Duration,
}

/// A refusal of declared framing: bytes in front of the code, and what codes mean.
#[derive(Clone, PartialEq, Debug)]
pub struct Refusal {
    /// What the answer starts with.
    pub prefix: List<u8>,
    /// Meaning of each code.
    pub meanings: List<(u8, Text)>,
}

/// A state that the unit can be asked into.
#[derive(Clone, PartialEq, Debug)]
pub struct SessionState {
    /// Its name.
    pub name: Text,
    /// Steps that enter it.
    pub enter: List<Step>,
    /// The line as it is from the end of the last answer on.
    pub line: Line,
}
