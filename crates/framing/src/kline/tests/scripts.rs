//! Whole conversations, one end each, in virtual time.

use super::limits::ADDRESS_33;
use super::world::{at, bramble, iso9141, ms, one, plain};
use crate::contract::Level::{High, Low};
use crate::contract::{Machine, Output};
use crate::kline::{AccessTiming, FiveBaud, Init, Line, Stopping, Tester, Timing, UnitEvent};
use crate::script::Script;
use crate::transport::{Heard, Noise, Peer, Stage, Transport};

/// SSF 14230-2 issue 1, table 5: 25 ms low, 25 ms high, then the request; P4min between its bytes; P3min after it.
#[test]
fn fast_initialisation_from_the_tester_s_side() {
    let mut t = Script::tester(bramble());
    t.at("0 ms").line(Low);
    t.at("25 ms").line(High);
    t.at("50 ms").sends("81 1C F1 81 0F");
    t.at("100 ms").hears("83 F1 1C C1 E9 8F C9");
    t.at("106.731 ms").event(Heard::Ready { key_bytes: Some((0xE9, 0x8F)) });
    t.at("110 ms").does(|tester, now| tester.request(now, &[0x21, 0x01], one(0x1C))).unwrap();
    t.at("161.731 ms").sends("82 1C F1 21 01 B1");
    // Told when the last byte is handed over; its end lies one character ahead.
    t.at("191.538 ms").event(Heard::Sent { start: at(161_730_769), end: at(192_499_997) });
    t.at("230 ms").hears("84 F1 1C 61 01 2A 55 72");
    t.at("237.692 ms").event(Heard::Message {
        from: Peer::Unit(0x1C),
        start: at(230_000_000),
        end: at(237_692_308),
        len: 4,
    });
    assert_eq!(t.machine().message(), [0x61, 0x01, 0x2A, 0x55]);
    t.at("10 s").nothing();
}

/// The same from the unit's side; after P3max it is silent and waits for the next pattern.
#[test]
fn fast_initialisation_from_the_unit_s_side() {
    let mut u = Script::unit(bramble());
    u.at("0 ms").edge(Low);
    u.at("25 ms").edge(High);
    u.at("50 ms").hears_paced("81 1C F1 81 0F", ms(5));
    u.at("99.808 ms").sends("83 F1 1C C1 6B 8F 4B");
    u.at("99.808 ms").event(UnitEvent::Started { at: at(106_538_459) });
    u.at("170 ms").hears("82 1C F1 21 01 B1");
    u.at("175.769 ms").event(UnitEvent::Request { functional: false, start: at(170_000_000), end: at(175_769_231) });
    assert_eq!(u.machine().request(), [0x21, 0x01]);
    u.at("176 ms").does(|unit, now| unit.respond(now, &[0x61, 0x01, 0x2A], ms(30))).unwrap();
    u.at("205.769 ms").sends("83 F1 1C 61 01 2A 1C");
    u.at("205.769 ms").event(UnitEvent::Sent { start: at(205_769_231), end: at(212_500_000) });
    // P3max after the answer, and one character until it is certain.
    u.at("5213.462 ms").event(UnitEvent::TimedOut { at: at(5_213_461_538) });
    u.at("6 s").edge(Low);
    u.at("6025 ms").edge(High);
    u.at("6050 ms").hears_paced("81 1C F1 81 0F", ms(5));
    u.at("6099.808 ms").sends("83 F1 1C C1 6B 8F 4B");
}

/// From memory: five-baud exchange with ISO 9141-2 key bytes: T 33, E 55 08 08, T F7, E CC; W4min before ours.
#[test]
fn five_baud_initialisation_from_the_tester_s_side() {
    let mut t = Script::tester(iso9141());
    for (time, level) in ADDRESS_33 {
        t.at(ms(time)).line(level);
    }
    // Our own break, come back, is not data: until 20 ms after the last edge.
    t.at("1819 ms").hears("00");
    t.at("2100 ms").hears("55");
    t.at("2110 ms").hears("08");
    t.at("2115 ms").hears("08");
    t.at("2140.962 ms").sends("F7");
    t.at("2170 ms").hears("CC");
    t.at("2170.962 ms").event(Heard::Ready { key_bytes: Some((0x08, 0x08)) });
    t.at("2200 ms").does(|tester, now| tester.request(now, &[0x01, 0x0C], one(0x10))).unwrap();
    t.at("2225.962 ms").sends("68 6A F1 01 0C D0");
}

