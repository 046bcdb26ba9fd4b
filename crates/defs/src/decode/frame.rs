//! Whether a frame is one to decode: its counter and checksum.

use core::fmt;

use crate::compiled::{FrameRules, Record};

/// Why a frame is not decoded.
#[derive(Clone, Copy, PartialEq, Eq, Hash, Debug)]
#[non_exhaustive]
pub enum FrameMistake {
    /// Another number of bytes than the record has.
    Length {
        /// Fewest and most bytes that the definition allows.
        expected: (u16, u16),
        /// Bytes that came.
        came: usize,
    },
    /// The checksum byte does not fit.
    Checksum {
        /// What it had to be.
        expected: u8,
        /// What it was.
        came: u8,
    },
    /// The counter did not count up by one.
    Counter {
        /// What it had to be.
        expected: u8,
        /// What it was.
        came: u8,
    },
}

#[cfg(feature = "std")]
impl FrameMistake {
    /// The length is allowed, and the frame ends before its counter or checksum all the same.
    pub(crate) fn is_of_rules(self) -> bool {
        matches!(self, Self::Length { expected: (least, most), came }
            if (usize::from(least)..=usize::from(most)).contains(&came))
    }
}

impl fmt::Display for FrameMistake {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        match self {
            Self::Length { expected: (least, most), came } if least == most => {
                write!(f, "the frame has {came} bytes, the definition says {least}")
            }
            Self::Length { expected: (least, most), came } => {
                write!(f, "the frame has {came} bytes, the definition says {least} to {most}")
            }
            Self::Checksum { expected, came } => {
                write!(f, "the checksum byte is {came:02X}, the bytes give {expected:02X}")
            }
            Self::Counter { expected, came } => write!(f, "the counter stands at {came}, it had to be {expected}"),
        }
    }
}

impl core::error::Error for FrameMistake {}

/// Checks a frame's length, checksum and counter; the readings are then those of [`record`](super::record()).
///
/// `last` is the count of the frame before, kept by the caller for each frame: the first may carry any. It moves on also
/// with a frame that is not decoded: one with a wrong checksum took its place in the count.
///
/// # Errors
/// [`FrameMistake`] says which of them is wrong, checksum before counter. A counter that jumped is the reference for the
/// next frame.
pub fn frame(record: &Record, rules: &FrameRules, data: &[u8], last: &mut Option<u8>) -> Result<(), FrameMistake> {
    let expected = rules.counter.zip(*last).map(|(counter, last)| counter.after(last));
    if !(usize::from(record.length.0)..=usize::from(record.length.1)).contains(&data.len()) {
        *last = expected;
        return Err(FrameMistake::Length { expected: record.length, came: data.len() });
    }
    if let Some(checksum) = &rules.checksum {
        let came = data.get(usize::from(checksum.at)).copied();
        match checksum.of(data).zip(came) {
            Some((fits, came)) if fits == came => {}
            Some((fits, came)) => {
                *last = expected;
                return Err(FrameMistake::Checksum { expected: fits, came });
            }
            // A frame of varying length that ends before its checksum.
            None => {
                *last = expected;
                return Err(FrameMistake::Length { expected: record.length, came: data.len() });
            }
        }
    }
    if let Some(counter) = rules.counter {
        let Some(came) = counter.read(data) else {
            *last = expected;
            return Err(FrameMistake::Length { expected: record.length, came: data.len() });
        };
        *last = Some(came);
        if let Some(expected) = expected.filter(|expected| *expected != came) {
            return Err(FrameMistake::Counter { expected, came });
        }
    }
    Ok(())
}

#[cfg(test)]
mod tests {
    use std::borrow::Cow;

    use super::*;
    use crate::compiled::{ChecksumMethod, Counter, Direction, Every, FrameChecksum, Pattern, Read, Template};
    use crate::value::RecordId;

    const RULES: FrameRules = FrameRules {
        direction: Direction::Heard,
        counter: Some(Counter { at: 1, low_bit: 0, width: 4 }),
        checksum: Some(FrameChecksum { at: 2, method: ChecksumMethod::Xor8, over: (0, 1), start: 0 }),
    };

    fn record() -> Record {
        Record {
            id: RecordId(0),
            read: Read::Frame(tickover_framing::can::Id::Standard(0x1B4)),
            request: Template(Cow::Borrowed(&[])),
            answer: Pattern(Cow::Borrowed(&[])),
            length: (3, 3),
            reserved: Cow::Borrowed(&[]),
            every: Every::OnEvent,
            session: None,
            channels: Cow::Borrowed(&[]),
            frame: Some(RULES),
        }
    }

    fn counted(count: u8) -> [u8; 3] {
        [0xA5, 0xF0 | count, 0xA5 ^ (0xF0 | count)]
    }

    #[test]
    fn the_first_frame_may_carry_any_count_and_each_next_one_more() {
        let (record, mut last) = (record(), None);
        for count in [14, 15, 0, 1] {
            assert_eq!(frame(&record, &RULES, &counted(count), &mut last), Ok(()));
        }
    }

    #[test]
    fn a_count_that_stands_still_or_jumps_is_not_decoded_and_the_next_counts_from_it() {
        let (record, mut last) = (record(), Some(3));
        let wrong = Err(FrameMistake::Counter { expected: 4, came: 3 });
        assert_eq!(frame(&record, &RULES, &counted(3), &mut last), wrong);
        assert_eq!(frame(&record, &RULES, &counted(4), &mut last), Ok(()));
        let wrong = Err(FrameMistake::Counter { expected: 5, came: 9 });
        assert_eq!(frame(&record, &RULES, &counted(9), &mut last), wrong);
        assert_eq!(frame(&record, &RULES, &counted(10), &mut last), Ok(()));
    }

    #[test]
    fn a_frame_with_a_wrong_checksum_took_its_place_in_the_count() {
        let (record, mut last) = (record(), Some(3));
        let broken = [0xA5, 0xF4, 0x00];
        let wrong = Err(FrameMistake::Checksum { expected: 0x51, came: 0x00 });
        assert_eq!(frame(&record, &RULES, &broken, &mut last), wrong);
        assert_eq!(frame(&record, &RULES, &counted(5), &mut last), Ok(()));
    }

    #[test]
    fn another_length_is_not_decoded() {
        let (record, mut last) = (record(), None);
        let wrong = frame(&record, &RULES, &[0xA5], &mut last).unwrap_err();
        assert_eq!(wrong, FrameMistake::Length { expected: (3, 3), came: 1 });
        let short = Record { length: (1, 3), ..record };
        let wrong = frame(&short, &RULES, &[0xA5], &mut last).unwrap_err();
        assert_eq!(wrong, FrameMistake::Length { expected: (1, 3), came: 1 }, "it ends before its checksum");
    }
}
