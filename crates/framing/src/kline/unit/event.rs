//! What a control unit's end of the line tells its owner.

use crate::contract::{Lost, Speed};
use crate::kline::AccessTiming;
use crate::time::Instant;
use crate::transport::Noise;

/// What a control unit's end of the line tells its owner.
#[derive(Clone, Copy, PartialEq, Eq, Debug)]
#[non_exhaustive]
pub enum UnitEvent {
    /// A tester has initialised communication; told when the unit's last byte of that is out.
    Started {
        /// End of that byte.
        at: Instant,
    },
    /// A request for the application: its bytes are [`Unit::request`](super::Unit::request) until the next `handle` or `poll_output`.
    Request {
        /// It went to all units of a function.
        functional: bool,
        /// Start of its first bit.
        start: Instant,
        /// End of its last bit: P2 runs from here.
        end: Instant,
    },
    /// An answer given by [`Unit::respond`](super::Unit::respond) is out.
    Sent {
        /// Start of its first bit.
        start: Instant,
        /// End of its last bit: the P2 of a further answer runs from here.
        end: Instant,
    },
    /// The tester has set timing parameters; they hold from now on.
    TimingSet(AccessTiming),
    /// The tester has ended communication.
    Stopped {
        /// End of the answer to that.
        at: Instant,
    },
    /// P3max passed without a request: communication is over.
    TimedOut {
        /// When.
        at: Instant,
    },
    /// A good request that was ignored.
    Ignored {
        /// Start of its first bit.
        start: Instant,
        /// Why.
        why: Ignored,
    },
    /// Something unusable came: the unit stays silent.
    Noise {
        /// When.
        at: Instant,
        /// What.
        what: Noise,
    },
    /// The port cannot run at this speed: the unit is off.
    NotMade {
        /// Asked for.
        wanted: Speed,
        /// Read back, if anything.
        got: Option<Speed>,
    },
    /// The line is gone; this machine is dead.
    Down(Lost),
}

/// Why a good request was ignored.
#[derive(Clone, Copy, PartialEq, Eq, Debug)]
#[non_exhaustive]
pub enum Ignored {
    /// It started before P3min was over.
    P3Min,
    /// It is for another address.
    Foreign,
    /// There is no communication, and this request starts none: no pulse, TWup not kept, or another request.
    NotStarted,
    /// An answer is under way or waits for its time.
    Answering,
    /// Its header is of a form that the key bytes do not announce.
    Header,
}
