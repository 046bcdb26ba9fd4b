//! A second opinion on what we put on a bus: frames of our own ends, read by the dissectors of tshark.
//!
//! The frames come from a tester and a unit in virtual time and go into a log of text lines, which tshark opens. It is
//! no judge of what is legal (it takes consecutive frames in the wrong order); it reassembles, splits and computes.

use std::collections::{BTreeMap, BTreeSet};
use std::fmt::Write;
use std::path::PathBuf;
use std::process::Command;

use serde_json::Value as Json;
use tickover::bench::bus::Passed;
use tickover::defs::compiled::{Read, Record};
use tickover::defs::{Definition, Raw, Reading, Value, decode};
use tickover::framing::can::Id;
use tickover::framing::isotp::{Address, Flow, Line, Path};
use tickover::services::{NegativeResponse, obd, uds};

use crate::conversation::{Ends, Exchange, converse};

/// The first pair of ISO 15765-4:2005 table 3.
const PATH: Path =
    Path { request: Address::Normal(Id::Standard(0x7E0)), response: Address::Normal(Id::Standard(0x7E8)) };

/// Requests go to this unit alone.
fn to_one(line: Line) -> Ends {
    Ends { path: PATH, functional: None, tester: line, unit: line }
}

/// Requests go to all: tshark takes service identifiers for SAE J1979's on 7DF only.
fn to_all() -> Ends {
    Ends { functional: Some(Address::Normal(Id::Standard(0x7DF))), ..to_one(Line::CLASSIC) }
}

/// Frames as tshark reads them from text: time, bus, identifier and data.
fn log_of(passed: &[Passed]) -> String {
    passed.iter().fold(String::new(), |mut log, passed| {
        let nanos = passed.end.as_nanos();
        let (seconds, micros) = (1_700_000_000 + nanos / 1_000_000_000, nanos / 1_000 % 1_000_000);
        let _ = write!(log, "({seconds}.{micros:06}) can0 {}#", passed.frame.id);
        passed.frame.data.as_slice().iter().for_each(|byte| {
            let _ = write!(log, "{byte:02X}");
        });
        log + "\n"
    })
}

/// What tshark says about a conversation.
fn tshark(name: &str, passed: &[Passed], arguments: &[&str]) -> String {
    let path = PathBuf::from(env!("CARGO_TARGET_TMPDIR")).join(format!("{name}.log"));
    std::fs::write(&path, log_of(passed)).unwrap_or_else(|error| panic!("{}: {error}", path.display()));
    let output = Command::new("tshark")
        .args(["-n", "-d", "can.subdissector,iso15765", "-r"])
        .arg(&path)
        .args(arguments)
        .output()
        .unwrap_or_else(|error| {
            panic!("tshark does not start ({error}); apt-get install -y --no-install-recommends tshark")
        });
    let told = String::from_utf8_lossy(&output.stderr);
    assert!(output.status.success(), "tshark on {}: {told}", path.display());
    String::from_utf8(output.stdout).expect("tshark writes UTF-8")
}

/// The layers of this protocol in frames that have it.
fn layers(name: &str, passed: &[Passed], subdissector: &str, protocol: &str) -> Vec<Json> {
    let decode_as = format!("iso15765.subdissector,{subdissector}");
    let said = tshark(name, passed, &["-d", &decode_as, "-T", "json", "--no-duplicate-keys"]);
    let frames: Vec<Json> = serde_json::from_str(&said).expect("JSON");
    frames.into_iter().filter_map(|frame| frame["_source"]["layers"].get(protocol).cloned()).collect()
}

fn lines(name: &str, passed: &[Passed], arguments: &[&str]) -> Vec<Vec<String>> {
    let fields = ["-T", "fields", "-E", "separator=;", "-E", "occurrence=l"];
    let said = tshark(name, passed, &[&fields[..], arguments].concat());
    said.lines().map(|line| line.split(';').map(str::to_owned).collect()).collect()
}

fn hex(bytes: &[u8]) -> String {
    bytes.iter().map(|byte| format!("{byte:02x}")).collect()
}

/// Bytes that differ from one another for at least 4096 places.
fn payload(first: u8, length: usize) -> Vec<u8> {
    let mix = |place: usize| (place * 7 + place / 251) as u8;
    core::iter::once(first).chain((1..length).map(mix)).collect()
}

