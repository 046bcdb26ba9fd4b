//! What is on the wire: characters under way, levels held, and the level that results.
//!
//! Several talkers at once make the wired AND: low wins.

use core::time::Duration;

use tickover_framing::contract::{Chunk, Level, Parity, Speed};
use tickover_framing::time::{CharTime, Instant};

use crate::station::Who;

/// What a character looks like at one speed.
#[derive(Clone, Copy, PartialEq, Eq, Debug)]
pub(super) struct Shape {
    pub(super) baud: u32,
    pub(super) parity: Parity,
    pub(super) stop_bits: u8,
}

impl Shape {
    /// 10400 8N1: before anybody has set a speed.
    pub(super) const BEFORE: Self = Self { baud: 10_400, parity: Parity::None, stop_bits: 1 };

    pub(super) const fn of(speed: Speed) -> Option<Self> {
        match speed {
            Speed::Serial { baud, parity, stop_bits } if baud > 0 => Some(Self { baud, parity, stop_bits }),
            _ => None,
        }
    }

    pub(super) const fn speed(self) -> Speed {
        Speed::Serial { baud: self.baud, parity: self.parity, stop_bits: self.stop_bits }
    }

    pub(super) const fn bits(self) -> u8 {
        10 + self.has_parity() as u8 + self.stop_bits.saturating_sub(1)
    }

    pub(super) const fn has_parity(self) -> bool {
        !matches!(self.parity, Parity::None)
    }

    pub(super) const fn char_time(self) -> CharTime {
        CharTime::new(self.bits(), self.baud)
    }

    /// The time of `halves` half bits.
    pub(super) const fn half_bits(self, halves: u64) -> Duration {
        Duration::from_nanos((halves * 500_000_000 + self.baud as u64 / 2) / self.baud as u64)
    }

    /// Start bit, eight data bits, parity: 1 is high. Stop bits are high beyond them.
    fn pattern(self, byte: u8) -> u16 {
        let odd = byte.count_ones() % 2 == 1;
        let parity = match self.parity {
            Parity::None | Parity::Odd => !odd,
            Parity::Even => odd,
        } || !self.has_parity();
        u16::from(byte) << 1 | u16::from(parity) << 9 | 0xFC00
    }

    /// Whether `parity` (true: high) fits the byte.
    pub(super) fn parity_fits(self, byte: u8, parity: bool) -> bool {
        !self.has_parity() || (self.pattern(byte) >> 9 & 1 == 1) == parity
    }
}

/// Characters that one station sends without gaps, except for one injected delay.
#[derive(Clone, Debug)]
pub(super) struct Sending {
    pub(super) from: Who,
    pub(super) shape: Shape,
    pub(super) start: Instant,
    pub(super) chunk: Chunk,
    /// The first character whose stop bit has not ended.
    pub(super) next: usize,
    /// When it ends: kept, because every step asks for it.
    pub(super) next_end: Instant,
    /// From this character on, everything is later by `late_by`.
    pub(super) late_from: usize,
    pub(super) late_by: Duration,
}

impl Sending {
    pub(super) fn new(from: Who, shape: Shape, start: Instant, chunk: Chunk) -> Self {
        let next_end = start.after(shape.char_time().one());
        Self { from, shape, start, chunk, next: 0, next_end, late_from: usize::MAX, late_by: Duration::ZERO }
    }

    /// Delays the characters from `index` on.
    pub(super) fn delay(&mut self, index: usize, by: Duration) {
        (self.late_from, self.late_by) = (index, by);
        self.next_end = self.char_end(self.next);
    }

    /// The character that ends next; the one after it is then the next.
    pub(super) fn take(&mut self) -> Option<u8> {
        let byte = self.chunk.as_slice().get(self.next).copied();
        self.next += 1;
        self.next_end = self.char_end(self.next);
        byte
    }

    fn late(&self, index: usize) -> Duration {
        if index >= self.late_from { self.late_by } else { Duration::ZERO }
    }

    pub(super) fn char_start(&self, index: usize) -> Instant {
        self.start.after(self.shape.char_time().of(index)).after(self.late(index))
    }

    pub(super) fn char_end(&self, index: usize) -> Instant {
        self.start.after(self.shape.char_time().of(index + 1)).after(self.late(index))
    }

    pub(super) fn end(&self) -> Instant {
        self.char_end(self.chunk.as_slice().len().saturating_sub(1))
    }

    pub(super) fn is_over(&self) -> bool {
        self.next >= self.chunk.as_slice().len()
    }

    /// The start of bit `bit` of character `index`.
    fn edge(&self, index: usize, bit: u8) -> Instant {
        self.char_start(index).after(self.shape.half_bits(2 * u64::from(bit)))
    }

    /// True while this talker pulls the line low.
    fn is_low(&self, at: Instant) -> bool {
        let bytes = self.chunk.as_slice();
        // The last character that has started; there is none before the first.
        let Some(index) = (0..bytes.len()).rev().find(|&i| self.char_start(i) <= at) else { return false };
        let into = at.since(self.char_start(index)).as_nanos() as u64;
        let bit = into * u64::from(self.shape.baud) / 1_000_000_000;
        let Some(&byte) = bytes.get(index) else { return false };
        // Rounding of the boundaries: the bit whose edge has passed.
        let bit = if bit < 10 && self.edge(index, bit as u8 + 1) <= at { bit + 1 } else { bit };
        bit < 10 && self.shape.pattern(byte) >> bit & 1 == 0
    }

