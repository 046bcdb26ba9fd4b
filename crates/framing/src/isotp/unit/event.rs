//! What a control unit's end of a conversation tells its owner.

use crate::contract::{Lost, Speed};
use crate::time::Instant;
use crate::transport::Noise;

/// What a control unit's end of a conversation tells its owner.
#[derive(Clone, Copy, PartialEq, Eq, Debug)]
#[non_exhaustive]
pub enum UnitEvent {
    /// A request: its bytes are [`Unit::request`](super::Unit::request) until the next `handle` or `poll_output`.
    Request {
        /// It went to a group of units.
        functional: bool,
        /// Start of its first frame; its end if the bus's speed is not known.
        start: Instant,
        /// End of its last frame: P2 runs from here.
        end: Instant,
    },
    /// An answer given by [`Unit::respond`](super::Unit::respond) is out.
    Sent {
        /// Start of its first frame.
        start: Instant,
        /// End of its last frame: the P2 of a further answer runs from here.
        end: Instant,
    },
    /// Something unusable came, or an answer was given up; the unit goes on.
    Noise {
        /// When.
        at: Instant,
        /// What.
        what: Noise,
    },
    /// The port cannot run at the line's speed: the unit is off.
    NotMade {
        /// Asked for.
        wanted: Speed,
        /// Read back, if anything.
        got: Option<Speed>,
    },
    /// The line is gone; this machine is dead.
    Down(Lost),
}
