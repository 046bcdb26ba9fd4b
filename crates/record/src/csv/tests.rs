//! Files are read back by the `csv` crate's own reader, which is the oracle for RFC 4180.

use std::cell::Cell;
use std::fs::OpenOptions;
use std::io::{self, Write};
use std::time::{Duration, SystemTime};

use proptest::prelude::*;
use tickover_defs::compiled::UnitCode;
use tickover_defs::unit;
use tickover_defs::{ChannelId, Invalid, Raw, Reading, RecordId, Value};
use tickover_framing::Instant;
use tickover_session::{Rate, Row, UnitId};

use super::*;

const SPEED: ChannelId = ChannelId(0);
const LOOP: ChannelId = ChannelId(1);
const TRIM: ChannelId = ChannelId(2);
const BOOST: ChannelId = ChannelId(3);
const ENGINE: RecordId = RecordId(0);
const LEARNED: RecordId = RecordId(1);

fn unit_of(channel: ChannelId) -> Option<UnitCode> {
    ["/min", "", "1", "kPa"].get(usize::from(channel.0)).and_then(|code| unit::find(code).ok())
}

fn columns() -> Vec<Column> {
    let hold = Hold::two_periods(Rate::Every(Duration::from_millis(100)), Duration::ZERO);
    let engine = Some((ENGINE, "engine".into()));
    vec![
        Column {
            channel: SPEED.into(),
            name: "engine_speed".into(),
            unit: unit_of(SPEED),
            record: engine.clone(),
            hold,
        },
        Column { channel: LOOP.into(), name: "closed_loop".into(), unit: None, record: engine, hold },
        Column {
            channel: TRIM.into(),
            name: "trim".into(),
            unit: unit_of(TRIM),
            record: Some((LEARNED, "learned".into())),
            hold,
        },
        Column { channel: BOOST.into(), name: "boost".into(), unit: unit_of(BOOST), record: None, hold },
    ]
}

fn number(channel: ChannelId, number: f64) -> Reading {
    reading(channel, Ok(Value::Number(number)), unit_of(channel))
}

fn reading(channel: ChannelId, value: Result<Value, Invalid>, unit: Option<UnitCode>) -> Reading {
    Reading { channel, raw: Some(Raw::Unsigned(0)), value, unit, decimals: 1, age: Duration::ZERO }
}

fn row(millis: u64, record: RecordId, readings: Vec<Reading>) -> Row {
    Row {
        at: Instant::from_nanos(millis * 1_000_000),
        unit: UnitId::FIRST,
        record,
        response: vec![],
        response_time: Duration::from_millis(25),
        readings,
    }
}

const START: Start = Start { at: Instant::ORIGIN, utc: None };

/// Header and lines as the oracle reads them.
fn read(file: &[u8]) -> Vec<Vec<String>> {
    ::csv::ReaderBuilder::new()
        .has_headers(false)
        .from_reader(file)
        .records()
        .map(|record| record.expect("every line has the header's width").iter().map(str::to_owned).collect())
        .collect()
}

fn written(rows: &[Row]) -> Vec<Vec<String>> {
    let mut file = Vec::new();
    let mut csv = Csv::new(&mut file, columns(), START, Flush::EVERY_ROW).unwrap();
    for row in rows {
        csv.write(row).unwrap();
    }
    csv.finish().unwrap();
    read(&file)
}

#[test]
fn the_header_names_every_channel_with_its_unit_and_every_record_with_its_age() {
    assert_eq!(
        written(&[])[0],
        [
            "time [s]",
            "engine_speed [/min]",
            "closed_loop",
            "trim [1]",
            "boost [kPa]",
            "engine age [s]",
            "learned age [s]",
            "boost inputs age [s]"
        ]
    );
}

/// RFC 4180 section 2, rules 1, 3, 4 and 7: CRLF after every line, a header, equal widths, doubled quotes.
#[test]
fn lines_follow_rfc_4180() {
    let mut file = Vec::new();
    let name = "odd \"name\", quoted".into();
    let columns = vec![Column { channel: LOOP.into(), name, unit: None, record: None, hold: Hold::Forever }];
    let mut csv = Csv::new(&mut file, columns, START, Flush::EVERY_ROW).unwrap();
    csv.write(&row(1, ENGINE, vec![reading(LOOP, Ok(Value::Text("yes, \"closed\"".into())), None)])).unwrap();
    csv.finish().unwrap();
    assert_eq!(
        String::from_utf8(file).unwrap(),
        "time [s],\"odd \"\"name\"\", quoted\",\"odd \"\"name\"\", quoted inputs age [s]\"\r\n\
         0.001000,\"yes, \"\"closed\"\"\",0.000000\r\n"
    );
}

