//! Who wins the bus, how long a frame takes there, and who can read it.

use core::time::Duration;

use tickover_framing::can::{Frame, FrameKind, Id};
use tickover_framing::contract::Speed;
use tickover_framing::time::Instant;

use crate::station::Who;

/// The rates that a participant runs at.
#[derive(Clone, Copy, PartialEq, Eq, Debug)]
pub(super) struct Rates {
    pub(super) bit_rate: u32,
    pub(super) data_rate: Option<u32>,
    pub(super) listen_only: bool,
}

impl Rates {
    pub(super) const fn of(speed: Speed) -> Option<Self> {
        match speed {
            Speed::Can { bit_rate, data_rate, listen_only } if bit_rate > 0 && !matches!(data_rate, Some(0)) => {
                Some(Self { bit_rate, data_rate, listen_only })
            }
            _ => None,
        }
    }

    pub(super) const fn speed(self) -> Speed {
        Speed::Can { bit_rate: self.bit_rate, data_rate: self.data_rate, listen_only: self.listen_only }
    }

    /// Whether somebody at these rates reads a frame that was sent at those.
    pub(super) fn read(self, frame: &Frame, sent_at: Self) -> bool {
        let data_phase = match (frame.kind, self.data_rate, sent_at.data_rate) {
            (FrameKind::Classic | FrameKind::Remote, ..) => true,
            (FrameKind::Fd { switch_rate: true }, Some(own), Some(sent)) => same(own, sent),
            // A controller without FD takes such a frame for an error (ISO 11898-1:2015 annex A).
            (FrameKind::Fd { switch_rate }, own, _) => own.is_some() && !switch_rate,
        };
        same(self.bit_rate, sent_at.bit_rate) && data_phase
    }

    pub(super) fn frame(self, frame: &Frame) -> Duration {
        frame.time(self.bit_rate, self.data_rate)
    }

    pub(super) const fn bits(self, count: u64) -> Duration {
        Duration::from_nanos((count * 1_000_000_000).div_ceil(self.bit_rate as u64))
    }
}

/// Two clocks understand each other within 0.5 % (common practice, no source: crystals are far better, a wrong
/// setting is far worse).
const fn same(a: u32, b: u32) -> bool {
    a.abs_diff(b) as u64 * 200 <= a as u64
}

/// The arbitration field as one number: the smaller one wins, bit by bit from the front (ISO 11898-1:2015 10.4.2).
///
/// An 11-bit identifier wins against a 29-bit one that starts with the same bits: its RTR and IDE bits are dominant
/// where SRR and IDE of the other are recessive. A data frame wins against a remote frame.
pub(super) const fn priority(frame: &Frame) -> u32 {
    let remote = matches!(frame.kind, FrameKind::Remote) as u32;
    match frame.id {
        Id::Standard(id) => (id as u32) << 21 | remote << 20,
        Id::Extended(id) => (id >> 18) << 21 | 0b11 << 19 | (id & 0x3_FFFF) << 1 | remote,
    }
}

/// What is on the bus.
#[derive(Clone, Debug)]
pub(super) struct Running {
    /// Whoever won the arbitration: more than one if they started with the same identifier.
    pub(super) senders: Vec<Who>,
    pub(super) frame: Frame,
    pub(super) rates: Rates,
    pub(super) start: Instant,
    pub(super) end: Instant,
    /// Two different frames with one identifier, or a sender that went away in the middle.
    pub(super) spoiled: bool,
}

#[cfg(test)]
mod tests {
    use tickover_framing::contract::Chunk;

    use super::*;

    fn frame(id: Id, kind: FrameKind) -> Frame {
        Frame { id, kind, data: Chunk::split_from(&[]).0 }
    }

    /// ISO 11898-1:2015 10.4.2 and 10.4.3: arbitration from the most significant bit, dominant wins.
    #[test]
    fn lower_numbers_eleven_bits_and_data_win() {
        let order = [
            frame(Id::Standard(0x000), FrameKind::Classic),
            frame(Id::Extended(0x0000_0000), FrameKind::Classic),
            frame(Id::Extended(0x0003_FFFF), FrameKind::Classic),
            frame(Id::Standard(0x001), FrameKind::Classic),
            frame(Id::Standard(0x001), FrameKind::Remote),
            frame(Id::Extended(0x0004_0000), FrameKind::Classic),
            frame(Id::Extended(0x0004_0000), FrameKind::Remote),
            frame(Id::Extended(0x0004_0001), FrameKind::Classic),
            frame(Id::Standard(0x7FF), FrameKind::Classic),
            frame(Id::Extended(0x1FFF_FFFF), FrameKind::Remote),
        ];
        assert!(order.windows(2).all(|pair| priority(&pair[0]) < priority(&pair[1])), "{order:?}");
    }

    #[test]
    fn another_rate_or_fd_without_a_data_rate_is_not_read() {
        let rates = |bit_rate, data_rate| Rates { bit_rate, data_rate, listen_only: false };
        let classic = frame(Id::Standard(1), FrameKind::Classic);
        let fast = frame(Id::Standard(1), FrameKind::Fd { switch_rate: true });
        let slow = frame(Id::Standard(1), FrameKind::Fd { switch_rate: false });
        let (plain, fd, faster) =
            (rates(500_000, None), rates(500_000, Some(2_000_000)), rates(500_000, Some(4_000_000)));
        assert!(plain.read(&classic, fd) && !plain.read(&classic, rates(250_000, None)));
        assert!(!plain.read(&slow, fd) && faster.read(&slow, fd));
        assert!(fd.read(&fast, fd) && !faster.read(&fast, fd));
    }
}
