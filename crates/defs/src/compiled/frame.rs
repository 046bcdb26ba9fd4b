//! What a frame of the bus carries beside its channels.

/// What a frame of the bus carries beside its channels.
#[derive(Clone, Copy, PartialEq, Eq, Debug)]
pub struct FrameRules {
    /// Heard, or sent by us.
    pub direction: Direction,
    /// Counts up by one from frame to frame.
    pub counter: Option<Counter>,
    /// Guards the frame.
    pub checksum: Option<FrameChecksum>,
}

/// Who sends a frame.
#[derive(Clone, Copy, PartialEq, Eq, Debug)]
pub enum Direction {
    /// A unit on the bus.
    Heard,
    /// We do, by permit; `fill` stands where no channel writes.
    Sent {
        /// What stands in bits that no channel writes.
        fill: u8,
    },
}

/// A counter in a frame: up by one a frame, then from 0 again.
#[derive(Clone, Copy, PartialEq, Eq, Debug)]
pub struct Counter {
    /// Byte of the frame.
    pub at: u16,
    /// Least significant bit used.
    pub low_bit: u8,
    /// Number of bits, 1 to 8.
    pub width: u8,
}

/// A checksum byte in a frame.
#[derive(Clone, Copy, PartialEq, Eq, Debug)]
pub struct FrameChecksum {
    /// Byte of the frame.
    pub at: u16,
    /// How it is computed.
    pub method: ChecksumMethod,
    /// First and last byte that it guards.
    pub over: (u16, u16),
    /// What the sum starts with.
    pub start: u8,
}

/// How a checksum byte is computed.
#[derive(Clone, Copy, PartialEq, Eq, Debug)]
#[non_exhaustive]
pub enum ChecksumMethod {
    /// Exclusive or of all bytes.
    Xor8,
    /// Sum modulo 256.
    Sum8,
    /// Sum modulo 256, negated.
    NegatedSum8,
}

impl Counter {
    /// The count in a frame's data; `None` if they end before it.
    pub fn read(self, data: &[u8]) -> Option<u8> {
        let byte = data.get(usize::from(self.at))?;
        Some(byte.checked_shr(u32::from(self.low_bit)).unwrap_or(0) & self.mask())
    }

    /// Writes a count; bits beside it stay.
    pub fn write(self, count: u8, data: &mut [u8]) {
        if let Some(byte) = data.get_mut(usize::from(self.at)) {
            let place = |bits: u8| bits.checked_shl(u32::from(self.low_bit)).unwrap_or(0);
            *byte = *byte & !place(self.mask()) | place(count & self.mask());
        }
    }

    /// What the frame after this count carries.
    pub const fn after(self, count: u8) -> u8 {
        count.wrapping_add(1) & self.mask()
    }

    /// The last count before 0.
    const fn mask(self) -> u8 {
        if self.width >= 8 { 0xFF } else { (1 << self.width) - 1 }
    }
}

impl FrameChecksum {
    /// What the checksum byte of these data has to be; `None` if they end before its last byte.
    pub fn of(&self, data: &[u8]) -> Option<u8> {
        let (first, last) = (usize::from(self.over.0), usize::from(self.over.1));
        let guarded = data.get(first..=last)?.iter();
        Some(match self.method {
            ChecksumMethod::Xor8 => guarded.fold(self.start, |sum, byte| sum ^ byte),
            ChecksumMethod::Sum8 => guarded.fold(self.start, |sum, byte| sum.wrapping_add(*byte)),
            ChecksumMethod::NegatedSum8 => guarded.fold(self.start, |sum, byte| sum.wrapping_add(*byte)).wrapping_neg(),
        })
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_counter_changes_its_own_bits_and_starts_again_after_its_last_count() {
        let counter = Counter { at: 1, low_bit: 4, width: 2 };
        let mut data = [0xFF, 0xFF];
        counter.write(1, &mut data);
        assert_eq!((data, counter.read(&data)), ([0xFF, 0xDF], Some(1)));
        assert_eq!([0, 1, 2, 3].map(|count| counter.after(count)), [1, 2, 3, 0]);
        assert_eq!(Counter { at: 0, low_bit: 0, width: 8 }.after(0xFF), 0);
        assert_eq!(counter.read(&[0]), None);
    }

    /// Common practice, no source: a frame whose bytes with their negated sum add up to nothing, computed by hand.
    #[test]
    fn the_three_checksums_of_one_frame() {
        let data = [0x12, 0xF0, 0x34];
        let of = |method, start| FrameChecksum { at: 3, method, over: (0, 2), start }.of(&data);
        assert_eq!(of(ChecksumMethod::Xor8, 0), Some(0xD6));
        assert_eq!(of(ChecksumMethod::Xor8, 0xFF), Some(0x29));
        assert_eq!(of(ChecksumMethod::Sum8, 0), Some(0x36));
        assert_eq!(of(ChecksumMethod::NegatedSum8, 0), Some(0xCA));
        assert_eq!(of(ChecksumMethod::NegatedSum8, 1), Some(0xC9));
        assert_eq!(FrameChecksum { at: 0, method: ChecksumMethod::Sum8, over: (1, 3), start: 0 }.of(&data), None);
    }
}
