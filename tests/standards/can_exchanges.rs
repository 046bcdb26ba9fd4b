//! Requests and answers of ISO 14229-1 and SAE J1979: effect, refusal, repeated parameters, data.

use tickover::framing::can::Id;
use tickover::framing::isotp::{Address, Frames, Line, Path};
use tickover::services::uds::{self, FaultStatus, PositiveResponse};
use tickover::services::{Effect, Emit, FaultCode, ResponseError, effect, obd};

use super::bytes;
use super::source::{Source, UDS, UDS_ON_CAN};
use crate::conversation::{Ends, converse};

/// One request and its answer.
pub(crate) struct Exchange {
    pub(crate) source: Source,
    what: &'static str,
    request: &'static str,
    effect: Effect,
    answer: &'static str,
    /// Behind the service and the repeated parameters.
    data: &'static str,
}

/// One request whose answer is not printed.
pub(crate) struct Request {
    pub(crate) source: Source,
    what: &'static str,
    request: &'static str,
    effect: Effect,
}

const fn exchange(
    source: Source,
    what: &'static str,
    request: &'static str,
    effect: Effect,
    answer: &'static str,
    data: &'static str,
) -> Exchange {
    Exchange { source, what, request, effect, answer, data }
}

use Effect::{Actuates, Clears, Reads, Session, Writes};
use Source::{Cited, Memory, Standard, Tutorial};

const TIMING_PAGE: Source = Tutorial("juejin.cn article 7420715993827229711");
const OBD_PAGE: Source = Tutorial("blog.csdn.net article 132052474, which quotes ISO 15031-5 figure 19");
const MASK_PAGE: Source = Tutorial("lists of blog.csdn.net article 141335825, after ISO 15031-5:2015; masks computed");
const FREEZE_PAGE: Source = Tutorial("layout of blog.csdn.net article 140054342, after ISO 15031-5; data made up");
const UDS_MEMORY: Source = Memory("ISO 14229-1");
const OBD_MEMORY: Source = Memory("SAE J1979");

