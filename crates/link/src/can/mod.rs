//! CAN buses of the real world: an interface of the Linux kernel, an adapter that speaks slcan, a bus elsewhere on
//! the network.
//!
//! All three hand in frames with the time of their end, take `Act::Speed` as far as they can, and forget frames
//! that no [`Filter`] wants: [`SocketCan`] has the kernel do that.

pub mod slcan;
#[cfg(target_os = "linux")]
mod socket_can;
pub mod socketcand;

use std::time::Duration;

use tickover_framing::Instant;
use tickover_framing::can::{Filter, Frame, Id};
use tickover_framing::contract::Speed;
use tickover_framing::drive::Woke;

pub use slcan::Slcan;
#[cfg(target_os = "linux")]
pub use socket_can::SocketCan;
pub use socketcand::SocketCand;

/// Looks at a port in a row that brought nothing wanted, before its owner is asked what else there is: a flood of
/// what is not wanted keeps him neither from his deadlines nor from his commands.
const LOOKS: usize = 256;

/// What a wait of so many fruitless looks ends with.
fn fruitless(now: Instant, until: Option<Instant>) -> Woke {
    match until {
        Some(until) if until <= now => Woke::Deadline { now },
        _ => Woke::Command,
    }
}

/// Which frames are handed in: all, until somebody says which.
#[derive(Clone, Default, Debug)]
struct Wanted(Option<Vec<Filter>>);

impl Wanted {
    fn only(filters: &[Filter]) -> Self {
        Self(Some(filters.to_vec()))
    }

    fn takes(&self, id: Id) -> bool {
        self.0.as_ref().is_none_or(|filters| filters.iter().any(|filter| filter.takes(id)))
    }
}

/// Times of frames handed over to somebody who does not tell when they were sent: one after the other, each for
/// its time on the wire.
#[derive(Clone, Copy, Default, Debug)]
struct Computed {
    speed: Option<Speed>,
    /// When the last frame handed over is out.
    free: Instant,
}

impl Computed {
    /// Start and end of a frame handed over `now`.
    fn send(&mut self, now: Instant, frame: &Frame) -> (Instant, Instant) {
        let start = now.max(self.free);
        self.free = start.after(time_on_wire(frame, self.speed));
        (start, self.free)
    }
}

/// How long a frame takes on the wire at most; nothing while the speed is not known.
fn time_on_wire(frame: &Frame, speed: Option<Speed>) -> Duration {
    match speed {
        Some(Speed::Can { bit_rate: bit_rate @ 1.., data_rate, .. }) => frame.time(bit_rate, data_rate),
        _ => Duration::ZERO,
    }
}
