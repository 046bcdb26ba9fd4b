//! Invented framings: there is no outside reference for them.

use super::BlockField::{Checksum as Sum, Constant, Data, Length, Tester, Unit};
use super::*;

fn emitted(framing: &BlockFraming, data: &[u8]) -> std::vec::Vec<u8> {
    let mut out = [0; FRAME_MAX];
    let len = framing.emit(0x31, 0xF1, data, &mut out).unwrap();
    out[..len].to_vec()
}

#[test]
fn the_length_counts_what_was_declared() {
    let fields = [Constant(0xA5), Unit, Length, Tester, Data, Constant(0x03), Sum];
    let cases = [(LengthCounts::WholeFrame, 8), (LengthCounts::AfterLength, 5), (LengthCounts::Data, 2)];
    for (counts, length) in cases {
        let framing = BlockFraming::new(&fields, counts, Checksum::Sum8).unwrap();
        let frame = emitted(&framing, &[0x07, 0x02]);
        assert_eq!(frame[..7], [0xA5, 0x31, length, 0xF1, 0x07, 0x02, 0x03], "{counts:?}");
        let (view, rest) = framing.parse(&frame).unwrap();
        assert_eq!((view.unit(), view.tester(), view.data()), (Some(0x31), Some(0xF1), &[0x07, 0x02][..]));
        assert!(rest.is_empty());
    }
}

/// Worked by hand over 31 05 07 02: exclusive or 31, sum 3F, its complement C1.
#[test]
fn checks_are_those_declared() {
    for (checksum, expected) in [(Checksum::Xor8, 0x31), (Checksum::Sum8, 0x3F), (Checksum::NegatedSum8, 0xC1)] {
        let framing = BlockFraming::new(&[Unit, Length, Data, Sum], LengthCounts::WholeFrame, checksum).unwrap();
        let mut frame = emitted(&framing, &[0x07, 0x02]);
        assert_eq!(frame, [0x31, 0x05, 0x07, 0x02, expected]);
        *frame.last_mut().unwrap() ^= 0x10;
        let found = expected ^ 0x10;
        assert_eq!(framing.parse(&frame), Err(BlockError::Checksum { found, expected }));
    }
}

#[test]
fn a_frame_says_what_is_wrong_with_it() {
    let fields = [Constant(0xA5), Length, Data, Sum];
    let framing = BlockFraming::new(&fields, LengthCounts::WholeFrame, Checksum::Xor8).unwrap();
    assert_eq!(framing.parse(&[0xA4]), Err(BlockError::Constant { at: 0, found: 0xA4, expected: 0xA5 }));
    assert_eq!(framing.parse(&[0xA5, 0x03]), Err(BlockError::Length { found: 0x03 }));
    assert_eq!(framing.parse(&[]), Err(BlockError::Incomplete(4)));
    assert_eq!(framing.parse(&[0xA5]), Err(BlockError::Incomplete(3)));
    assert_eq!(framing.parse(&[0xA5, 0x06]), Err(BlockError::Incomplete(4)));
}

#[test]
fn without_a_length_all_bytes_are_the_frame() {
    let framing = BlockFraming::new(&[Unit, Data, Sum], LengthCounts::Data, Checksum::Xor8).unwrap();
    let frame = emitted(&framing, &[1, 2, 3]);
    assert_eq!(framing.whole_len(&frame), Ok(None));
    assert_eq!(framing.parse(&frame).unwrap().0.data(), [1, 2, 3]);
    assert_eq!(framing.longest(), 255);
}

#[test]
fn the_longest_frame_is_what_the_length_can_count() {
    let data = [0x11; 256];
    for counts in [LengthCounts::WholeFrame, LengthCounts::AfterLength, LengthCounts::Data] {
        let framing = BlockFraming::new(&[Unit, Length, Data, Sum], counts, Checksum::Xor8).unwrap();
        let longest = framing.longest();
        let frame = emitted(&framing, &data[..longest]);
        assert_eq!(framing.parse(&frame).unwrap().0.data().len(), longest, "{counts:?}");
        let refused = framing.emit(0x31, 0xF1, &data[..longest + 1], &mut [0; FRAME_MAX]);
        assert_eq!(refused, Err(DataLength { length: longest + 1, limit: longest }));
    }
}

#[test]
fn fields_that_cannot_be_read_again_are_refused() {
    let new = |fields: &[BlockField]| BlockFraming::new(fields, LengthCounts::Data, Checksum::Xor8).unwrap_err();
    assert_eq!(new(&[Unit, Length, Sum]), BlockMistake::Data);
    assert_eq!(new(&[Data, Data, Sum]), BlockMistake::Data);
    assert_eq!(new(&[Data, Length, Sum]), BlockMistake::Length);
    assert_eq!(new(&[Length, Length, Data, Sum]), BlockMistake::Length);
    assert_eq!(new(&[Length, Data]), BlockMistake::Checksum);
    assert_eq!(new(&[Length, Sum, Data]), BlockMistake::Checksum);
    assert_eq!(new(&[Unit; 9]), BlockMistake::Fields);
}