#[rustfmt::skip]
pub(crate) const EXCHANGES: &[Exchange] = &[
    exchange(Standard(UDS_ON_CAN, "table 62"), "faults are no longer kept", "85 02", Actuates, "C5 02", ""),
    exchange(Standard(UDS_ON_CAN, "table 64"), "programming session: P2 250 ms, P2* 30 s", "10 02", Session, "50 02 00 FA 0B B8", "00 FA 0B B8"),
    exchange(Standard(UDS_ON_CAN, "table 67"), "key; no status in the answer", "27 02 47 11", Session, "67 02", ""),
    exchange(Standard(UDS_ON_CAN, "table 68"), "memory erased", "31 01 FF 00", Actuates, "71 01 FF 00", ""),
    exchange(Standard(UDS_ON_CAN, "table 91"), "hard reset", "11 01", Actuates, "51 01", ""),
    exchange(Cited(UDS, "tables 254 and 255"), "emission-related codes cleared", "14 FF FF 33", Clears, "54", ""),
    exchange(Cited(UDS, "tables 295 and 296"), "codes by mask: P0A9B-17 and P0805-11", "19 02 84", Reads,
        "59 02 7F 0A 9B 17 24 08 05 11 2F", "7F 0A 9B 17 24 08 05 11 2F"),
    exchange(Cited(UDS, "11.3.5.5"), "which snapshots there are", "19 03", Reads,
        "59 03 12 34 56 01 12 34 56 02 78 9A BC 01", "12 34 56 01 12 34 56 02 78 9A BC 01"),
    exchange(Cited(UDS, "11.3.5.6, table 303"), "a snapshot", "19 04 12 34 56 02", Reads,
        "59 04 12 34 56 24 02 01 47 11 A6 66 07 50 20", "12 34 56 24 02 01 47 11 A6 66 07 50 20"),
    exchange(Cited(UDS, "10.2.5.2, tables 147 and 148"), "identification", "22 F1 90", Reads,
        "62 F1 90 57 30 4C 30 30 30 30 34 33 4D 42 35 34 31 33 32 36", "57 30 4C 30 30 30 30 34 33 4D 42 35 34 31 33 32 36"),
    exchange(Cited(UDS, "10.7.5.2, tables 236 and 237"), "identification written",
        "2E F1 90 57 30 4C 30 30 30 30 34 33 4D 42 35 34 31 33 32 36", Writes, "6E F1 90", ""),
    exchange(Cited(UDS, "10.2"), "two records of 11 and 1 bytes", "22 01 0A 01 10", Reads,
        "62 01 0A A6 66 07 50 20 1A 00 63 4A 82 7E 01 10 8C", "A6 66 07 50 20 1A 00 63 4A 82 7E 01 10 8C"),
    exchange(TIMING_PAGE, "default timing, another number than on the K-line", "83 02", Session, "C3 02", ""),
    exchange(TIMING_PAGE, "faults are no longer kept", "85 02", Actuates, "C5 02", ""),
    exchange(TIMING_PAGE, "faults are kept again", "85 01", Actuates, "C5 01", ""),
    exchange(UDS_MEMORY, "a record of three pieces", "2C 01 F3 01 12 34 01 02 56 78 01 01 9A BC 01 04", Session, "6C 01 F3 01", ""),
    exchange(UDS_MEMORY, "seed", "27 01", Session, "67 01 36 57", "36 57"),
    exchange(UDS_MEMORY, "programming session: P2 50 ms, P2* 5 s", "10 02", Session, "50 02 00 32 01 F4", "00 32 01 F4"),
    exchange(UDS_MEMORY, "an output adjusted to 60 %, now 12 %", "2F 9B 00 03 3C", Actuates, "6F 9B 00 03 0C", "0C"),
    exchange(UDS_MEMORY, "download of at most 129 bytes a block", "34 11 33 60 20 00 00 FF FF", Writes, "74 20 00 81", "20 00 81"),
    exchange(OBD_PAGE, "one confirmed code: P0143", "03", Reads, "43 01 01 43", "01 01 43"),
    exchange(MASK_PAGE, "identifiers of an engine, two masks in one request", "01 00 20", Reads,
        "41 00 BF BF A8 91 20 80 00 00 00", "BF BF A8 91 20 80 00 00 00"),
    exchange(MASK_PAGE, "identifiers of a gearbox", "01 00", Reads, "41 00 80 08 00 00", "80 08 00 00"),
    exchange(FREEZE_PAGE, "cause and engine speed of a freeze frame", "02 02 00 0C 00", Reads,
        "42 02 00 01 43 0C 00 1A F8", "01 43 0C 00 1A F8"),
    exchange(OBD_MEMORY, "engine speed, 1726 r/min", "01 0C", Reads, "41 0C 1A F8", "1A F8"),
    exchange(OBD_MEMORY, "codes cleared", "04", Clears, "44", ""),
    exchange(OBD_MEMORY, "no pending code", "07", Reads, "47 00", "00"),
    exchange(OBD_MEMORY, "information types, without a count", "09 00", Reads, "49 00 55 40 00 00", "55 40 00 00"),
];

#[rustfmt::skip]
pub(crate) const REQUESTS: &[Request] = &[
    Request { source: Tutorial("blog.csdn.net article 139250044"), what: "259 bytes of memory at 20481392",
        request: "23 24 20 48 13 92 01 03", effect: Reads },
];

#[test]
fn every_request_has_the_effect_that_its_service_is_said_to_have() {
    let requests = REQUESTS.iter().map(|r| (r.source, r.what, r.request, r.effect));
    for (source, what, request, effect) in
        EXCHANGES.iter().map(|e| (e.source, e.what, e.request, e.effect)).chain(requests)
    {
        assert_eq!(effect::of_iso14229(&bytes(request)), Some(effect), "{what} ({source})");
    }
}

#[test]
fn every_answer_is_recognised_and_lends_its_data() {
    for Exchange { source, what, request, answer, data, .. } in EXCHANGES {
        let (request, answer) = (bytes(request), bytes(answer));
        let found =
            PositiveResponse::parse(&request, &answer).unwrap_or_else(|error| panic!("{what} ({source}): {error}"));
        assert_eq!(found.data, bytes(data), "{what} ({source})");
    }
}

/// ISO 15765-4:2005 table 3: the first pair of identifiers.
#[test]
fn requests_and_answers_go_through_frames_and_come_back() {
    let [request, response] = [0x7E0, 0x7E8].map(|id| Address::Normal(Id::Standard(id)));
    let unfilled = Line { frames: Frames { padding: None, fd: None }, ..Line::CLASSIC };
    for line in [Line::CLASSIC, unfilled] {
        let ends = Ends { path: Path { request, response }, functional: None, tester: line, unit: line };
        for Exchange { request, answer, .. } in EXCHANGES {
            converse(&ends, &[(bytes(request), bytes(answer))]);
        }
    }
}

