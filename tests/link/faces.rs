//! Both faces of a connection do the same.

use std::pin::Pin;

use tickover::defs::Value;
use tickover::framing::contract::{Act, Input};
use tickover::link::{Connection, Down, Kind, LivePort, Next, OpenError, Options, Seen, Serial, Unanswered, tokio};
use tickover::{Effect, Item, Permit};

use super::*;

/// ISO 14230-3 read ECU identification, and its positive answer.
const IDENTIFICATION: [u8; 2] = [0x1A, 0x9B];

fn is_valid(row: &Row, channel: ChannelId) -> bool {
    matches!(row.get(channel).expect("the record carries it").value, Ok(Value::Number(speed)) if speed > 0.0)
}

fn reads_and_leaves(port: impl LivePort + 'static) {
    let (session, speed) = watching();
    let connection = Connection::open(session, port).expect("a thread");
    let (mut items, mut notes) = (connection.items(), Vec::new());
    let first = next_row(&mut items, &mut notes);
    let second = next_row(&mut items, &mut notes);
    assert!(is_valid(&first, speed) && is_valid(&second, speed), "{first:?} {second:?}");
    assert!(first.at < second.at);

    let answer = connection.request(IDENTIFICATION, None).expect("reading needs no permit");
    assert_eq!(answer[..2], [0x5A, 0x9B]);
    let refused = connection.request([0x14, 0xFF, 0x00], None).expect_err("clearing needs a permit");
    assert!(matches!(refused, Unanswered::NotSent(_)), "{refused}");
    let cleared = connection.request([0x14, 0xFF, 0x00], Some(Permit::to(Effect::Clears))).expect("a permit was given");
    assert_eq!(cleared[0], 0x54);

    connection.close().expect("the unit answers the end of communication");
    let report = connection.report().expect("the last report is kept");
    assert!(report.responses >= 2, "{report:?}");
    let left = items.by_ref().inspect(|item| assert!(item.is_ok(), "a close is no loss: {item:?}")).count();
    assert!(left < 1024);
    assert_eq!(items.next_within(std::time::Duration::ZERO), Next::End);
    assert!(matches!(connection.request(IDENTIFICATION, None), Err(Unanswered::Down(Down::Ended { .. }))));
}

#[test]
fn a_session_reads_and_leaves_over_a_pseudo_terminal() {
    let bench = bench();
    let port = Serial::open(bench.path()).expect("the bench's terminal");
    assert_eq!(port.description().kind, Kind::PseudoTerminal);
    reads_and_leaves(port);
}

#[test]
fn a_session_reads_and_leaves_in_process() {
    reads_and_leaves(in_process());
}

#[test]
fn a_task_reads_and_leaves() {
    let run = async {
        let (session, speed) = watching();
        let mut connection = tokio::Connection::open(session, in_process()).expect("a thread");
        let mut rows = 0;
        while rows < 2 {
            match connection.next().await.expect("not closed yet").expect("the line is there") {
                Item::Row(row) => {
                    assert!(is_valid(&row, speed));
                    rows += 1;
                }
                Item::Note(_) => {}
            }
        }
        let answer = connection.request(IDENTIFICATION, None).await.expect("reading needs no permit");
        assert_eq!(answer[..2], [0x5A, 0x9B]);
        connection.close().await.expect("the unit answers the end of communication");
        assert!(connection.report().await.expect("the last report is kept").responses >= 2);
        // As any stream: polled, not awaited by name.
        let mut stream = Pin::new(&mut connection);
        while let Some(item) =
            std::future::poll_fn(|context| futures_core::Stream::poll_next(stream.as_mut(), context)).await
        {
            item.expect("a close is no loss");
        }
        let ended = connection.request(IDENTIFICATION, None).await;
        assert!(matches!(ended, Err(Unanswered::Down(_))), "{ended:?}");
    };
    ::tokio::runtime::Builder::new_current_thread().build().expect("a runtime").block_on(run);
}

#[test]
fn a_second_connection_to_the_same_port_is_refused_and_the_first_goes_on() {
    let bench = bench();
    let (session, _) = watching();
    let connection = Connection::open(session, Serial::open(bench.path()).expect("free")).expect("a thread");
    let (mut items, mut notes) = (connection.items(), Vec::new());
    next_row(&mut items, &mut notes);
    let refused = Serial::open(bench.path()).expect_err("one tester at a time");
    assert!(matches!(refused, OpenError::InUse { .. }), "{refused:?}");
    let before = connection.report().expect("it runs").responses;
    while connection.report().expect("it runs").responses == before {
        next_row(&mut items, &mut notes);
    }
}

#[test]
fn clones_command_the_same_session_from_other_threads() {
    let (session, _) = watching();
    let connection = Connection::open(session, in_process()).expect("a thread");
    next_row(&mut connection.items(), &mut Vec::new());
    let others: Vec<_> = (0..3)
        .map(|_| {
            let connection = connection.clone();
            std::thread::spawn(move || connection.request(IDENTIFICATION, None))
        })
        .collect();
    for other in others {
        assert_eq!(other.join().expect("no panic").expect("an answer")[..2], [0x5A, 0x9B]);
    }
}

#[test]
fn a_channel_that_is_no_longer_watched_brings_no_rows() {
    let (session, speed) = watching();
    let coolant = session.definition().channel("coolant").expect("bramble-40 has a coolant temperature");
    let connection = Connection::open(session.watch(coolant, Rate::Fastest), in_process()).expect("a thread");
    let (mut items, mut notes) = (connection.items(), Vec::new());
    while next_row(&mut items, &mut notes).get(speed).is_none() {}
    connection.set_rate(speed, None).expect("it runs");
    // The report is a command too: when it is there, the change is made. One request may still be on its way.
    connection.report().expect("it runs");
    while let Next::Item(_) = items.next_within(std::time::Duration::ZERO) {}
    next_row(&mut items, &mut notes);
    for _ in 0..3 {
        let row = next_row(&mut items, &mut notes);
        assert!(row.get(speed).is_none() && row.get(coolant).is_some(), "{row:?}");
    }
}

#[test]
fn a_slow_program_loses_the_oldest_rows_and_is_told_how_many() {
    let (session, _) = watching();
    let connection = Options::default().queue(2).open(session, in_process()).expect("a thread");
    while connection.report().expect("it runs").responses < 6 {
        std::thread::sleep(std::time::Duration::from_millis(20));
    }
    let told = next_note(&mut connection.items());
    assert_eq!(told.kind, tickover::session::NoteKind::RowsDropped, "{told}");
    assert!(told.text.contains("rows"), "{told}");
}

#[test]
fn the_tap_sees_the_requests_and_the_bytes_of_every_row() {
    let (told, seen) = std::sync::mpsc::channel();
    let tap = move |what: Seen<'_>| {
        let _ = match what {
            Seen::Act { act: Act::Transmit { .. }, .. } => told.send(None),
            Seen::Input(Input::Bytes { bytes, .. }) => told.send(Some(bytes.to_vec())),
            _ => Ok(()),
        };
    };
    let (session, _) = watching();
    let connection = Options::default().tap(tap).open(session, in_process()).expect("a thread");
    let row = next_row(&mut connection.items(), &mut Vec::new());
    drop(connection);
    let seen: Vec<_> = seen.iter().collect();
    assert!(seen.iter().any(Option::is_none), "requests are acts");
    let heard: Vec<u8> = seen.into_iter().flatten().flatten().collect();
    assert!(heard.windows(row.response.len()).any(|bytes| bytes == row.response), "{row:?} in {heard:02X?}");
}
