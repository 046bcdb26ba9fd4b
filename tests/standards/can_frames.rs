//! Frames of ISO 15765-2 as they are printed: what they carry.

use tickover::framing::can::Id;
use tickover::framing::isotp::{Address, Fd, FlowStatus, Frames, Pdu};

use super::bytes;
use super::source::{Source, TRANSPORT, UDS_ON_CAN};

/// One frame and what is in it.
pub(crate) struct CanFrame {
    pub(crate) source: Source,
    what: &'static str,
    id: Id,
    bytes: &'static str,
    /// The message, or as much of it as a first frame has.
    carries: &'static str,
    /// FF_DL, if it is a first frame.
    announces: Option<u32>,
    /// What is wrong with the frame as printed.
    pub(crate) misprint: Option<&'static str>,
}

const fn single(source: Source, what: &'static str, id: u16, bytes: &'static str, carries: &'static str) -> CanFrame {
    CanFrame { source, what, id: Id::Standard(id), bytes, carries, announces: None, misprint: None }
}

const fn draft(
    table: &'static str,
    what: &'static str,
    id: u16,
    bytes: &'static str,
    carries: &'static str,
) -> CanFrame {
    single(Standard(UDS_ON_CAN, table), what, id, bytes, carries)
}

use Source::{Standard, Tutorial};

const PAGE_ON_FAULTS: Source = Tutorial("blog.csdn.net article 133080567");
const PAGE_ON_PADDING: Source = Tutorial("blog.csdn.net article 135740572");
const PAGE_ON_OBD: Source = Tutorial("blog.csdn.net article 132052474");

#[rustfmt::skip]
pub(crate) const FRAMES: &[CanFrame] = &[
    single(Standard(TRANSPORT, "table 35"), "five bytes, DLC 6", 0x345, "05 44 55 66 77 88", "44 55 66 77 88"),
    single(Standard(TRANSPORT, "table 36"), "nine bytes in an FD frame of twelve", 0x345,
        "00 09 11 22 33 44 55 66 77 88 99 CC", "11 22 33 44 55 66 77 88 99"),
    draft("table 61", "extended session", 0x7DF, "02 10 03", "10 03"),
    draft("table 62", "faults are no longer kept", 0x7DF, "02 85 02", "85 02"),
    draft("table 62", "the answer", 0x7E8, "02 C5 02", "C5 02"),
    draft("table 63", "normal frames are silenced", 0x7DF, "03 28 03 03", "28 03 03"),
    draft("table 64", "programming session", 0x7DF, "02 10 02", "10 02"),
    draft("table 64", "the answer", 0x7E8, "06 50 02 00 FA 0B B8", "50 02 00 FA 0B B8"),
    draft("table 65", "the tester is there, no answer wanted", 0x7DF, "02 3E 80", "3E 80"),
    draft("table 67", "key", 0x7E0, "04 27 02 47 11", "27 02 47 11"),
    draft("table 67", "unlocked", 0x7E8, "02 67 02", "67 02"),
    draft("table 68", "erase memory", 0x7E0, "04 31 01 FF 00", "31 01 FF 00"),
    draft("table 68", "erased", 0x7E8, "04 71 01 FF 00", "71 01 FF 00"),
    CanFrame { misprint: Some("the two bytes 10 09 of the first frame are missing"), ..draft("table 69",
        "download", 0x7E0, "34 00 33 00 19 68", "") },
    draft("table 70", "first block taken", 0x7E8, "02 76 01", "76 01"),
    draft("table 72", "last block; called a first frame in print", 0x7E0, "07 36 03 02 03 04 05 06", "36 03 02 03 04 05 06"),
    draft("table 73", "transfer ended", 0x7E8, "01 77", "77"),
    draft("table 89", "check dependencies", 0x7E0, "04 31 01 FF 01", "31 01 FF 01"),
    draft("table 91", "hard reset", 0x7DF, "02 11 01", "11 01"),
    draft("table 91", "the answer", 0x7E9, "02 51 01", "51 01"),
    single(PAGE_ON_FAULTS, "codes by mask, filled with AA", 0x7E0, "03 19 02 09 AA AA AA AA", "19 02 09"),
    single(PAGE_ON_PADDING, "default session, filled with 55", 0x7E0, "02 10 01 55 55 55 55 55", "10 01"),
    CanFrame { id: Id::Extended(0x18DA_00F1), ..single(PAGE_ON_OBD, "confirmed codes", 0, "01 03 FF FF FF FF FF FF", "03") },
    CanFrame { id: Id::Extended(0x18DA_F100), ..single(PAGE_ON_OBD, "one code", 0, "04 43 01 01 43 FF FF FF", "43 01 01 43") },
    CanFrame { announces: Some(10), ..single(PAGE_ON_OBD, "four codes begin", 0x7E8, "10 0A 43 04 20 3F 04 26", "43 04 20 3F 04 26") },
];

/// Short frames as they are; longer ones than 8 bytes are FD.
fn frames(length: usize) -> Frames {
    let fd = (length > 8).then_some(Fd { tx_dl: 64, switch_rate: true });
    Frames { padding: None, fd }
}

#[test]
fn every_frame_carries_what_is_printed_beside_it() {
    for CanFrame { source, what, id, bytes: printed, carries, announces, misprint } in FRAMES {
        let (printed, carries) = (bytes(printed), bytes(carries));
        let address = Address::Normal(*id);
        let pdu = Pdu::parse(&printed, address, &frames(printed.len()));
        let expected = match announces {
            Some(length) => Pdu::First { length: *length, data: &carries[..] },
            None => Pdu::Single { data: &carries[..] },
        };
        if misprint.is_some() {
            assert_ne!(pdu, Ok(expected), "{what} ({source})");
        } else {
            assert_eq!(pdu, Ok(expected), "{what} ({source})");
        }
    }
}

#[test]
fn every_message_is_put_into_the_printed_frame() {
    for CanFrame { source, what, id, bytes: printed, carries, announces, .. } in
        FRAMES.iter().filter(|frame| frame.misprint.is_none())
    {
        let (printed, carries) = (bytes(printed), bytes(carries));
        let filling = printed.get(1 + carries.len()).filter(|_| announces.is_none() && printed.len() == 8).copied();
        let frames = Frames { padding: filling, ..frames(printed.len()) };
        let pdu = match announces {
            Some(length) => Pdu::First { length: *length, data: &carries[..] },
            None => Pdu::Single { data: &carries[..] },
        };
        let frame = pdu.emit(Address::Normal(*id), &frames).unwrap_or_else(|| panic!("{what} ({source})"));
        assert_eq!((frame.id, frame.data.as_slice()), (*id, &printed[..]), "{what} ({source})");
    }
}

/// ISO/DIS 15765-3.5 table 69 prints a download without the two bytes that make a first frame of it. What is left reads
/// as flow control with a status that is reserved: no message comes of it.
#[test]
fn a_first_frame_printed_without_its_length_is_no_message() {
    let printed = FRAMES.iter().find(|frame| frame.misprint.is_some()).expect("in the table");
    let data = bytes(printed.bytes);
    match Pdu::parse(&data, Address::Normal(printed.id), &frames(data.len())) {
        Ok(Pdu::FlowControl(flow)) => assert_eq!(flow.status, FlowStatus(4)),
        other => panic!("{other:?}"),
    }
}
