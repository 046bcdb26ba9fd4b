//! Block framing of units before the standards, declared field by field.

use super::message::{DataLength, sum8};

/// The most bytes of a declared frame.
pub const FRAME_MAX: usize = 255 + BlockFraming::FIELDS;

/// A frame's fields in order, what its length byte counts, how it is checked.
#[derive(Clone, Copy, PartialEq, Eq, Debug)]
pub struct BlockFraming {
    /// The fields in the order sent; those after `count` mean nothing.
    pub fields: [BlockField; Self::FIELDS],
    /// How many fields there are.
    pub count: u8,
    /// What the length field counts.
    pub length_counts: LengthCounts,
    /// How the checksum field is computed, over everything before it.
    pub checksum: Checksum,
}

/// One field of a frame.
#[derive(Clone, Copy, PartialEq, Eq, Debug)]
pub enum BlockField {
    /// The control unit's address, in requests and in answers.
    Unit,
    /// The tester's address, in requests and in answers.
    Tester,
    /// The length byte.
    Length,
    /// The data: once.
    Data,
    /// The checksum: once, last.
    Checksum,
    /// A byte that is always the same.
    Constant(u8),
}

/// What a length field counts.
#[derive(Clone, Copy, PartialEq, Eq, Debug)]
pub enum LengthCounts {
    /// Every byte of the frame.
    WholeFrame,
    /// The bytes that come after the length byte, checksum included.
    AfterLength,
    /// The data bytes alone.
    Data,
}

/// How a declared frame is checked.
#[derive(Clone, Copy, PartialEq, Eq, Debug)]
pub enum Checksum {
    /// Exclusive or of all bytes before it.
    Xor8,
    /// Sum modulo 256 of all bytes before it.
    Sum8,
    /// The sum's two's complement: all bytes of the frame add up to zero.
    NegatedSum8,
}

impl Checksum {
    /// The check of `bytes`.
    pub fn of(self, bytes: &[u8]) -> u8 {
        match self {
            Self::Xor8 => bytes.iter().fold(0, |sum, byte| sum ^ byte),
            Self::Sum8 => sum8(bytes),
            Self::NegatedSum8 => sum8(bytes).wrapping_neg(),
        }
    }
}

/// Why fields make no frame that can be read again.
#[derive(Clone, Copy, PartialEq, Eq, Debug, thiserror::Error)]
#[non_exhaustive]
pub enum BlockMistake {
    /// More fields than a frame has.
    #[error("a frame has at most {} fields", BlockFraming::FIELDS)]
    Fields,
    /// No data, or data twice.
    #[error("a frame has its data exactly once")]
    Data,
    /// The length stands twice or behind the data.
    #[error("a frame has its length at most once, before the data")]
    Length,
    /// No checksum, two, or not at the end.
    #[error("a frame has one checksum, and it is the last field")]
    Checksum,
}

impl BlockFraming {
    /// The most fields that a frame has.
    pub const FIELDS: usize = 8;

    /// A framing of these fields.
    ///
    /// ```
    /// use tickover_framing::kline::{BlockField::*, BlockFraming, Checksum as Sum, LengthCounts};
    /// let framing = BlockFraming::new(&[Unit, Length, Data, Checksum], LengthCounts::WholeFrame, Sum::Xor8)?;
    /// let mut frame = [0; 16];
    /// let len = framing.emit(0x31, 0xF1, &[0x07, 0x02], &mut frame)?;
    /// assert_eq!(frame[..len], [0x31, 0x05, 0x07, 0x02, 0x31]);
    /// # Ok::<(), Box<dyn std::error::Error>>(())
    /// ```
    ///
    /// # Errors
    /// [`BlockMistake`] names the rule that the fields break.
    pub fn new(fields: &[BlockField], length_counts: LengthCounts, checksum: Checksum) -> Result<Self, BlockMistake> {
        let mut held = [BlockField::Constant(0); Self::FIELDS];
        held.get_mut(..fields.len()).ok_or(BlockMistake::Fields)?.copy_from_slice(fields);
        let framing = Self { fields: held, count: fields.len() as u8, length_counts, checksum };
        framing.check()?;
        Ok(framing)
    }

