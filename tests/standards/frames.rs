//! Whole frames: header, data, sum.

use tickover::framing::kline::{Addressing, LengthForm, Message, MessageError, MessageView, iso9141};

use super::bytes;
use super::source::{APPLICATION, LINK, Source};

/// One frame and what is in it.
pub(crate) struct Frame {
    pub(crate) source: Source,
    what: &'static str,
    bytes: &'static str,
    header: Header,
    data: &'static str,
}

enum Header {
    /// ISO 14230-2: who is named, and where the length stands.
    Iso14230(Addressing, LengthForm),
    /// ISO 9141-2: three bytes, no length.
    Iso9141([u8; 3]),
}

use Header::{Iso9141, Iso14230};
use LengthForm::{InFormat, LengthByte};
use Source::{Framed, Memory, Tutorial};

const TO_UNIT: Addressing = Addressing::Physical { target: 0x11, source: 0xF1 };
const TO_TESTER: Addressing = Addressing::Physical { target: 0xF1, source: 0x11 };
const TO_ALL: Addressing = Addressing::Functional { target: 0x33, source: 0xF1 };
const KWP_PAGE: Source = Tutorial("an introduction to ISO 14230 at blog.pytool.com");
const OBD: Source = Memory("ISO 14230-4");

const fn frame(source: Source, what: &'static str, bytes: &'static str, header: Header, data: &'static str) -> Frame {
    Frame { source, what, bytes, header, data }
}

#[rustfmt::skip]
pub(crate) const FRAMES: &[Frame] = &[
    frame(KWP_PAGE, "StartCommunication to one unit", "81 11 F1 81 04", Iso14230(TO_UNIT, InFormat), "81"),
    frame(KWP_PAGE, "TesterPresent", "80 11 F1 01 3E C1", Iso14230(TO_UNIT, LengthByte), "3E"),
    frame(Tutorial("blog.csdn.net article 86014856, its stray length byte taken out"), "StartCommunication", "81 10 F1 81 03",
        Iso14230(Addressing::Physical { target: 0x10, source: 0xF1 }, InFormat), "81"),
    frame(Tutorial("blog.csdn.net article 81028777"), "a request of ISO 9141-2", "68 6A F1 BE 81", Iso9141([0x68, 0x6A, 0xF1]), "BE"),
    frame(Memory("ISO 14230-2 and -4"), "StartCommunication to all", "C1 33 F1 81 66", Iso14230(TO_ALL, InFormat), "81"),
    frame(Memory("ISO 14230-2"), "its answer, key bytes 2031", "83 F1 11 C1 EF 8F C4", Iso14230(TO_TESTER, InFormat), "C1 EF 8F"),
    frame(OBD, "service 01, identifier 00", "C2 33 F1 01 00 E7", Iso14230(TO_ALL, InFormat), "01 00"),
    frame(OBD, "engine speed, 1AF8 quarters", "84 F1 11 41 0C 1A F8 E5", Iso14230(TO_TESTER, InFormat), "41 0C 1A F8"),
    frame(OBD, "a refusal", "83 F1 11 7F 01 12 17", Iso14230(TO_TESTER, InFormat), "7F 01 12"),
    frame(OBD, "TesterPresent to all", "C1 33 F1 3E 23", Iso14230(TO_ALL, InFormat), "3E"),
    frame(OBD, "StopCommunication to all", "C1 33 F1 82 67", Iso14230(TO_ALL, InFormat), "82"),
    frame(Memory("ISO 9141-2"), "an answer", "48 6B 10 41 00 BE 1F A8 13 9C", Iso9141([0x48, 0x6B, 0x10]), "41 00 BE 1F A8 13"),
    frame(Memory("ISO 9141-2"), "a request", "68 6A F1 01 0C D0", Iso9141([0x68, 0x6A, 0xF1]), "01 0C"),
    frame(Framed(LINK, "5.1.2.2.2"), "started, key bytes 2026", "80 F1 11 03 C1 EA 8F BF", Iso14230(TO_TESTER, LengthByte), "C1 EA 8F"),
    frame(Framed(LINK, "table 4"), "started, key bytes 2025", "83 F1 11 C1 E9 8F BE", Iso14230(TO_TESTER, InFormat), "C1 E9 8F"),
    frame(Framed(LINK, "5.2.2"), "StopCommunication", "80 11 F1 01 82 05", Iso14230(TO_UNIT, LengthByte), "82"),
    frame(Framed(LINK, "5.2.2"), "stopped", "80 F1 11 01 C2 45", Iso14230(TO_TESTER, LengthByte), "C2"),
    frame(Framed(LINK, "5.2.2"), "not stopped", "80 F1 11 03 7F 82 10 96", Iso14230(TO_TESTER, LengthByte), "7F 82 10"),
    frame(Framed(LINK, "5.3.2"), "read the limits of timing", "80 11 F1 02 83 00 07", Iso14230(TO_UNIT, LengthByte), "83 00"),
    frame(Framed(LINK, "5.3.2"), "set the default timing by value", "80 11 F1 07 83 03 32 02 6E 14 0A CF", Iso14230(TO_UNIT, LengthByte), "83 03 32 02 6E 14 0A"),
    frame(Framed(LINK, "5.3.2"), "timing set", "80 F1 11 02 C3 03 4A", Iso14230(TO_TESTER, LengthByte), "C3 03"),
    frame(Framed(APPLICATION, "6.4"), "there is a tester", "80 F1 11 01 7E 01", Iso14230(TO_TESTER, LengthByte), "7E"),
    frame(Framed(LINK, "appendix C-4"), "periodic transmission", "80 11 F1 02 10 82 16", Iso14230(TO_UNIT, LengthByte), "10 82"),
    frame(Framed(APPLICATION, "7.1.5.2.1"), "local identifier 0A", "80 11 F1 02 21 0A AF", Iso14230(TO_UNIT, LengthByte), "21 0A"),
    frame(Framed(APPLICATION, "7.3.5.2"), "read memory", "80 11 F1 05 23 20 48 13 03 28", Iso14230(TO_UNIT, LengthByte), "23 20 48 13 03"),
    frame(Framed(APPLICATION, "7.3.5.2"), "memory", "80 F1 11 04 63 00 46 FB 2A", Iso14230(TO_TESTER, LengthByte), "63 00 46 FB"),
    frame(Framed(APPLICATION, "8.2.5.2.1"), "read fault codes", "80 11 F1 04 18 02 00 00 A0", Iso14230(TO_UNIT, LengthByte), "18 02 00 00"),
    frame(Framed(APPLICATION, "8.2.5.2.1"), "fault codes", "80 F1 11 08 58 02 01 30 A7 01 20 E7 C4", Iso14230(TO_TESTER, LengthByte), "58 02 01 30 A7 01 20 E7"),
    frame(Framed(APPLICATION, "7.4.5.2.1"), "define a record", "80 11 F1 11 2C F0 01 01 01 01 07 01 02 03 01 0F 01 03 01 01 15 EB", Iso14230(TO_UNIT, LengthByte),
        "2C F0 01 01 01 01 07 01 02 03 01 0F 01 03 01 01 15"),
    frame(Framed(APPLICATION, "table 4.4.26"), "response pending", "80 F1 11 03 7F 21 78 9D", Iso14230(TO_TESTER, LengthByte), "7F 21 78"),
];