#[test]
fn a_channel_of_another_response_holds_two_periods_and_then_is_empty() {
    let lines = written(&[
        row(0, ENGINE, vec![number(SPEED, 850.0)]),
        row(200, LEARNED, vec![number(TRIM, 1.5)]),
        row(201, LEARNED, vec![number(TRIM, 1.5)]),
    ]);
    assert_eq!((&*lines[2][1], &*lines[2][5]), ("850", "0.200000"));
    assert_eq!((&*lines[3][1], &*lines[3][5]), ("", "0.201000"));
}

#[test]
fn an_invalid_reading_is_empty_and_does_not_bring_the_former_value_back() {
    let lines = written(&[
        row(0, ENGINE, vec![number(SPEED, 850.0)]),
        row(50, ENGINE, vec![reading(SPEED, Err(Invalid::Declared("not available".into())), unit_of(SPEED))]),
        row(60, LEARNED, vec![number(TRIM, 1.5)]),
    ]);
    assert_eq!([&lines[1][1], &lines[2][1], &lines[3][1]], ["850", "", ""]);
}

/// A channel on another page of the record keeps its last value, and the record's age says how old that is.
#[test]
fn a_channel_without_a_reading_in_its_own_response_ages() {
    let lines = written(&[
        row(0, ENGINE, vec![number(SPEED, 850.0), reading(LOOP, Ok(Value::Text("yes".into())), None)]),
        row(50, ENGINE, vec![number(SPEED, 860.0)]),
    ]);
    assert_eq!([&lines[2][1], &lines[2][2], &lines[2][5]], ["860", "yes", "0.050000"]);
}

#[test]
fn a_derived_channel_is_as_old_as_its_oldest_input() {
    let mut boost = number(BOOST, 40.0);
    boost.age = Duration::from_millis(30);
    let lines = written(&[row(100, ENGINE, vec![boost]), row(110, LEARNED, vec![])]);
    assert_eq!([&lines[1][4], &lines[1][7]], ["40", "0.030000"]);
    assert_eq!([&lines[2][4], &lines[2][7]], ["40", "0.040000"]);
}

#[test]
fn what_is_read_once_never_ages_out() {
    let mut columns = columns();
    columns.truncate(1);
    columns[0].hold = Hold::Forever;
    let mut file = Vec::new();
    let mut csv = Csv::new(&mut file, columns, START, Flush::EVERY_ROW).unwrap();
    csv.write(&row(0, ENGINE, vec![number(SPEED, 1.0)])).unwrap();
    csv.write(&row(3_600_000, LEARNED, vec![])).unwrap();
    csv.finish().unwrap();
    assert_eq!(read(&file)[2], ["3600.000000", "1", "3600.000000"]);
}

/// RFC 3339 section 5.6 gives the form; 2000-03-01T00:00:00Z is Unix time 951868800 (from memory: day after a leap day).
#[test]
fn the_clock_is_utc() {
    let utc = Some(SystemTime::UNIX_EPOCH + Duration::from_secs(951_868_800));
    let mut file = Vec::new();
    let start = Start { at: Instant::from_nanos(5_000_000_000), utc };
    let mut csv = Csv::new(&mut file, vec![], start, Flush::EVERY_ROW).unwrap();
    csv.write(&row(6_250, ENGINE, vec![])).unwrap();
    csv.finish().unwrap();
    assert_eq!(read(&file), [["time [s]", "clock"], ["1.250000", "2000-03-01T00:00:01.250000Z"]]);
}

#[test]
fn a_number_in_another_unit_is_refused() {
    let mut csv = Csv::new(Vec::new(), columns(), START, Flush::EVERY_ROW).unwrap();
    let other = reading(SPEED, Ok(Value::Number(14.0)), unit::find("Hz").ok());
    let error = csv.write(&row(0, ENGINE, vec![other])).unwrap_err();
    assert!(error.to_string().starts_with("caller: channel engine_speed came in [Hz] where its column says [/min];"));
}

/// Takes `room` bytes, then says that the disk is full; more room can be made.
struct Disk<'a> {
    file: &'a mut Vec<u8>,
    room: &'a Cell<usize>,
}

impl Write for Disk<'_> {
    fn write(&mut self, bytes: &[u8]) -> io::Result<usize> {
        let count = bytes.len().min(self.room.get()).min(7);
        if count == 0 {
            return Err(io::ErrorKind::StorageFull.into());
        }
        self.room.set(self.room.get() - count);
        self.file.extend_from_slice(&bytes[..count]);
        Ok(count)
    }

    fn flush(&mut self) -> io::Result<()> {
        Ok(())
    }
}

