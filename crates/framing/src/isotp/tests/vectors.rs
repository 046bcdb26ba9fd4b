//! Worked examples of the standards, and every length that they name.

use super::*;
use crate::isotp::{Fd, FlowControl, FlowStatus, Frames, Pdu, PduError, SeparationTime};

const CLASSIC: Frames = Frames { padding: Some(0xCC), fd: None };
const UNFILLED: Frames = Frames { padding: None, fd: None };
const NORMAL: Address = Address::Normal(Id::Standard(0x345));
const EXTENDED: Address = Address::Extended { id: Id::Standard(0x345), target: 0x12 };

fn fd(tx_dl: u8) -> Frames {
    Frames { padding: None, fd: Some(Fd { tx_dl, switch_rate: true }) }
}

fn bytes(text: &str) -> Vec<u8> {
    text.split(' ').map(|pair| u8::from_str_radix(pair, 16).unwrap()).collect()
}

/// ISO 15765-2:2016 table 35: a single frame of 5 bytes, DLC 6; table 36: one of 9 bytes in an FD frame of 12.
#[test]
fn the_single_frames_of_the_standard_read_as_it_says() {
    let short = bytes("05 44 55 66 77 88");
    assert_eq!(Pdu::parse(&short, NORMAL, &UNFILLED), Ok(Pdu::Single { data: &short[1..] }));
    let long = bytes("00 09 11 22 33 44 55 66 77 88 99 CC");
    let pdu = Pdu::parse(&long, NORMAL, &fd(64));
    assert_eq!(pdu, Ok(Pdu::Single { data: &long[2..11] }));
    let emitted = |pdu: Pdu<&[u8]>, frames| pdu.emit(NORMAL, &frames).unwrap().data.as_slice().to_vec();
    assert_eq!(emitted(Pdu::Single { data: &short[1..] }, UNFILLED), short);
    assert_eq!(emitted(Pdu::Single { data: &long[2..11] }, fd(64)), long);
}

/// ISO/DIS 15765-3.5 (2002), tables 61 to 73, 89 and 91, ISO 15765-2 payloads of one frame each.
#[test]
fn single_frames_of_the_diagnostics_standard_are_made_byte_for_byte() {
    for wire in [
        "02 10 03",
        "02 85 02",
        "02 C5 02",
        "03 28 03 03",
        "02 10 02",
        "06 50 02 00 FA 0B B8",
        "02 3E 80",
        "04 27 02 47 11",
        "02 67 02",
        "04 31 01 FF 00",
        "04 71 01 FF 00",
        "02 76 01",
        "07 36 03 02 03 04 05 06",
        "01 77",
        "04 31 01 FF 01",
        "02 11 01",
        "02 51 01",
    ] {
        let wire = bytes(wire);
        let frame = Pdu::Single { data: &wire[1..] }.emit(NORMAL, &UNFILLED).unwrap();
        assert_eq!(frame.data.as_slice(), wire);
        assert_eq!(Pdu::parse(&wire, NORMAL, &UNFILLED), Ok(Pdu::Single { data: &wire[1..] }));
    }
}

/// What a tester and a unit put on the bus for one request.
fn sent_frames(data: &[u8], padding: Option<u8>) -> Vec<String> {
    let line = Line { frames: Frames { padding, fd: None }, ..Line::CLASSIC };
    let mut tester: Tester<1, 4095> = Tester::new(line, Reach::IDEAL);
    tester.add_unit(PATH).unwrap();
    tester.connect(ZERO);
    let unit: Unit<4095> = Unit::new(line, PATH, None, Reach::IDEAL);
    let mut pair = crate::script::Pair::new(tester, unit, ZERO);
    let seen = std::rc::Rc::new(core::cell::RefCell::new(Vec::new()));
    let wire = seen.clone();
    pair.on_frames(move |frame| {
        wire.borrow_mut().push(hex(frame.data.as_slice()));
        std::vec![(Duration::ZERO, frame)]
    });
    let whole = pair.run(ZERO.after(Duration::from_secs(9)), |tester, unit, now, told| {
        if let crate::script::Told::A(Heard::Ready { .. }) = told {
            tester.request(now, data, ask(PATH)).unwrap();
        }
        let asked = matches!(told, crate::script::Told::B(crate::isotp::UnitEvent::Request { .. }));
        if asked {
            assert_eq!(unit.request(), data);
        }
        asked
    });
    assert!(whole);
    seen.take()
}

