//! Messages printed elsewhere, read and written.

use std::string::ToString;
use std::vec::Vec;

use crate::kline::{Addressing, LengthForm, Message, MessageError, MessageView};

fn bytes(hex: &str) -> Vec<u8> {
    hex.split_whitespace().map(|pair| u8::from_str_radix(pair, 16).unwrap()).collect()
}

/// Bytes on the wire, data bytes, where from. Sums and lengths were computed independently.
const MESSAGES: [(&str, &str, &str); 27] = [
    ("81 11 F1 81 04", "81", "tutorial blog.pytool.com 'kwp2000'"),
    ("80 11 F1 01 3E C1", "3E", "tutorial blog.pytool.com 'kwp2000'"),
    ("81 10 F1 81 03", "81", "tutorial, blog.csdn.net article 86014856, without its stray 01"),
    ("C1 33 F1 81 66", "81", "from memory: ISO 14230-4, StartCommunication to all"),
    ("83 F1 11 C1 EF 8F C4", "C1 EF 8F", "from memory: ISO 14230-2, key bytes 2031"),
    ("C2 33 F1 01 00 E7", "01 00", "from memory: ISO 14230-4, supported identifiers"),
    ("80 F1 11 03 C1 EA 8F BF", "C1 EA 8F", "data: SSF 14230-2 issue 1, 5.1.2.2.2; addresses chosen"),
    ("83 F1 11 C1 E9 8F BE", "C1 E9 8F", "data: SSF 14230-2 issue 1, table 4; addresses chosen"),
    ("80 11 F1 01 82 05", "82", "data: SSF 14230-2 issue 1, 5.2.2; addresses chosen"),
    ("80 F1 11 01 C2 45", "C2", "data: SSF 14230-2 issue 1, 5.2.2; addresses chosen"),
    ("80 F1 11 03 7F 82 10 96", "7F 82 10", "data: SSF 14230-2 issue 1, 5.2.2; addresses chosen"),
    ("80 11 F1 02 83 00 07", "83 00", "data: SSF 14230-2 issue 1, 5.3.2; addresses chosen"),
    (
        "80 11 F1 07 83 03 32 02 6E 14 0A CF",
        "83 03 32 02 6E 14 0A",
        "data: SSF 14230-2 issue 1, table 1; addresses chosen",
    ),
    ("80 F1 11 02 C3 03 4A", "C3 03", "data: SSF 14230-2 issue 1, appendix C-6; addresses chosen"),
    ("80 F1 11 01 7E 01", "7E", "from memory: TesterPresent answered"),
    ("80 11 F1 02 10 82 16", "10 82", "data: SSF 14230-2 issue 1, appendix C-4; addresses chosen"),
    ("80 11 F1 02 21 0A AF", "21 0A", "data: SSF 14230-3 issue 2, 7.1.5.2.1; addresses chosen"),
    ("80 11 F1 05 23 20 48 13 03 28", "23 20 48 13 03", "data: SSF 14230-3 issue 2, 7.3.5.2; addresses chosen"),
    ("80 F1 11 04 63 00 46 FB 2A", "63 00 46 FB", "data: SSF 14230-3 issue 2, 7.3.5.2; addresses chosen"),
    ("80 11 F1 04 18 02 00 00 A0", "18 02 00 00", "data: SSF 14230-3 issue 2, 8.2.5.2.1; addresses chosen"),
    (
        "80 F1 11 08 58 02 01 30 A7 01 20 E7 C4",
        "58 02 01 30 A7 01 20 E7",
        "data: SSF 14230-3 issue 2, 8.2.5.2.1; addresses chosen",
    ),
    (
        "80 11 F1 11 2C F0 01 01 01 01 07 01 02 03 01 0F 01 03 01 01 15 EB",
        "2C F0 01 01 01 01 07 01 02 03 01 0F 01 03 01 01 15",
        "data: SSF 14230-3 issue 2, 7.4.5.2; addresses chosen",
    ),
    ("80 F1 11 03 7F 21 78 9D", "7F 21 78", "from memory: response pending"),
    ("84 F1 11 41 0C 1A F8 E5", "41 0C 1A F8", "from memory: ISO 14230-4 with SAE J1979, engine speed 1726 /min"),
    ("83 F1 11 7F 01 12 17", "7F 01 12", "from memory: ISO 14230-4, negative answer"),
    ("C1 33 F1 3E 23", "3E", "from memory: ISO 14230-4, TesterPresent to all"),
    ("C1 33 F1 82 67", "82", "from memory: ISO 14230-4, StopCommunication to all"),
];