#[test]
fn a_full_disk_keeps_the_rows_so_far_and_says_how_many() {
    for room in 0..400 {
        let (mut file, room_left) = (Vec::new(), Cell::new(room));
        let disk = Disk { file: &mut file, room: &room_left };
        let rows: Vec<_> = (0..10).map(|i| row(i, ENGINE, vec![number(SPEED, i as f64)])).collect();
        let error = match Csv::new(disk, columns(), START, Flush::EVERY_ROW) {
            Err(error) => error,
            Ok(mut csv) => {
                let Some(error) = rows.iter().find_map(|row| csv.write(row).err()) else { continue };
                error
            }
        };
        let CsvError::Write { safe, source } = error else { panic!("{error}") };
        assert_eq!(source.kind(), io::ErrorKind::StorageFull);
        assert_eq!(file.len(), room, "everything that fitted was written");
        file.truncate(safe.bytes as usize);
        let lines = read(&file);
        assert_eq!(lines.len() as u64, if safe.bytes == 0 { 0 } else { safe.rows + 1 });
        for (line, row) in lines.iter().skip(1).zip(&rows) {
            assert_eq!(line[0], seconds(row.at.since(Instant::ORIGIN)));
        }
    }
}

#[test]
fn when_there_is_room_again_no_row_is_missing() {
    let (mut file, room) = (Vec::new(), Cell::new(160));
    let disk = Disk { file: &mut file, room: &room };
    let mut csv = Csv::new(disk, columns(), START, Flush::EVERY_ROW).unwrap();
    let rows: Vec<_> = (0..4).map(|i| row(i, ENGINE, vec![number(SPEED, i as f64)])).collect();
    csv.write(&rows[0]).unwrap();
    csv.write(&rows[1]).unwrap_err();
    csv.write(&rows[2]).unwrap_err();
    room.set(10_000);
    csv.write(&rows[3]).unwrap();
    csv.finish().unwrap();
    let speeds: Vec<_> = read(&file).into_iter().skip(1).map(|line| line[1].clone()).collect();
    assert_eq!(speeds, ["0", "1", "3"], "a row refused while another waits is the caller's to keep");
}

#[test]
fn rows_wait_as_the_policy_says() {
    let count = |policy| {
        let mut csv = Csv::new(Vec::new(), columns(), START, policy).unwrap();
        let safe = (0..10).map(|i| {
            csv.write(&row(i * 10, ENGINE, vec![])).unwrap();
            csv.safe().rows
        });
        safe.collect::<Vec<_>>()
    };
    assert_eq!(count(Flush::EVERY_ROW), [1, 2, 3, 4, 5, 6, 7, 8, 9, 10]);
    assert_eq!(count(Flush::Rows(4.try_into().unwrap())), [0, 0, 0, 4, 4, 4, 4, 8, 8, 8]);
    assert_eq!(count(Flush::Every(Duration::from_millis(30))), [0, 0, 0, 4, 4, 4, 7, 7, 7, 10]);
}

#[test]
fn dropping_writes_what_waits() {
    let mut file = Vec::new();
    let mut csv = Csv::new(&mut file, columns(), START, Flush::Rows(100.try_into().unwrap())).unwrap();
    csv.write(&row(0, ENGINE, vec![])).unwrap();
    drop(csv);
    assert_eq!(read(&file).len(), 2);
}

/// full(4) of the Linux manual: every write to /dev/full fails with ENOSPC.
#[cfg(target_os = "linux")]
#[test]
fn a_full_device_gives_one_clear_sentence() {
    let full = OpenOptions::new().write(true).open("/dev/full").unwrap();
    let error = Csv::new(full, columns(), START, Flush::EVERY_ROW).unwrap_err();
    assert_eq!(
        error.to_string(),
        "file: the rows after row 0 were not written (No space left on device (os error 28)); \
         the 0 rows before are safe; make room or write to another place"
    );
}

proptest! {
    /// Oracle: the `csv` crate's reader and Rust's `f64` parser.
    #[test]
    fn what_is_written_reads_back_the_same(values in proptest::collection::vec((any::<f64>(), ".*", any::<bool>()), 1..20)) {
        let rows: Vec<_> = values.iter().enumerate().map(|(i, (value, text, valid))| {
            let value = if *valid { *value } else { f64::NAN };
            let speed = if value.is_finite() { Ok(Value::Number(value)) } else { Err(Invalid::NotANumber) };
            let text = Ok(Value::Text(text.clone().into()));
            row(i as u64, ENGINE, vec![reading(SPEED, speed, unit_of(SPEED)), reading(LOOP, text, None)])
        }).collect();
        let lines = written(&rows);
        prop_assert_eq!(lines.len(), rows.len() + 1);
        for (line, (value, text, valid)) in lines.iter().skip(1).zip(&values) {
            prop_assert_eq!(&line[2], text);
            if *valid && value.is_finite() {
                prop_assert_eq!(line[1].parse::<f64>().unwrap().to_bits(), value.to_bits());
            } else {
                prop_assert_eq!(&line[1], "");
            }
        }
    }
}
