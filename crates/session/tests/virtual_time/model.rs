//! Achieved beside theoretical, against the framing crate's control unit on an ideal wire.

use std::time::Duration;

use tickover_framing::Instant;
use tickover_framing::contract::Parity;
use tickover_framing::kline::{
    BlockField, BlockFraming, Checksum, FiveBaud, Framing, Init, LengthCounts, Line, Unit, UnitEvent,
};
use tickover_framing::script::{Pair, Told};
use tickover_framing::transport::Reach;
use tickover_session::{Rate, Session};

use crate::build::{Build, TESTER, UNIT};

/// Runs 20 s of polling two records as fast as possible; gives achieved over predicted.
fn share_of_the_model(line: Line, p2: Duration, data: usize) -> f64 {
    let build = Build::new()
        .line(|definition| definition.line = line)
        .record("first", 0x01, data as u16)
        .byte("a", 0)
        .record("second", 0x02, data as u16)
        .byte("b", 0);
    let session =
        Session::new(build.definition.clone()).watch(build.id("a"), Rate::Fastest).watch(build.id("b"), Rate::Fastest);
    let predicted = session.predict(p2).per_second;
    let mut pair = Pair::new(session, Unit::new(line, Reach::IDEAL), Instant::ORIGIN);
    pair.a.connect(Instant::ORIGIN, Reach::IDEAL);
    let end = Instant::ORIGIN.after(Duration::from_secs(20));
    pair.run(end, |_, unit, now, told| {
        if let Told::B(UnitEvent::Request { .. }) = told {
            let [0x21, id] = *unit.request() else { panic!("asked for {:02X?}", unit.request()) };
            let answer = [&[0x61, id][..], &vec![7; data]].concat();
            unit.respond(now, &answer, p2).unwrap();
        }
        false
    });
    let report = pair.a.report(end);
    assert_eq!((report.noise, report.silences, report.repeats), (0, 0, 0), "{report:?}");
    report.achieved.unwrap() / predicted
}

/// The model: T = n_req tc + (n_req - 1) P4 + P2 + n_resp tc + (n_resp - 1) P1 + P3, timers of ISO 14230-2 table 1a
/// and shorter ones.
#[test]
fn the_whole_theoretical_rate_is_reached() {
    let ms = Duration::from_millis;
    for baud in [9_600, 10_400, 38_400, 125_000] {
        for (p2, p3, p4) in [(25, 55, 5), (25, 55, 0), (25, 5, 0), (5, 5, 0), (5, 0, 0), (1, 0, 0)] {
            for data in [5, 60, 125] {
                let mut line = Line::iso14230(UNIT, TESTER);
                line.baud = baud;
                (line.timing.p3_min, line.timing.p4_min) = (ms(p3), ms(p4));
                line.timing.p2_min = ms(p2);
                let share = share_of_the_model(line, ms(p2), data);
                assert!(
                    (0.999..=1.001).contains(&share),
                    "{baud} Bd, P2 {p2}, P3 {p3}, P4 {p4}, {data} bytes: {share}"
                );
            }
        }
    }
}

/// Key bytes of ISO 14230 (from memory); parity makes a character of 11 bits.
#[test]
fn it_is_reached_after_a_five_baud_initialisation_and_with_parity_too() {
    let mut line = Line::iso14230(UNIT, TESTER);
    line.init = Init::FiveBaud(FiveBaud { address: UNIT, key_bytes: None, unit_confirms: true });
    let share = share_of_the_model(line, Duration::from_millis(25), 20);
    assert!((0.999..=1.001).contains(&share), "{share}");

    let mut line = Line::iso14230(UNIT, TESTER);
    (line.init, line.parity, line.baud) = (Init::None, Parity::Even, 9_600);
    let share = share_of_the_model(line, Duration::from_millis(30), 20);
    assert!((0.999..=1.001).contains(&share), "{share}");
}

/// ISO 9141-2: P1max of silence ends an answer, so that P3 is at least as long.
#[test]
fn it_is_reached_where_silence_ends_a_message() {
    let mut line = Line::iso14230(UNIT, TESTER);
    line.init = Init::None;
    // common practice, no source: blocks of a unit before the standards that do not say how long they are.
    let block = BlockFraming::new(
        &[BlockField::Unit, BlockField::Data, BlockField::Checksum],
        LengthCounts::WholeFrame,
        Checksum::Xor8,
    );
    for framing in [Framing::Iso9141, Framing::Declared(block.unwrap())] {
        line.framing = framing;
        for p3 in [55, 5] {
            line.timing.p3_min = Duration::from_millis(p3);
            let share = share_of_the_model(line, Duration::from_millis(25), 5);
            assert!((0.999..=1.001).contains(&share), "{framing:?}, P3 {p3}: {share}");
        }
    }
}
