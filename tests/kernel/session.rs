//! A whole session over an interface of the kernel, with the kernel's ISO 15765-2 as the unit.

use std::thread;
use std::time::Duration;

use tickover::link::{Connection, Options, Reopen, can::SocketCan};
use tickover::session::NoteKind;
use tickover::{Definition, Item, Rate, Row, Session};

use crate::bus::{BUS, ip};
use crate::kernel::{Kernel, Receives};

/// One reading of one byte: 22 01 0A is answered with 62 01 0A and the byte, degrees and 40.
const DEFINITION: &str = r#"
edition = 1

[definition]
id = "kernel-62"
title = "A unit that the kernel plays"
revision = "1.0.0"
source = "invented"

[line]
type = "can"
bit_rate = 500000
addressing = "normal"
request_id = "5A1"
response_id = "5A9"
padding = 0xCC
services = "iso14229"
keep_alive = "none"

[line.timing]
p2_max = "1 s"
p2_star_max = "2 s"

[record.oil]
read = { data_identifier = 0x010A }
length = 1
source = "invented"
check = [{ bytes = "62 01 0A  5A", values = { oil_temperature = 50 }, source = "invented" }]

[channel.oil_temperature]
label = "Oil temperature"
record = "oil"
at = 0
data = "u8"
formula = "raw - 40"
unit = "Cel"
range = [-40, 150]
check = [{ bytes = "5A", value = 50 }]
"#;

fn next_row(connection: &Connection, notes: &mut Vec<(NoteKind, String)>) -> Row {
    for item in connection.items() {
        match item.unwrap_or_else(|down| panic!("{down} after {notes:?}")) {
            Item::Row(row) => return row,
            Item::Note(note) => notes.push((note.kind, note.to_string())),
        }
    }
    panic!("no more rows after {notes:?}");
}

#[test]
fn a_session_outlives_its_interface_going_down_and_up() {
    let unit = Kernel::new(0x5A1, 0x5A9, Receives::ALL_AT_ONCE);
    // Ends with the process: reads fail while the interface is down.
    thread::spawn(move || {
        loop {
            match unit.reads().as_deref() {
                Ok([0x22, 0x01, 0x0A]) => drop(unit.writes(&[0x62, 0x01, 0x0A, 0x5A])),
                Ok(other) => drop(unit.writes(&[0x7F, other[0], 0x11])),
                Err(_) => thread::sleep(Duration::from_millis(5)),
            }
        }
    });
    let definition = Definition::parse(DEFINITION, "kernel-62.toml").unwrap_or_else(|report| panic!("{report}"));
    let oil = definition.channel("oil_temperature").unwrap();
    let session = Session::new(definition).watch(oil, Rate::Fastest);
    let reopen = Reopen::Every(Duration::from_millis(50));
    let connection = Options::default().reopen(reopen).open(session, SocketCan::open(BUS).unwrap()).unwrap();
    let mut notes = Vec::new();
    let before = next_row(&connection, &mut notes);
    assert_eq!(before.response, [0x62, 0x01, 0x0A, 0x5A]);

    ip("link set vcan0 down");
    while !notes.iter().any(|(_, text)| text.contains("CAN interface vcan0 is down")) {
        let Some(Ok(item)) = connection.items().next() else { panic!("it ended after {notes:?}") };
        if let Item::Note(note) = item {
            notes.push((note.kind, note.to_string()));
        }
    }
    ip("link set vcan0 up");
    notes.clear();
    let after = next_row(&connection, &mut notes);
    assert!(after.at > before.at && after.response == before.response);
    assert!(notes.iter().any(|(_, text)| text.contains("port vcan0 is open again after")), "the gap: {notes:?}");
    let report = connection.report().unwrap();
    assert!(report.responses >= 2, "statistics go on: {report:?}");
    assert_eq!(report.reconnections, 1, "{report:?}");
}
