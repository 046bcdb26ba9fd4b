//! Round trips and arbitrary bytes.

use proptest::collection::vec;
use proptest::prelude::*;

use crate::kline::{AccessTiming, Addressing, LengthForm, Message, MessageError, MessageView, Timing};

fn addressing() -> impl Strategy<Value = Addressing> {
    prop_oneof![
        Just(Addressing::None),
        (any::<u8>(), any::<u8>()).prop_map(|(target, source)| Addressing::Physical { target, source }),
        (any::<u8>(), any::<u8>()).prop_map(|(target, source)| Addressing::Functional { target, source }),
    ]
}

proptest! {
    #[test]
    fn a_message_reads_back_and_every_cut_says_what_is_missing(
        addressing in addressing(),
        length_byte: bool,
        data in vec(any::<u8>(), 1..=255),
        behind in vec(any::<u8>(), 0..4),
    ) {
        let form = if length_byte || data.len() > 63 { LengthForm::LengthByte } else { LengthForm::InFormat };
        let message = Message::new(addressing, form, &data).unwrap();
        let mut wire = [0; 264];
        let len = message.emit(&mut wire).unwrap();
        wire[len..len + behind.len()].copy_from_slice(&behind);
        let (view, rest) = MessageView::parse(&wire[..len + behind.len()]).unwrap();
        prop_assert_eq!(Message::from(view), message);
        prop_assert_eq!(rest, &behind[..]);
        for have in 0..len {
            match MessageView::parse(&wire[..have]) {
                Err(MessageError::Incomplete(missing)) if have >= 4 => prop_assert_eq!(have + missing, len),
                Err(MessageError::Incomplete(missing)) => prop_assert!(have + missing <= len),
                other => prop_assert!(false, "{:?}", other),
            }
        }
    }

    #[test]
    fn a_flipped_bit_is_noticed(data in vec(any::<u8>(), 1..=60), byte in any::<proptest::sample::Index>(), bit in 0..8u8) {
        let physical = Addressing::Physical { target: 0x1C, source: 0xF1 };
        let mut wire = [0; 64 + 4];
        let len = Message::new(physical, LengthForm::InFormat, &data).unwrap().emit(&mut wire).unwrap();
        wire[byte.index(len)] ^= 1 << bit;
        let whole = MessageView::parse(&wire[..len]).is_ok_and(|(_, rest)| rest.is_empty());
        prop_assert!(!whole);
    }

    #[test]
    fn arbitrary_bytes_as_messages(bytes in vec(any::<u8>(), 0..300)) {
        crate::fuzzing::message(&bytes);
    }

    #[test]
    fn arbitrary_bytes_as_declared_frames(bytes in vec(any::<u8>(), 0..64)) {
        crate::fuzzing::block(&bytes);
    }

    #[test]
    fn arbitrary_inputs_at_both_ends(bytes in vec(any::<u8>(), 0..400)) {
        crate::fuzzing::ends(&bytes);
    }

    #[test]
    fn timing_bytes_read_back(bytes: [u8; 5]) {
        prop_assume!(bytes[1] != 0);
        let mut timing = Timing::NORMAL;
        AccessTiming(bytes).apply_to(&mut timing);
        let encoded = AccessTiming::encode(&timing).unwrap();
        let mut again = Timing::NORMAL;
        encoded.apply_to(&mut again);
        prop_assert_eq!(timing, again);
    }
}