    /// Whether frames of these fields can be read again.
    ///
    /// # Errors
    /// [`BlockMistake`] names the rule that the fields break.
    pub fn check(&self) -> Result<(), BlockMistake> {
        let fields = self.fields.get(..usize::from(self.count)).ok_or(BlockMistake::Fields)?;
        let count = |field| fields.iter().filter(|f| **f == field).count();
        if count(BlockField::Data) != 1 {
            return Err(BlockMistake::Data);
        }
        let behind = |f: &&BlockField| **f == BlockField::Data;
        let data_first = fields.iter().find(|f| behind(f) || **f == BlockField::Length) == Some(&BlockField::Data);
        if count(BlockField::Length) > 1 || (count(BlockField::Length) == 1 && data_first) {
            return Err(BlockMistake::Length);
        }
        if count(BlockField::Checksum) != 1 || fields.last() != Some(&BlockField::Checksum) {
            return Err(BlockMistake::Checksum);
        }
        Ok(())
    }

    /// The fields in the order sent.
    pub fn fields(&self) -> &[BlockField] {
        self.fields.get(..usize::from(self.count)).unwrap_or(&self.fields)
    }

    /// Whether the frame says how long it is; if not, a pause ends it.
    pub fn has_length(&self) -> bool {
        self.fields().contains(&BlockField::Length)
    }

    /// Bytes of a frame around its data.
    pub fn overhead(&self) -> usize {
        self.fields().iter().filter(|f| **f != BlockField::Data).count()
    }

    /// The most data bytes of a frame: what the length byte can count, 255 without one.
    pub fn longest(&self) -> usize {
        if self.has_length() { 255 - self.counted_overhead() } else { 255 }
    }

    /// Bytes that the length counts beside the data.
    fn counted_overhead(&self) -> usize {
        match self.length_counts {
            LengthCounts::WholeFrame => self.overhead(),
            LengthCounts::AfterLength => {
                let until_length = self.fields().iter().position(|f| *f == BlockField::Length).map_or(0, |at| at + 1);
                self.overhead().saturating_sub(until_length)
            }
            LengthCounts::Data => 0,
        }
    }

    /// Writes a frame to the start of `into` and returns how many bytes it takes.
    ///
    /// # Errors
    /// [`DataLength`] if there are no data, more than [`longest`](Self::longest), or `into` is too short;
    /// [`FRAME_MAX`] bytes are always enough.
    pub fn emit(&self, unit: u8, tester: u8, data: &[u8], into: &mut [u8]) -> Result<usize, DataLength> {
        let refused = DataLength { length: data.len(), limit: self.longest() };
        if data.is_empty() || data.len() > self.longest() {
            return Err(refused);
        }
        let mut at = 0;
        for field in self.fields() {
            let byte = match field {
                BlockField::Unit => unit,
                BlockField::Tester => tester,
                BlockField::Length => (data.len() + self.counted_overhead()) as u8,
                BlockField::Constant(byte) => *byte,
                BlockField::Checksum => self.checksum.of(into.get(..at).ok_or(refused)?),
                BlockField::Data => {
                    into.get_mut(at..at + data.len()).ok_or(refused)?.copy_from_slice(data);
                    at += data.len();
                    continue;
                }
            };
            *into.get_mut(at).ok_or(refused)? = byte;
            at += 1;
        }
        Ok(at)
    }