/// ISO 15765-2:2016: single frames, both ends of a first frame's short form, blocks, separation times.
#[test]
fn payloads_come_out_byte_for_byte() {
    let flows = [(0, 0), (8, 0), (1, 0xF1), (3, 0x02)];
    for (i, (block_size, st_min)) in flows.into_iter().enumerate() {
        let line = Line { flow: Flow { block_size, st_min, wait_max: 0 }, ..Line::CLASSIC };
        let lengths: &[usize] = if st_min < 2 { &[1, 7, 8, 200, 256, 4095] } else { &[1, 7, 8, 200, 256] };
        let long = |first: u8| lengths.iter().map(move |length| payload(first, *length));
        let answers: Vec<Exchange> = (0..).zip(long(0x62)).map(|(n, answer)| (vec![0x22, n, 0], answer)).collect();
        let requests: Vec<Exchange> = long(0x2E).map(|request| (request, vec![0x6E])).collect();
        let passed = converse(&to_one(line), &[answers.clone(), requests.clone()].concat());
        let arguments =
            ["-Y", "iso15765.message_type == 0 || iso15765.reassembled.length", "-e", "can.id", "-e", "data.data"];
        let said = lines(&format!("payloads-{i}"), &passed, &arguments);
        let sent = answers.iter().chain(&requests).flat_map(|(request, answer)| [(2016, request), (2024, answer)]);
        let expected: Vec<Vec<String>> = sent.map(|(id, data)| vec![id.to_string(), hex(data)]).collect();
        assert_eq!(said.len(), expected.len());
        for (said, expected) in said.iter().zip(&expected) {
            assert_eq!(said, expected, "BS {block_size}, STmin {st_min:02X}");
        }
    }
}

/// PIDs of service 01 whose value tshark computes. Of 14 to 1B it has the voltage and not the trim; that of 32 it calls
/// kPa, which SAE J1979 has in Pa (from memory): numbers are compared, not labels.
#[rustfmt::skip]
const COMPUTED: &[u8] = &[
    0x03, 0x04, 0x05, 0x06, 0x07, 0x08, 0x09, 0x0A, 0x0B, 0x0C, 0x0D, 0x0E, 0x0F, 0x10, 0x11, 0x12,
    0x14, 0x15, 0x16, 0x17, 0x18, 0x19, 0x1A, 0x1B, 0x1C, 0x1F,
    0x21, 0x22, 0x23, 0x24, 0x25, 0x26, 0x27, 0x28, 0x29, 0x2A, 0x2B, 0x2C, 0x2D, 0x2E, 0x2F,
    0x30, 0x31, 0x32, 0x33, 0x34, 0x35, 0x36, 0x37, 0x38, 0x39, 0x3A, 0x3B, 0x3C, 0x3D, 0x3E, 0x3F,
    0x42, 0x43, 0x44, 0x45, 0x46, 0x47, 0x48, 0x49, 0x4A, 0x4B, 0x4C, 0x4D, 0x4E,
    0x51, 0x52, 0x53, 0x59, 0x5A, 0x5B, 0x5C, 0x5D, 0x5E,
    0x61, 0x62, 0x63,
];

/// PIDs of the definition that tshark shows as bytes, or in words that are no field.
const NOT_COMPUTED: &[u8] =
    &[0x01, 0x13, 0x1D, 0x1E, 0x41, 0x4F, 0x50, 0x54, 0x55, 0x56, 0x57, 0x58, 0x5F, 0x64, 0x66, 0x67, 0x68];

/// Fields of tshark that are no value of a PID.
const NO_VALUES: [&str; 4] = ["mode01_pid", "supported_pid", "unsupported_pid", "oxygen_sensor_id"];