    /// The first bit boundary after `at`.
    fn boundary_after(&self, at: Instant) -> Option<Instant> {
        (0..self.chunk.as_slice().len())
            .flat_map(|index| (0..=10).map(move |bit| (index, bit)))
            .map(|(index, bit)| self.edge(index, bit))
            .find(|&edge| edge > at)
    }
}

/// A level that somebody holds: low from `since` on, until it is released.
#[derive(Clone, Copy, Debug)]
pub(super) struct Hold {
    pub(super) by: Who,
    pub(super) since: Instant,
    pub(super) until: Option<Instant>,
}

/// Everything on the wire now, and what a slow listener still needs of the past.
#[derive(Clone, Debug, Default)]
pub(super) struct Wire {
    pub(super) sendings: Vec<Sending>,
    pub(super) holds: Vec<Hold>,
}

impl Wire {
    /// The sending whose next character ends first.
    pub(super) fn first_end(&self) -> Option<(usize, Instant)> {
        let mut first: Option<(usize, Instant)> = None;
        for (place, sending) in self.sendings.iter().enumerate() {
            if !sending.is_over() && first.is_none_or(|(_, at)| sending.next_end < at) {
                first = Some((place, sending.next_end));
            }
        }
        first
    }

    /// The level for someone who does not hear `deaf_to`.
    pub(super) fn level(&self, at: Instant, deaf_to: Option<Who>) -> Level {
        let sent_low = self.sendings.iter().any(|s| Some(s.from) != deaf_to && s.is_low(at));
        let held_low =
            self.holds.iter().any(|h| Some(h.by) != deaf_to && h.since <= at && h.until.is_none_or(|until| at < until));
        if sent_low || held_low { Level::Low } else { Level::High }
    }

    /// The first instant from `from` on at which the line has `level`, as far as is known.
    pub(super) fn turns(&self, from: Instant, deaf_to: Option<Who>, level: Level) -> Option<Instant> {
        let mut at = from;
        loop {
            if self.level(at, deaf_to) == level {
                return Some(at);
            }
            at = self.boundary_after(at, deaf_to)?;
        }
    }

    fn boundary_after(&self, at: Instant, deaf_to: Option<Who>) -> Option<Instant> {
        let sent = self.sendings.iter().filter(|s| Some(s.from) != deaf_to).filter_map(|s| s.boundary_after(at));
        let held = self
            .holds
            .iter()
            .filter(|h| Some(h.by) != deaf_to)
            .flat_map(|h| [Some(h.since), h.until])
            .flatten()
            .filter(|&edge| edge > at);
        sent.chain(held).min()
    }

    /// Forgets what ended before `horizon`.
    pub(super) fn forget_before(&mut self, horizon: Instant) {
        self.sendings.retain(|s| !s.is_over() || s.end() > horizon);
        self.holds.retain(|h| h.until.is_none_or(|until| until > horizon));
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn sending(parity: Parity, byte: u8) -> Sending {
        let shape = Shape { baud: 1_000, parity, stop_bits: 1 };
        Sending::new(Who::Tester, shape, Instant::ORIGIN, Chunk::split_from(&[byte]).0)
    }

    fn levels(sending: &Sending, bits: u64) -> String {
        let middle = |bit| Instant::from_nanos(bit * 1_000_000 + 500_000);
        (0..bits).map(|bit| if sending.is_low(middle(bit)) { '0' } else { '1' }).collect()
    }

    /// common practice, no source: a start bit, data least significant bit first, even parity, a stop bit.
    #[test]
    fn a_character_is_start_data_parity_stop() {
        assert_eq!(levels(&sending(Parity::None, 0x31), 10), "0100011001");
        assert_eq!(levels(&sending(Parity::Even, 0x31), 11), "01000110011");
        assert_eq!(levels(&sending(Parity::Odd, 0x31), 11), "01000110001");
        assert_eq!(levels(&sending(Parity::Even, 0x33), 11), "01100110001");
    }

    #[test]
    fn low_wins_and_an_edge_is_found() {
        let mut wire = Wire::default();
        wire.sendings.push(sending(Parity::None, 0xFF));
        let hold_from = Instant::from_nanos(4_200_000);
        wire.holds.push(Hold { by: Who::Talker, since: hold_from, until: Some(Instant::from_nanos(6_000_000)) });
        assert_eq!(wire.level(Instant::from_nanos(5_000_000), None), Level::Low);
        assert_eq!(wire.level(Instant::from_nanos(5_000_000), Some(Who::Talker)), Level::High);
        assert_eq!(wire.turns(Instant::from_nanos(1_000_000), None, Level::Low), Some(hold_from));
        assert_eq!(wire.turns(hold_from, None, Level::High), Some(Instant::from_nanos(6_000_000)));
        assert_eq!(wire.turns(Instant::from_nanos(6_000_000), None, Level::Low), None);
    }
}