fn row(request: &str) -> Vec<u8> {
    bytes(EXCHANGES.iter().find(|e| e.request == request).expect("in the table").answer)
}

/// ISO 14229-1:2013 tables 295 and 296, as notes on it give them; annex D.2 for the words.
#[test]
fn codes_of_three_bytes_are_written_with_their_failure_type() {
    let read = uds::ReadDtcByStatusMask { mask: FaultStatus::from_bits_retain(0x84) };
    assert_eq!(read.emit(&mut [0; 3]), Ok(&bytes("19 02 84")[..]));
    let answer = row("19 02 84");
    let found: Vec<String> =
        read.faults(&answer).unwrap().iter().map(|fault| format!("{}: {}", fault.code, fault.status)).collect();
    assert_eq!(
        found,
        [
            "P0A9B-17: pending, test failed since the last clear",
            "P0805-11: test failed, test failed in this cycle, pending, confirmed, test failed since the last clear",
        ]
    );
}

/// ISO 14229-1:2013 11.3.5.6, table 303, and 10.2, as notes on it give them.
#[test]
fn several_records_of_one_answer_are_told_apart() {
    let read = uds::ReadDtcSnapshot { code: FaultCode::from([0x12, 0x34, 0x56]), record: 0x02 };
    let answer = row("19 04 12 34 56 02");
    let (_, items) = read.items(&answer, |_| Some(5)).unwrap();
    let items: Vec<_> = items.map(|item| item.map(|item| (item.record, item.id.0, item.data.to_vec()))).collect();
    assert_eq!(items, [Ok((2, 0x4711, bytes("A6 66 07 50 20")))]);

    let ids = [0x010A, 0x0110].map(uds::DataIdentifier);
    let answer = row("22 01 0A 01 10");
    let records =
        uds::ReadDataByIdentifier::new(&ids).unwrap().records(&answer, |id| Some(if id == ids[0] { 11 } else { 1 }));
    let data: Vec<_> = records.unwrap().map(|record| record.map(|record| record.data.to_vec())).collect();
    assert_eq!(data, [Ok(bytes("A6 66 07 50 20 1A 00 63 4A 82 7E")), Ok(bytes("8C"))]);
}

/// Lists of a tutorial after ISO 15031-5:2015; the masks are computed from them.
#[test]
fn two_masks_of_one_answer_make_the_printed_list() {
    let pids = [obd::Pid(0x00), obd::Pid(0x20)];
    let answer = row("01 00 20");
    let mut supported = obd::SupportMask::default();
    for record in obd::ReadCurrentData::new(&pids).unwrap().records(&answer, |_| Some(4)).unwrap() {
        let record = record.unwrap();
        assert!(supported.add(record.pid.0, record.data.try_into().unwrap()));
    }
    let printed = "01 03 04 05 06 07 08 09 0B 0C 0D 0E 0F 10 11 13 15 19 1C 20 21";
    assert_eq!(supported.to_string(), printed);
}

/// A tutorial after ISO 15031-5: repeated frame number, PID 02 names the code.
#[test]
fn a_freeze_frame_names_its_cause() {
    let wanted = [obd::FrozenPid { pid: obd::Pid(0x02), frame: 0 }, obd::FrozenPid { pid: obd::Pid(0x0C), frame: 0 }];
    let answer = row("02 02 00 0C 00");
    let records = obd::ReadFreezeFrame::new(&wanted).unwrap().records(&answer, |_| Some(2)).unwrap();
    let causes: Vec<_> = records.map(|record| record.unwrap().cause().map(|code| code.to_string())).collect();
    assert_eq!(causes, [Some("P0143".into()), None]);
}

/// ISO 14229-1: a refusal is told from an answer, and the newer standard's own codes have words.
#[test]
fn refusals_of_the_newer_standard_have_words() {
    let refusal = |request: &str, answer: &str| match PositiveResponse::parse(&bytes(request), &bytes(answer)) {
        Err(ResponseError::Refused(refusal)) => refusal.code.to_string(),
        other => panic!("{other:?}"),
    };
    assert_eq!(refusal("22 F1 90", "7F 22 13"), "13 incorrect length or invalid format");
    assert_eq!(refusal("31 01 FF 00", "7F 31 83"), "83 engine is running");
    assert_eq!(refusal("04", "7F 04 22"), "22 conditions not correct or request sequence error");
}