#[test]
fn five_baud_initialisation_from_the_unit_s_side() {
    let mut u = Script::unit(iso9141());
    for (time, level) in ADDRESS_33 {
        u.at(ms(time)).edge(level);
    }
    u.at("2060 ms").sends("55");
    u.at("2065.962 ms").sends("08");
    u.at("2066.923 ms").sends("08");
    u.at("2100 ms").hears("F7");
    u.at("2125.962 ms").sends("CC");
    u.at("2125.962 ms").event(UnitEvent::Started { at: at(2_126_923_076) });
    u.at("2200 ms").hears("68 6A F1 01 0C D0");
    // Without a length only P4max ends the request.
    u.at("2226.731 ms").event(UnitEvent::Request {
        functional: true,
        start: at(2_200_000_000),
        end: at(2_205_769_231),
    });
}

/// From memory: with key bytes EF 8F the tester answers 70.
#[test]
fn key_bytes_of_iso_14230_are_answered_by_their_inverse() {
    let init = Init::FiveBaud(FiveBaud { address: 0x33, key_bytes: None, unit_confirms: false });
    let mut t = Script::tester(Line { init, ..bramble() });
    for (time, level) in ADDRESS_33 {
        t.at(ms(time)).line(level);
    }
    t.at("2100 ms").hears("55");
    t.at("2110 ms").hears("EF");
    t.at("2115 ms").hears("8F");
    t.at("2140.962 ms").sends("70");
    t.at("2140.962 ms").event(Heard::Ready { key_bytes: Some((0xEF, 0x8F)) });
}

#[test]
fn what_goes_wrong_in_a_five_baud_initialisation_is_named() {
    let cases = [
        ("2100 ms", "54", Stage::Synchronisation { found: 0x54 }),
        ("2100 ms", "55", Stage::KeyBytes),
        ("2100 ms", "", Stage::NoAnswer),
    ];
    for (time, bytes, stage) in cases {
        let mut t = Script::tester(iso9141());
        for (time, level) in ADDRESS_33 {
            t.at(ms(time)).line(level);
        }
        t.at(time).hears(bytes);
        let events = t.at("4 s").events();
        assert!(matches!(events[..], [(_, Heard::NotReady { stage: s, .. })] if s == stage), "{stage:?}: {events:?}");
    }
    let mut t = Script::tester(iso9141());
    for (time, level) in ADDRESS_33 {
        t.at(ms(time)).line(level);
    }
    t.at("2100 ms").hears("55");
    t.at("2110 ms").hears("94 94");
    let events = t.at("4 s").events();
    assert!(
        matches!(events[..], [(_, Heard::NotReady { stage: Stage::OtherKeyBytes { found: (0x94, 0x94) }, .. })]),
        "{events:?}"
    );
}

/// SSF 14230-2 issue 1, 6.1.1: a garbled answer is dropped and a new P2 opens; then P3min and a new pattern.
#[test]
fn a_garbled_answer_to_start_communication_may_be_repeated() {
    let mut t = Script::tester(bramble());
    t.at("0 ms").line(Low);
    t.at("25 ms").line(High);
    t.at("50 ms").sends("81 1C F1 81 0F");
    t.at("100 ms").hears("83 F1 1C C1 E9 8F CA");
    t.at("106.731 ms")
        .event(Heard::Noise { at: at(106_730_769), what: Noise::Checksum { found: 0xCA, expected: 0xC9 } });
    t.at("150 ms").hears("83 F1 1C C1 E9 8F C9");
    t.at("156.731 ms").event(Heard::Ready { key_bytes: Some((0xE9, 0x8F)) });
}

/// After a failed attempt the line is idle for P3min, then the pattern comes again (SSF 14230-2 issue 1, 6.1.1).
#[test]
fn a_silent_unit_is_woken_again_after_p3min() {
    let mut t = Script::tester(bramble());
    t.at("0 ms").line(Low);
    t.at("25 ms").line(High);
    t.at("50 ms").sends("81 1C F1 81 0F");
    // 74.808 ms end of the request, 50 ms window, one character.
    t.at("125.769 ms").event(Heard::NotReady { at: at(125_769_228), stage: Stage::NoAnswer });
    t.at("126 ms").does(|tester, now| tester.connect(now));
    t.at("126 ms").speed(bramble().speed());
    t.at("129.808 ms").line(Low);
}

