//! What senders and receivers of one end have in common.

use core::time::Duration;

use super::Line;
use crate::can::Frame;
use crate::contract::{Known, Speed};
use crate::time::Instant;
use crate::transport::Reach;

#[derive(Clone, Copy, Debug)]
pub(crate) struct Settings {
    pub(crate) line: Line,
    reach: Reach,
    /// The bus's speed, if it is known: frames have a start then.
    speed: Option<Speed>,
    /// WAITs before every other flow control, and the time before each of the next ones.
    pub(crate) waits: u8,
    pub(crate) wait_every: Duration,
    /// Instead of the STmin that the other side asks for.
    pub(crate) separation: Option<Duration>,
}

impl Settings {
    pub(crate) const fn new(line: Line, reach: Reach) -> Self {
        Self { line, reach, speed: line.speed, waits: 0, wait_every: Duration::ZERO, separation: None }
    }

    pub(crate) fn assume_speed(&mut self, speed: Speed) {
        self.speed = Some(speed);
    }

    /// When a frame has left the port for sure.
    pub(crate) fn out_for_sure(&self, end: Instant, known: Known) -> Instant {
        match known {
            Known::Measured => end,
            Known::Computed => end.after(self.reach.late_out),
        }
    }

    /// When a confirmation is missing.
    pub(crate) fn confirmation_limit(&self, handed_over: Instant, limit: Duration) -> Instant {
        handed_over.after(limit).after(self.reach.late_out).after(self.reach.late_in)
    }

    /// When a frame from the other side is missing.
    pub(crate) fn limit(&self, from: Instant, limit: Duration) -> Instant {
        from.after(limit).after(self.reach.late_in)
    }

    /// First bit of a frame that ended at `end`; its end if the speed is not known.
    pub(crate) fn start_of(&self, frame: &Frame, end: Instant) -> Instant {
        end.before(self.time_of(frame))
    }

    /// Time of a frame on the bus; zero if the speed is not known.
    pub(crate) fn time_of(&self, frame: &Frame) -> Duration {
        match self.speed {
            Some(Speed::Can { bit_rate, data_rate, .. }) => frame.time(bit_rate, data_rate),
            Some(Speed::Serial { .. }) | None => Duration::ZERO,
        }
    }
}

/// Whether the port runs at the wanted speed.
pub(crate) fn is_made(wanted: Speed, got: Option<Speed>) -> bool {
    let (Speed::Can { bit_rate: wanted, data_rate: wanted_data, .. }, Some(Speed::Can { bit_rate, data_rate, .. })) =
        (wanted, got)
    else {
        return false;
    };
    wanted == bit_rate && wanted_data.is_none_or(|wanted| data_rate == Some(wanted))
}