/// ISO/DIS 15765-3.5 (2002) table 74: first frame, flow control 30 00 00, consecutive frames.
#[test]
fn a_segmented_request_of_the_diagnostics_standard_goes_byte_for_byte() {
    let download = sent_frames(&bytes("34 00 33 00 1B 67 00 01 FF"), None);
    assert_eq!(download, ["10 09 34 00 33 00 1B 67", "30 00 00", "21 00 01 FF"]);
}

/// ISO/DIS 15765-3.5 (2002) table 70: 255 bytes of TransferData, the sequence number wraps from F to 0.
#[test]
fn the_sequence_number_wraps_as_printed() {
    let data: Vec<u8> = [0x36].into_iter().chain(1..=254).collect();
    let frames = sent_frames(&data, Some(0xCC));
    assert_eq!(frames[0], "10 FF 36 01 02 03 04 05");
    assert_eq!(frames[2..5], ["21 06 07 08 09 0A 0B 0C", "22 0D 0E 0F 10 11 12 13", "23 14 15 16 17 18 19 1A"]);
    assert!(frames[16].starts_with("2F") && frames[17].starts_with("20") && frames[18].starts_with("21"));
    assert_eq!(frames[36..], ["23 F4 F5 F6 F7 F8 F9 FA", "24 FB FC FD FE CC CC CC"]);
    assert_eq!(frames.len(), 38);
}

/// ISO 15765-2:2016 tables 18 to 20: FS, BS and STmin stand in the first three bytes.
#[test]
fn flow_control_reads_as_the_standard_says() {
    let flow = FlowControl { status: FlowStatus::CONTINUE, block_size: 0x0A, st_min: SeparationTime(0x0A) };
    let wire = bytes("30 0A 0A CC CC CC CC CC");
    assert_eq!(Pdu::parse(&wire, NORMAL, &CLASSIC), Ok(Pdu::FlowControl(flow)));
    let emitted = Pdu::<[u8; 0]>::FlowControl(flow).emit(NORMAL, &CLASSIC).unwrap();
    assert_eq!(emitted.data.as_slice(), wire);
}

/// ISO 15765-2:2016 tables 10 and 13: which SF_DL belongs to which frame length; everything else is ignored.
#[test]
fn a_single_frames_length_belongs_to_its_frame() {
    let table = [(12, 8, 10), (16, 11, 14), (20, 15, 18), (24, 19, 22), (32, 23, 30), (48, 31, 46), (64, 47, 62)];
    for (frame, least, most) in table {
        for (address, prefix) in [(NORMAL, 0), (EXTENDED, 1)] {
            for length in 0..=64_u8 {
                let mut wire = std::vec![0_u8; frame];
                wire[0] = 0x12 * prefix;
                wire[usize::from(prefix) + 1] = length;
                let fits = (least - prefix..=most - prefix).contains(&length);
                let read = Pdu::parse(&wire, address, &fd(64));
                assert_eq!(read.is_ok(), fits, "{length} in {frame} with {prefix}: {read:?}");
            }
        }
        let mut wire = std::vec![0_u8; frame];
        wire[0] = 0x07;
        assert!(Pdu::parse(&wire, NORMAL, &fd(64)).is_err(), "no escape in a frame of {frame}");
    }
    for (address, prefix, most) in [(NORMAL, 0, 7), (EXTENDED, 1, 6)] {
        for length in 0..=15_u8 {
            let mut wire = [0x12; 8];
            wire[prefix] = length;
            assert_eq!(Pdu::parse(&wire, address, &CLASSIC).is_ok(), (1..=most).contains(&length), "{length}");
        }
    }
}