/// A frame as printed that is none.
pub(crate) struct Misprinted {
    pub(crate) source: Source,
    bytes: &'static str,
    /// Byte found where the sum is due, and the sum.
    sum: (u8, u8),
}

/// Both have a length byte although the format byte says one data byte: the byte behind that one is taken for the
/// sum. Without the stray 01 the first one's printed sum is right; the second also lacks its key bytes.
pub(crate) const MISPRINTED: &[Misprinted] = &[
    Misprinted { source: Tutorial("blog.csdn.net article 86014856"), bytes: "81 10 F1 01 81 03", sum: (0x81, 0x83) },
    Misprinted { source: Tutorial("blog.csdn.net article 86014856"), bytes: "81 F1 10 01 C1 43", sum: (0xC1, 0x83) },
];

#[test]
fn every_frame_is_read_and_written_as_its_source_has_it() {
    for Frame { source, what, bytes: printed, header, data } in FRAMES {
        let (printed, data) = (bytes(printed), bytes(data));
        let mut wire = [0; 260];
        let length = match *header {
            Iso14230(addressing, form) => {
                let (view, rest) = MessageView::parse(&printed).unwrap_or_else(|e| panic!("{what} ({source}): {e}"));
                assert_eq!(
                    (view.addressing(), view.length_form(), view.data()),
                    (addressing, form, &data[..]),
                    "{what} ({source})"
                );
                assert!(rest.is_empty(), "{what} ({source})");
                Message::new(addressing, form, &data).expect("1 to 255 bytes").emit(&mut wire)
            }
            Iso9141(header) => {
                let view = iso9141::View::parse(&printed).unwrap_or_else(|e| panic!("{what} ({source}): {e}"));
                assert_eq!((view.header(), view.data()), (header, &data[..]), "{what} ({source})");
                iso9141::emit(header, &data, &mut wire).ok()
            }
        };
        assert_eq!(length.map(|length| &wire[..length]), Some(&printed[..]), "{what} ({source})");
    }
}

#[test]
fn misprinted_frames_are_refused_by_their_sums() {
    for Misprinted { source, bytes: printed, sum: (found, expected) } in MISPRINTED {
        let error = MessageError::Checksum { found: *found, expected: *expected };
        assert_eq!(MessageView::parse(&bytes(printed)), Err(error), "{source}");
    }
}

/// SSF 14230-2 issue 1 4.1.1: every bit of a printed frame is covered by its sum or its length.
#[test]
fn a_flipped_bit_in_any_frame_is_noticed() {
    for Frame { source, what, bytes: printed, header, data } in FRAMES {
        if !matches!(header, Iso14230(..)) {
            continue;
        }
        let printed = bytes(printed);
        for bit in 0..printed.len() * 8 {
            let mut garbled = printed.clone();
            garbled[bit / 8] ^= 1 << (bit % 8);
            let taken =
                MessageView::parse(&garbled).is_ok_and(|(view, rest)| view.data() == bytes(data) && rest.is_empty());
            assert!(!taken, "{what} ({source}): bit {bit}");
        }
    }
}
