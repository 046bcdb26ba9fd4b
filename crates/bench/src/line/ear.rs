//! How a station hears: whole characters at its own speed, or bit by bit when there is more than one thing to hear.
//!
//! As long as one station talks at the listener's speed, a character is heard as it was sent, at the end of its stop
//! bit. When talkers overlap, or the speed is another one, the listener samples the wired AND in the middle of each
//! of its own bits from the falling edge on, as a UART does. A character without a stop bit or with the wrong parity
//! is passed on as Linux does: without parity it vanishes unless it is a break (all low), which reads as 00; with
//! parity it reads as 00.

use tickover_framing::contract::Level;
use tickover_framing::time::Instant;

use super::wire::{Shape, Wire};
use crate::station::Who;

/// One listener.
#[derive(Clone, Debug)]
pub(super) struct Ear {
    pub(super) shape: Shape,
    /// A station that does not hear itself names itself here.
    pub(super) deaf_to: Option<Who>,
    sampling: Option<Sampling>,
}

#[derive(Clone, Copy, Debug)]
struct Sampling {
    since: Instant,
    /// The line may be low now without a start bit.
    first_high: bool,
}

impl Ear {
    pub(super) const fn new(deaf_to: Option<Who>) -> Self {
        Self { shape: Shape::BEFORE, deaf_to, sampling: None }
    }

    pub(super) const fn is_sampling(&self) -> bool {
        self.sampling.is_some()
    }

    /// Samples from `from` on; until then the line was high.
    pub(super) fn sample_from(&mut self, from: Instant) {
        self.sampling.get_or_insert(Sampling { since: from, first_high: false });
    }

    /// From when on the past still matters to this listener.
    pub(super) fn needs_since(&self) -> Option<Instant> {
        self.sampling.map(|sampling| sampling.since)
    }

    /// Hears whole characters again.
    pub(super) fn stop_sampling(&mut self) {
        self.sampling = None;
    }

    /// When the next character has been sampled, as far as the wire is known.
    pub(super) fn due(&self, wire: &Wire) -> Option<Instant> {
        self.start_bit(wire).map(|fall| fall.after(self.shape.char_time().one()))
    }

    fn start_bit(&self, wire: &Wire) -> Option<Instant> {
        let Sampling { since, first_high } = self.sampling?;
        let since = if first_high { wire.turns(since, self.deaf_to, Level::High)? } else { since };
        wire.turns(since, self.deaf_to, Level::Low)
    }

    /// Takes the character that [`due`](Self::due) announced; `None` if it vanishes.
    pub(super) fn take(&mut self, wire: &Wire) -> Option<u8> {
        let fall = self.start_bit(wire)?;
        let bit = |bit: u64| {
            let middle = fall.after(self.shape.half_bits(2 * bit + 1));
            wire.level(middle, self.deaf_to) == Level::High
        };
        let byte = (0..8).fold(0, |byte, k| byte | u8::from(bit(k + 1)) << k);
        let stop_at = 9 + u64::from(self.shape.has_parity());
        let (parity, stop) = (bit(9), bit(stop_at));
        let heard = if stop && self.shape.parity_fits(byte, parity) {
            Some(byte)
        } else if self.shape.has_parity() || (!stop && byte == 0) {
            Some(0)
        } else {
            None
        };
        // A start bit may follow from the middle of the stop bit on.
        let since = fall.after(self.shape.half_bits(2 * stop_at + 1));
        self.sampling = Some(Sampling { since, first_high: true });
        heard
    }
}