/// ISO 15765-2:2016 tables 14 and 15: FF_DLmin by addressing and frame length, escape form above 4095.
#[test]
fn a_first_frames_length_needs_one() {
    for (address, prefix) in [(NORMAL, 0), (EXTENDED, 1)] {
        for frame in [8_usize, 12, 16, 20, 24, 32, 48, 64] {
            let least = if frame == 8 { 8 - prefix } else { frame - 1 - prefix };
            let read = |length: u32| {
                let mut wire = std::vec![0x12_u8; frame];
                wire[prefix] = 0x10 | (length >> 8) as u8;
                wire[prefix + 1] = length as u8;
                Pdu::parse(&wire, address, &fd(64)).map(|pdu| matches!(pdu, Pdu::First { .. }))
            };
            assert_eq!(read(least as u32), Ok(true));
            let wanted = PduError::FirstLength { found: least as u32 - 1, least: least as u32 };
            assert_eq!(read(least as u32 - 1), Err(wanted), "frame of {frame}");
            assert_eq!(read(4095), Ok(true));
        }
    }
    let escaped = bytes("10 00 00 00 10 00 AA BB");
    assert_eq!(Pdu::parse(&escaped, NORMAL, &CLASSIC), Ok(Pdu::First { length: 4096, data: &[0xAA, 0xBB][..] }));
    let longest = bytes("10 00 FF FF FF FF AA BB");
    assert_eq!(Pdu::parse(&longest, NORMAL, &CLASSIC), Ok(Pdu::First { length: u32::MAX, data: &[0xAA, 0xBB][..] }));
}

/// ISO 15765-2:2016 table 9: data per frame, normal addressing; one less with a byte in front.
#[test]
fn frames_carry_what_the_table_says() {
    for (frames, tx_dl) in [(CLASSIC, 8), (fd(64), 64), (fd(12), 12)] {
        assert_eq!(frames.first_data(NORMAL, 4095), tx_dl - 2);
        assert_eq!(frames.first_data(NORMAL, 4096), tx_dl - 6);
        assert_eq!(frames.consecutive_data(NORMAL), tx_dl - 1);
        assert_eq!(frames.first_data(EXTENDED, 100), tx_dl - 3);
        assert_eq!(frames.consecutive_data(EXTENDED), tx_dl - 2);
    }
    assert_eq!([CLASSIC.single_max(NORMAL), CLASSIC.single_max(EXTENDED)], [7, 6]);
    assert_eq!([fd(64).single_max(NORMAL), fd(64).single_max(EXTENDED)], [62, 61]);
    assert_eq!([fd(0).tx_dl(), fd(9).tx_dl(), fd(255).tx_dl()], [8, 12, 64]);
}

/// ISO 15765-2:2016 10.4.2.3: FD frames above 8 bytes are filled with CC to the next length even without filling.
#[test]
fn fd_frames_are_filled_to_the_next_length() {
    let single = |length: usize, frames: Frames| {
        let data = counting(length);
        Pdu::Single { data: &data[..] }.emit(NORMAL, &frames).unwrap().data.as_slice().to_vec()
    };
    assert_eq!(single(3, fd(64)), [3, 0, 1, 2]);
    assert_eq!(single(8, fd(64)), [0, 8, 0, 1, 2, 3, 4, 5, 6, 7, 0xCC, 0xCC]);
    assert_eq!(single(62, fd(64)).len(), 64);
    let filled = Frames { padding: Some(0x55), ..fd(64) };
    assert_eq!(single(3, filled), [3, 0, 1, 2, 0x55, 0x55, 0x55, 0x55]);
    assert_eq!(single(9, filled)[11], 0x55);
    assert!(Pdu::Single { data: &counting(63)[..] }.emit(NORMAL, &fd(64)).is_none());
    assert!(Pdu::First { length: 100, data: &counting(5)[..] }.emit(NORMAL, &CLASSIC).is_none());
    assert!(Pdu::Consecutive { sequence: 1, data: &counting(8)[..] }.emit(NORMAL, &CLASSIC).is_none());
}