#[test]
fn every_value_of_service_01_that_tshark_computes_equals_ours() {
    let path = format!("{}/../defs/obd-j1979-can.toml", env!("CARGO_MANIFEST_DIR"));
    let definition = Definition::load(path).unwrap_or_else(|report| panic!("{report:?}"));
    let layout = &definition.base;
    let records: BTreeMap<u8, &Record> = layout
        .records
        .iter()
        .flatten()
        .filter_map(|record| match record.read {
            Read::Pid(pid) => Some((pid, record)),
            _ => None,
        })
        .collect();
    let turns = (0..24).flat_map(|turn| records.iter().map(move |(pid, record)| (turn, *pid, record.length.0)));
    let exchanges: Vec<Exchange> = turns
        .map(|(turn, pid, length)| (vec![0x01, pid], [&[0x41, pid], &data(turn, length.into())[..]].concat()))
        .collect();
    let said = layers("values", &converse(&to_all(), &exchanges), "obd-ii", "obd-ii");
    let said: Vec<(u8, Vec<f64>)> = said.iter().filter_map(values_of_tshark).collect();
    assert_eq!(said.len(), exchanges.len());
    let (mut computed, mut not_computed) = (BTreeSet::new(), BTreeSet::new());
    for ((request, answer), (pid, theirs)) in exchanges.iter().zip(&said) {
        assert_eq!(*pid, request[1]);
        if theirs.is_empty() {
            not_computed.insert(*pid);
            continue;
        }
        computed.insert(*pid);
        let readings = decode::record(layout, records[pid], &answer[2..], &decode::Nothing);
        let ours: Vec<f64> = readings.expect("the length is right").iter().map(number).collect();
        assert!(ours.len() >= theirs.len(), "PID {pid:02X}: {theirs:?} where we have {ours:?}");
        for (their, our) in theirs.iter().zip(&ours) {
            // tshark prints 15 digits.
            let close = (their - our).abs() <= 1e-12 * their.abs().max(1.0);
            assert!(close, "PID {pid:02X} of {answer:02X?}: tshark has {theirs:?}, we have {ours:?}");
        }
    }
    let computed: Vec<u8> = computed.into_iter().collect();
    assert_eq!(computed, COMPUTED);
    let not_computed: Vec<u8> = not_computed.into_iter().collect();
    assert_eq!(not_computed, NOT_COMPUTED);
}

/// The smallest and the greatest bytes, then others.
fn data(turn: usize, length: usize) -> Vec<u8> {
    let byte = |place: usize| match turn {
        0 => 0x00,
        1 => 0xFF,
        turn => (turn * 89 + place * 151 + turn * place) as u8,
    };
    (0..length).map(byte).collect()
}

/// PID and values, of an answer of service 01.
fn values_of_tshark(layer: &Json) -> Option<(u8, Vec<f64>)> {
    let fields = layer.as_object()?;
    fields.get("obd-ii.raw_value")?; // of requests there is none
    let pid = integer(fields.get("obd-ii.mode01_pid")?.as_str()?);
    let is_value = |name: &str| name.contains("mode01_") && !NO_VALUES.iter().any(|other| name.ends_with(other));
    let (ratios, others): (Vec<_>, Vec<_>) =
        fields.iter().filter(|(name, _)| is_value(name)).partition(|(name, _)| name.ends_with("_fuel_air_ratio"));
    // By name; in the standard's bytes the ratio stands first.
    let values = ratios.into_iter().chain(others).map(|(_, value)| {
        let text = value.as_str().expect("a number as text");
        if text.starts_with("0x") { integer(text) as f64 } else { text.parse().expect("a number") }
    });
    Some((pid as u8, values.collect()))
}

/// `0x0c`.
fn integer(text: &str) -> u64 {
    u64::from_str_radix(text.trim_start_matches("0x"), 16).expect("hex digits")
}

/// Our value; of a state, known or not, the number that stands for it.
fn number(reading: &Reading) -> f64 {
    match (&reading.value, &reading.raw) {
        (Ok(Value::Number(number)), _) => *number,
        (_, Some(Raw::Unsigned(raw))) => *raw as f64,
        other => panic!("no number: {other:?}"),
    }
}

/// SAE J1979: masks 00 to C0, which tshark has as lists.
#[test]
fn support_masks_mean_the_same_identifiers() {
    let asked = [0x00, 0x20, 0x40, 0x60, 0x80, 0xA0, 0xC0];
    let turns = (2..12).flat_map(|turn| asked.map(|pid| (turn + usize::from(pid), pid)));
    let exchanges: Vec<Exchange> =
        turns.map(|(turn, pid)| (vec![0x01, pid], [&[0x41, pid], &data(turn, 4)[..]].concat())).collect();
    let said = layers("masks", &converse(&to_all(), &exchanges), "obd-ii", "obd-ii");
    let said: Vec<&Json> = said.iter().filter(|layer| layer.get("obd-ii.raw_value").is_some()).collect();
    assert_eq!(said.len(), exchanges.len());
    for ((request, answer), said) in exchanges.iter().zip(said) {
        let pids = [obd::Pid(request[1])];
        let mut supported = obd::SupportMask::default();
        for record in obd::ReadCurrentData::new(&pids).unwrap().records(answer, |_| Some(4)).unwrap() {
            let record = record.unwrap();
            assert!(supported.add(record.pid.0, record.data.try_into().unwrap()));
        }
        let theirs: Vec<u64> = texts(said, "obd-ii.mode01_supported_pid").into_iter().map(integer).collect();
        assert!(supported.iter().map(u64::from).eq(theirs.iter().copied()), "{answer:02X?}: {theirs:02X?}");
    }
}