#[test]
fn printed_messages_read_and_write_byte_for_byte() {
    for (wire, data, source) in MESSAGES {
        let wire = bytes(wire);
        let (view, rest) = MessageView::parse(&wire).unwrap_or_else(|e| panic!("{source}: {e}"));
        assert_eq!(view.data(), bytes(data), "{source}");
        assert!(rest.is_empty(), "{source}");
        let mut out = [0; crate::kline::message::MESSAGE_MAX];
        let len = Message::from(view).emit(&mut out).unwrap();
        assert_eq!(out[..len], wire, "{source}");
    }
}

/// Tutorial, blog.csdn.net article 86014856 prints a stray length byte beside a length in the format byte: no message.
#[test]
fn misprinted_messages_are_refused() {
    for wire in ["81 10 F1 01 81 03", "81 F1 10 01 C1 43"] {
        let wire = bytes(wire);
        assert!(matches!(MessageView::parse(&wire), Err(MessageError::Checksum { .. })), "{wire:02X?}");
    }
}

/// SSF 14230-2 issue 1, 4.1: one to four header bytes; the two short ones from memory.
#[test]
fn every_header_form_has_its_length() {
    let physical = Addressing::Physical { target: 0x1C, source: 0xF1 };
    let forms = [
        (Addressing::None, LengthForm::InFormat, "02 21 01 24"),
        (Addressing::None, LengthForm::LengthByte, "00 02 21 01 24"),
        (physical, LengthForm::InFormat, "82 1C F1 21 01 B1"),
        (physical, LengthForm::LengthByte, "80 1C F1 02 21 01 B1"),
        (Addressing::Functional { target: 0x33, source: 0xF1 }, LengthForm::InFormat, "C2 33 F1 21 01 08"),
    ];
    for (addressing, length_form, wire) in forms {
        let message = Message::new(addressing, length_form, &[0x21, 0x01]).unwrap();
        let mut out = [0; 16];
        let len = message.emit(&mut out).unwrap();
        assert_eq!(out[..len], bytes(wire));
        let (view, _) = MessageView::parse(&out[..len]).unwrap();
        assert_eq!((view.addressing(), view.length_form(), view.wire_len()), (addressing, length_form, len));
    }
}

/// SSF 14230-2 issue 1, 4.1.4: 63 data bytes fit the format byte, the longest message has 260 bytes.
#[test]
fn lengths_end_where_the_standard_says() {
    let physical = Addressing::Physical { target: 0x1C, source: 0xF1 };
    let data = [0x55; 256];
    assert!(Message::new(physical, LengthForm::InFormat, &data[..63]).is_ok());
    assert_eq!(Message::new(physical, LengthForm::InFormat, &data[..64]).unwrap_err().limit, 63);
    assert_eq!(Message::new(physical, LengthForm::LengthByte, &data).unwrap_err().limit, 255);
    assert_eq!(Message::new(physical, LengthForm::InFormat, &[]).unwrap_err().length, 0);
    let longest = Message::new(physical, LengthForm::LengthByte, &data[..255]).unwrap();
    assert_eq!(longest.emit(&mut [0; 260]), Some(260));
    assert_eq!(longest.emit(&mut [0; 259]), None);
}

#[test]
fn a_message_says_how_many_bytes_it_still_needs() {
    let wire = bytes("80 11 F1 02 21 0A AF");
    let missing: Vec<_> = (0..7)
        .map(|have| match MessageView::parse(&wire[..have]) {
            Err(MessageError::Incomplete(missing)) => missing,
            other => panic!("{other:?}"),
        })
        .collect();
    // Before the length byte: what the shortest message of this header still needs.
    assert_eq!(missing, [3, 5, 4, 3, 3, 2, 1]);
    assert_eq!(MessageView::parse(&[0x45]), Err(MessageError::Format(0x45)));
    assert_eq!(MessageView::parse(&[0x00, 0x00, 0x00]), Err(MessageError::Empty));
}

#[test]
fn messages_are_shown_with_their_addresses() {
    let wire = bytes("C2 33 F1 01 00 E7");
    let (view, _) = MessageView::parse(&wire).unwrap();
    assert_eq!(view.to_string(), "all 33 <- F1: 01 00");
    let message = Message::new(Addressing::Physical { target: 0x1C, source: 0xF1 }, LengthForm::InFormat, &[0x3E]);
    assert_eq!(message.unwrap().to_string(), "1C <- F1: 3E");
}
