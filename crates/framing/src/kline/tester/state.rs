//! Where a tester stands.

use super::opening::Opening;
use crate::contract::Lost;
use crate::kline::AccessTiming;
use crate::time::Instant;

#[derive(Clone, Copy, PartialEq, Eq, Debug)]
pub(super) enum Phase {
    Off,
    Dead(Lost),
    Opening(Opening),
    /// Connected, nothing asked.
    Ready,
    /// A request waits for P3min or is being sent.
    Asking,
    /// The window of an answer is open.
    Waiting,
}

#[derive(Clone, Copy, PartialEq, Eq, Debug)]
pub(super) enum Consequence {
    None,
    SetTiming(AccessTiming),
    DefaultTiming,
    Stop,
}

/// How the last connection ended: how long the line must be idle before the next.
#[derive(Clone, Copy, PartialEq, Eq, Debug)]
pub(super) enum Ended {
    Never,
    /// StopCommunication was answered, or an initialisation failed.
    Orderly,
    Otherwise,
}

#[derive(Clone, Copy, PartialEq, Eq, Debug)]
pub(super) enum SpeedState {
    Made,
    /// Our own bytes must be out first.
    Due,
    /// The act is under way.
    Asked,
}

/// Our own edges of an initialisation.
#[derive(Clone, Copy, PartialEq, Eq, Debug)]
pub(super) enum Edges {
    None,
    /// The pattern has begun and not ended.
    Moving,
    /// The last edge was then.
    Last(Instant),
}