/// One text or several.
fn texts<'j>(layer: &'j Json, field: &str) -> Vec<&'j str> {
    match &layer[field] {
        Json::Array(all) => all.iter().filter_map(Json::as_str).collect(),
        one => one.as_str().into_iter().collect(),
    }
}

/// SAE J1979 service 09. One unit a file: tshark does not reassemble answers that come at once.
#[test]
fn a_vehicle_identification_number_is_the_same() {
    for (n, vin) in [b"BRAMBLE62HILLCLMB", b"THISTLE9WORKSHOP1"].into_iter().enumerate() {
        let answer = [&[0x49, 0x02, 0x01], &vin[..]].concat();
        let passed = converse(&to_all(), &[(vec![0x09, 0x02], answer.clone())]);
        let said = layers(&format!("vin-{n}"), &passed, "obd-ii", "obd-ii");
        let theirs: Vec<&str> = said.iter().flat_map(|layer| texts(layer, "obd-ii.VIN")).collect();
        let read = obd::ReadVehicleInformation { info: obd::InfoType::VIN };
        let ours = read.on_can(&answer).unwrap().vin().expect("17 letters and digits");
        assert_eq!(theirs, [ours.as_str()]);
    }
}

/// ISO 14229-1: identifier and record of 22, mask and list of 19 02, service and code of a refusal.
#[test]
fn fields_of_iso_14229_are_split_alike() {
    let vin = [&[0x62, 0xF1, 0x90], &b"BRAMBLE62HILLCLMB"[..]].concat();
    let faults = vec![0x59, 0x02, 0x7F, 0x0A, 0x9B, 0x17, 0x24, 0x08, 0x05, 0x11, 0x2F];
    let refusal = vec![0x7F, 0x22, 0x31];
    let exchanges = [
        (vec![0x22, 0xF1, 0x90], vin.clone()),
        (vec![0x19, 0x02, 0x84], faults.clone()),
        (vec![0x22, 0x01, 0x10], refusal.clone()),
    ];
    let passed = converse(&to_one(Line::CLASSIC), &exchanges);
    let arguments = [
        "-d",
        "iso15765.subdissector,uds",
        "-Y",
        "uds && can.id == 0x7e8",
        "-e",
        "uds.sid",
        "-e",
        "uds.rdbi.data_identifier",
        "-e",
        "uds.rdbi.data_record",
        "-e",
        "uds.rdtci.type",
        "-e",
        "uds.rdtci.record",
        "-e",
        "uds.err.sid",
        "-e",
        "uds.err.code",
    ];
    let said = lines("iso14229", &passed, &arguments);
    let [identification, list, refused] = &said[..] else { panic!("{said:?}") };

    let ids = [uds::DataIdentifier::VIN];
    let read = uds::ReadDataByIdentifier::new(&ids).unwrap();
    let record = read.records(&vin, |_| None).unwrap().next().unwrap().unwrap();
    assert_eq!(identification[1..3], [format!("0x{:04x}", record.id.0), hex(record.data)]);

    // tshark leaves the list whole, with the mask in front.
    let read = uds::ReadDtcByStatusMask { mask: uds::FaultStatus::from_bits_retain(0x84) };
    let ours = read.faults(&faults).unwrap();
    let mut bytes = vec![ours.available.bits()];
    for fault in ours.iter() {
        bytes.extend(fault.code.code.to_be_bytes());
        bytes.extend([fault.code.failure_type.expect("three bytes"), fault.status.bits()]);
    }
    assert_eq!(list[3..5], ["0x02".to_owned(), hex(&bytes)]);

    let ours = NegativeResponse::parse(&refusal).unwrap();
    assert_eq!(refused[5..7], [format!("0x{:02x}", ours.service.0), format!("0x{:02x}", ours.code.0)]);
}