#[test]
fn a_byte_on_the_line_starts_tidle_again() {
    let mut t = Script::tester(bramble());
    t.at("0 ms - 10 ms").hears("00");
    t.at("290.962 ms").line(Low);
}

/// SSF 14230-2 issue 1, 6.2: after noise the unit is silent; another P3min, and it listens again.
#[test]
fn a_unit_ignores_a_bad_sum_and_hears_the_repeat() {
    let mut u = Script::started_unit(plain());
    u.at("0 ms").hears("82 1C F1 21 01 B2");
    let noise = Noise::Checksum { found: 0xB2, expected: 0xB1 };
    u.at("5.769 ms").event(UnitEvent::Noise { at: at(5_769_231), what: noise });
    u.at("70 ms").hears("82 1C F1 21 01 B1");
    u.at("75.769 ms").event(UnitEvent::Request { functional: false, start: at(70_000_000), end: at(75_769_231) });
    u.at("1 s").nothing();
}

#[test]
fn a_unit_hears_only_its_own_addresses() {
    let mut u = Script::started_unit(plain());
    u.at("0 ms").hears("82 1D F1 21 01 B2");
    u.at("5.769 ms").event(UnitEvent::Ignored { start: at(0), why: crate::kline::Ignored::Foreign });
    u.at("100 ms").hears("C2 34 F1 21 01 09");
    u.at("105.769 ms").event(UnitEvent::Ignored { start: at(100_000_000), why: crate::kline::Ignored::Foreign });
}

/// SSF 14230-2 issue 1, 4.1.3: a unit accepts any tester's address, and answers to that one.
#[test]
fn a_unit_answers_whoever_asked() {
    let mut u = Script::started_unit(plain());
    u.at("0 ms").hears("82 1C F2 21 01 B2");
    u.at("5.769 ms").event(UnitEvent::Request { functional: false, start: at(0), end: at(5_769_231) });
    u.at("6 ms").does(|unit, now| unit.respond(now, &[0x61], ms(25))).unwrap();
    u.at("30.769 ms").sends("81 F2 1C 61 F0");
}

/// On a port without pulses a unit takes StartCommunication as it comes.
#[test]
fn where_no_pulse_arrives_none_is_asked_for() {
    let reach = crate::transport::Reach { pulse: false, ..crate::transport::Reach::IDEAL };
    let mut u = Script::unit_on(bramble(), reach);
    u.at("0 ms").hears("81 1C F1 81 0F");
    u.at("29.808 ms").sends("83 F1 1C C1 6B 8F 4B");
}

/// ISO 14230-2 5.1.2: StartCommunication to a running unit is accepted; a five-baud address starts it anew.
#[test]
fn a_running_unit_may_be_started_again() {
    let mut u = Script::started_unit(plain());
    u.at("0 ms").hears("81 1C F1 81 0F");
    u.at("29.808 ms").sends("83 F1 1C C1 6B 8F 4B");
    let mut u = Script::unit(iso9141());
    for round in [0, 10_000] {
        for (time, level) in ADDRESS_33 {
            u.at(ms(round + time)).edge(level);
        }
        u.at(ms(round + 2060)).sends("55");
        u.at(ms(round + 3000)).events();
    }
}

/// A running unit takes the pulse of another tester for noise (SSF 14230-2 issue 1, 5.1.2.2.1).
#[test]
fn a_pulse_does_not_disturb_a_running_five_baud_unit() {
    let mut u = Script::unit(iso9141());
    for (time, level) in ADDRESS_33 {
        u.at(ms(time)).edge(level);
    }
    u.at("2060 ms").sends("55");
    u.at("2065.962 ms").sends("08 08");
    u.at("2100 ms").hears("F7");
    u.at("2125.962 ms").sends("CC");
    u.at("2125.962 ms").event(UnitEvent::Started { at: at(2_126_923_076) });
    u.at("2200 ms").edge(Low);
    u.at("2225 ms").edge(High);
    u.at("2250 ms").hears("68 6A F1 01 0C D0");
    u.at("2276.731 ms").event(UnitEvent::Request {
        functional: true,
        start: at(2_250_000_000),
        end: at(2_255_769_231),
    });
}