    /// How long the frame that starts with `bytes` is; `None` if only a pause can tell.
    ///
    /// # Errors
    /// [`BlockError`]: the length has not come yet, counts less than a frame with one data byte, or a constant
    /// byte differs.
    pub fn whole_len(&self, bytes: &[u8]) -> Result<Option<usize>, BlockError> {
        for (at, field) in self.fields().iter().enumerate() {
            match (field, bytes.get(at)) {
                (BlockField::Data, _) => return Ok(None),
                (BlockField::Constant(expected), Some(&found)) if found != *expected => {
                    return Err(BlockError::Constant { at, found, expected: *expected });
                }
                (BlockField::Length, Some(&counted)) => {
                    let data = usize::from(counted).saturating_sub(self.counted_overhead());
                    return match data {
                        0 => Err(BlockError::Length { found: counted }),
                        _ => Ok(Some(self.overhead() + data)),
                    };
                }
                (_, None) => return Err(BlockError::Incomplete(self.overhead() + 1 - bytes.len())),
                _ => {}
            }
        }
        Ok(None)
    }

    /// Reads one frame: from the start of `bytes` if it says its length, else all of them.
    ///
    /// # Errors
    /// [`BlockError`] says what is wrong and where.
    pub fn parse<'a>(&self, bytes: &'a [u8]) -> Result<(BlockView<'a>, &'a [u8]), BlockError> {
        let whole = match self.whole_len(bytes)? {
            Some(whole) => whole,
            None => bytes.len().max(self.overhead() + 1),
        };
        let Some((frame, rest)) = bytes.split_at_checked(whole) else {
            return Err(BlockError::Incomplete(whole - bytes.len()));
        };
        let mut view = BlockView { unit: None, tester: None, data: &[] };
        let mut at = 0;
        for field in self.fields() {
            let one = frame.get(at).copied().unwrap_or_default();
            match field {
                BlockField::Unit => view.unit = Some(one),
                BlockField::Tester => view.tester = Some(one),
                BlockField::Length => {}
                BlockField::Constant(expected) if one != *expected => {
                    return Err(BlockError::Constant { at, found: one, expected: *expected });
                }
                BlockField::Constant(_) => {}
                BlockField::Checksum => {
                    let expected = self.checksum.of(frame.get(..at).unwrap_or_default());
                    if one != expected {
                        return Err(BlockError::Checksum { found: one, expected });
                    }
                }
                BlockField::Data => {
                    let end = at + whole.saturating_sub(self.overhead());
                    view.data = frame.get(at..end).unwrap_or_default();
                    at = end;
                    continue;
                }
            }
            at += 1;
        }
        Ok((view, rest))
    }
}

/// A complete frame borrowed from received bytes, its check made.
#[derive(Clone, Copy, PartialEq, Eq, Debug)]
pub struct BlockView<'a> {
    unit: Option<u8>,
    tester: Option<u8>,
    data: &'a [u8],
}

impl<'a> BlockView<'a> {
    /// The unit's address, if the frame has one.
    pub fn unit(&self) -> Option<u8> {
        self.unit
    }

    /// The tester's address, if the frame has one.
    pub fn tester(&self) -> Option<u8> {
        self.tester
    }

    /// The data: at least one byte.
    pub fn data(&self) -> &'a [u8] {
        self.data
    }
}

/// Why bytes are no frame.
#[derive(Clone, Copy, PartialEq, Eq, Debug, thiserror::Error)]
#[non_exhaustive]
pub enum BlockError {
    /// At least so many bytes are missing; exact once the length has come.
    #[error("the frame is not complete: {0} more bytes are needed")]
    Incomplete(usize),
    /// A byte that is always the same was another.
    #[error("byte {at} is {found:02X} where this framing always has {expected:02X}")]
    Constant {
        /// Which byte, from 0.
        at: usize,
        /// The byte that came.
        found: u8,
        /// The byte declared.
        expected: u8,
    },
    /// The length counts less than a frame with one data byte.
    #[error("length byte {found:02X} counts less than a frame with one data byte")]
    Length {
        /// The length byte.
        found: u8,
    },
    /// The check does not fit.
    #[error("checksum {found:02X} where {expected:02X} was expected")]
    Checksum {
        /// The check that came.
        found: u8,
        /// The check of what came before it.
        expected: u8,
    },
}

#[cfg(test)]
mod tests;