/// 31 instead of 33: one bit decides.
#[test]
fn an_address_for_another_unit_starts_nothing() {
    let mut u = Script::unit(iso9141());
    for (time, level) in [(0, Low), (200, High), (400, Low), (1000, High), (1400, Low), (1800, High)] {
        u.at(ms(time)).edge(level);
    }
    u.at("4 s").nothing();
}

/// What a machine waits for has a name, whatever layer asks.
#[test]
fn deadlines_tell_their_names() {
    let mut t = Script::tester(bramble());
    let mut names = std::vec::Vec::new();
    for time in ["0 ms - 1 ms", "10 ms", "30 ms", "51 ms", "75 ms", "140 ms"] {
        let name = t.at(time).does(|tester, _| match tester.poll_output() {
            Output::WaitUntil { why, .. } => why.name,
            other => panic!("{other:?}"),
        });
        names.push(name);
        if time == "75 ms" {
            t.at("100 ms").hears("83 F1 1C C1 6B 8F 4B");
            t.at("110 ms").events();
            t.at("110 ms").does(|tester, now| tester.request(now, &[0x3E], one(0x1C))).unwrap();
        }
    }
    assert_eq!(names, ["Tidle", "TiniL", "TWup", "P4min", "P2max", "P3min"]);
}

#[test]
fn errors_say_what_was_expected_and_what_came() {
    use std::string::ToString;
    let said = |error: &dyn core::error::Error| error.to_string();
    use crate::kline::{BlockError, MessageError};
    use crate::transport::Misuse;
    assert_eq!(said(&MessageError::Checksum { found: 0x03, expected: 0x04 }), "checksum 03 where 04 was expected");
    assert_eq!(
        said(&BlockError::Constant { at: 0, found: 0xA4, expected: 0xA5 }),
        "byte 0 is A4 where this framing always has A5"
    );
    assert_eq!(
        said(&Misuse::Length { length: 256, limit: 255 }),
        "the request has 256 bytes, a message of this framing holds 1 to 255"
    );
    let timing = Timing { p3_min: ms(128), ..Timing::NORMAL };
    assert_eq!(
        said(&AccessTiming::encode(&timing).unwrap_err()),
        "P3min of 128ms cannot be asked for; its byte reaches 127.5ms"
    );
}

/// SSF 14230-2 issue 1, 4.4.1: after the final answer P2 holds again, not P2*.
#[test]
fn after_the_final_answer_the_short_window_holds_again() {
    let line = plain();
    let mut t = Script::connected_tester(line);
    t.at("0 ms").does(|tester, now| tester.request(now, &[0x21, 0x01], super::world::all())).unwrap();
    t.at("40 ms").hears("83 F1 1C 7F 21 78 A8");
    t.at("46.731 ms").does(|tester, _| tester.keep_waiting(ms(5000)));
    t.at("3 s").hears("83 F1 1C 61 01 55 47");
    let events = t.at("10 s").events();
    let last = events.last().unwrap();
    assert_eq!(super::world::heard(&events), "message of 3, message of 3, silence");
    // The answer's end, 50 ms, one character.
    assert_eq!(last.0, core::time::Duration::from_nanos(3_006_730_769 + 50_000_000 + 961_538));
}

/// A line that stays low is deaf for everybody on it.
#[test]
fn whoever_gives_up_a_pattern_lets_go_of_the_line() {
    let mut t = Script::tester(bramble());
    t.at("0 ms").line(Low);
    assert_eq!(t.at("10 ms").does(Tester::stop), Ok(Stopping::Over));
    t.at("10 ms").line(High);
    t.at("1 s").nothing();
    let mut t = Script::tester(iso9141());
    t.at("0 ms").line(Low);
    t.at("100 ms").does(|tester, now| tester.connect(now));
    t.at("100 ms").line(High);
    t.at("100 ms").speed(iso9141().speed());
    // W5 from the second call on, then the address from its start bit.
    t.at("400 ms").line(Low);
    t.at("600 ms").line(High);
}
