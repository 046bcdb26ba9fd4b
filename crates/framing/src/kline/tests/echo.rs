//! Our own bytes on a single-wire line: compared, cancelled, missed.

use super::world::{at, bramble, heard, iso9141, ms, one, plain, thistle};
use crate::contract::Input;
use crate::contract::Level::{High, Low};
use crate::kline::{Line, Tester};
use crate::script::Script;
use crate::transport::{Answers, Ask, Echo, Heard, Noise, Reach, Transport};

const ANSWER: &str = "83 F1 1C 61 01 55 47";

fn reach(echo: Echo) -> Reach {
    Reach { echo, ..Reach::IDEAL }
}

/// A tester on such a port; the port really returns an echo or not.
fn asked(echo: Echo, really: Echo, line: Line) -> Script<Tester> {
    let mut t = Script::tester_on(line, reach(really));
    let mut tester = Tester::new(line, reach(echo));
    std::mem::swap(t.machine_mut(), &mut tester);
    t.at("0 ms").events();
    t.at("0 ms").does(|tester, now| {
        tester.connect(now);
    });
    t.at("0 ms").events();
    t.at("0 ms").does(|tester, now| tester.request(now, &[0x21, 0x01], one(0x1C))).unwrap();
    t
}

#[test]
fn an_answer_is_found_behind_an_echo_and_without_one() {
    for (told, really) in [
        (Echo::Returns, Echo::Returns),
        (Echo::Suppressed, Echo::Suppressed),
        (Echo::FindOut, Echo::Returns),
        (Echo::FindOut, Echo::Suppressed),
    ] {
        let mut t = asked(told, really, plain());
        t.at("35 ms").hears(ANSWER);
        assert_eq!(heard(&t.at("1 s").events()), "message of 3", "{told:?} {really:?}");
        // What was found out serves the next request too.
        t.at("1 s").does(|tester, now| tester.request(now, &[0x21, 0x01], one(0x1C))).unwrap();
        t.at("1035 ms").hears(ANSWER);
        assert_eq!(heard(&t.at("2 s").events()), "message of 3", "{told:?} {really:?}");
    }
}

/// An answer that begins like our request is not mistaken for its echo: the first byte that differs decides.
#[test]
fn without_an_echo_the_answer_s_first_bytes_are_not_lost() {
    let line = Line { tester: 0x1C, ..plain() };
    let mut t = asked(Echo::FindOut, Echo::Suppressed, line);
    // Our request is 82 1C 1C 21 01 DC; the answer has the same first three bytes.
    t.at("35 ms").hears("82 1C 1C 61 01 1C");
    let events = t.at("1 s").events();
    assert_eq!(heard(&events), "message of 2");
    let message = events.iter().find_map(|(_, event)| match event {
        Heard::Message { start, end, .. } => Some((*start, *end)),
        _ => None,
    });
    assert_eq!(message, Some((at(35_000_000), at(40_769_231))));
}

#[test]
fn another_byte_in_the_echo_is_a_collision_and_the_window_closes() {
    let mut t = asked(Echo::Returns, Echo::Suppressed, plain());
    t.at("0 ms").hears("82 1C F0 21 01 B1");
    assert_eq!(heard(&t.at("1 s").events()), "Collision { at: 2 }, silence");
}

/// Between bytes paced by P4min the rest is not sent.
#[test]
fn after_a_collision_the_rest_is_not_sent() {
    let line = Line { timing: crate::kline::Timing::NORMAL, ..plain() };
    let mut t = asked(Echo::Returns, Echo::Suppressed, line);
    t.at("0 ms").sends("82");
    t.at("0 ms").hears("83");
    t.at("0.962 ms").event(Heard::Noise { at: at(961_538), what: Noise::Collision { at: 0 } });
    // The window runs from the byte that collided: 50 ms and one character.
    t.at("51.923 ms").event(Heard::Silence { at: at(51_923_076) });
    t.at("1 s").nothing();
}

#[test]
fn an_echo_that_never_comes_is_told_when_the_window_closes() {
    let mut t = asked(Echo::Returns, Echo::Suppressed, plain());
    assert_eq!(heard(&t.at("1 s").events()), "NoEcho, silence");
}

#[test]
fn a_request_without_answer_misses_its_echo_at_the_next() {
    let mut t = asked(Echo::Returns, Echo::Suppressed, plain());
    t.at("1 s").events();
    let ask = Ask { answers: Answers::None, ..one(0x1C) };
    t.at("1 s").does(|tester, now| tester.request(now, &[0x3E], ask)).unwrap();
    assert_eq!(heard(&t.at("1.1 s").events()), "");
    t.at("1.2 s").does(|tester, now| tester.request(now, &[0x3E], ask)).unwrap();
    assert_eq!(heard(&t.at("2 s").events()), "NoEcho");
}

/// Common practice, no source: our own break comes back as 00 bytes, during it and shortly after.
#[test]
fn our_own_break_is_not_data() {
    let mut t = Script::tester(bramble());
    t.at("0 ms").line(Low);
    t.at("2 ms").hears("00");
    t.at("25 ms").line(High);
    t.at("25 ms").hears("00 00");
    t.at("50 ms").sends("81 1C F1 81 0F");
    t.at("100 ms").hears("83 F1 1C C1 6B 8F 4B");
    t.at("106.731 ms").event(Heard::Ready { key_bytes: Some((0x6B, 0x8F)) });
    t.at("1 s").nothing();
}

/// A late port: the break's 00 comes after 20 ms, the synchronisation byte is still heard.
#[test]
fn a_late_port_may_tell_the_break_late() {
    let late = Reach { late_in: ms(16), ..Reach::IDEAL };
    let mut t = Script::tester_on(iso9141(), late);
    for (time, level) in super::limits::ADDRESS_33 {
        t.at(ms(time)).line(level);
    }
    t.at("1830 ms").hears("00");
    t.at("2100 ms").hears("55");
    t.at("2110 ms").hears("08");
    t.at("2115 ms").hears("08");
    t.at("2140.962 ms").sends("F7");
}

/// An adapter delivers in lumps: echo, "response pending" and the answer in one piece.
#[test]
fn one_delivery_may_hold_several_messages() {
    let line = plain();
    let mut t = asked(Echo::Returns, Echo::Suppressed, line);
    let mut lump = std::vec![0x82, 0x1C, 0xF1, 0x21, 0x01, 0xB1];
    lump.extend([0x83, 0xF1, 0x1C, 0x7F, 0x21, 0x78, 0xA8]);
    lump.extend([0x83, 0xF1, 0x1C, 0x61, 0x01, 0x55, 0x47]);
    let end = at(60_000_000);
    t.at("45 ms").does(|tester, _| {
        use crate::contract::{Machine, Output};
        tester.handle(Input::Bytes { end, bytes: &lump });
        let mut messages = std::vec::Vec::new();
        while let Output::Event(event) = tester.poll_output() {
            if let Heard::Message { .. } = event {
                messages.push(tester.message().to_vec());
                tester.keep_waiting(ms(5000));
            }
        }
        assert_eq!(messages, [&[0x7F, 0x21, 0x78][..], &[0x61, 0x01, 0x55]]);
    });
}

/// Lateness widens what is accepted: P2max and 16 ms.
#[test]
fn a_late_port_gets_a_longer_window() {
    let late = Reach { late_in: ms(16), ..Reach::IDEAL };
    for (late_by, outcome) in [(16_000_000, "message of 3"), (16_000_001, "silence, Unasked { bytes: 3 }")] {
        let mut t = Script::tester_on(plain(), late);
        t.at("0 ms").events();
        t.at("0 ms").does(|tester, now| tester.request(now, &[0x21, 0x01], one(0x1C))).unwrap();
        let limit = plain().request_time(2) + ms(50) + core::time::Duration::from_nanos(late_by);
        t.at(limit).hears(ANSWER);
        assert_eq!(heard(&t.at("1 s").events()), outcome);
    }
}

/// A port may start our bytes late: the window and P3min wait for them.
#[test]
fn a_port_that_sends_late_gets_a_longer_window_and_keeps_p3min() {
    let late = Reach { late_out: ms(3), ..Reach::IDEAL };
    let mut t = Script::tester_on(plain(), late);
    t.at("0 ms").events();
    t.at("0 ms").does(|tester, now| tester.request(now, &[0x21, 0x01], one(0x1C))).unwrap();
    t.at("0 ms").sends("82 1C F1 21 01 B1");
    t.at("0 ms").event(Heard::Sent { start: at(0), end: at(5_769_231) });
    // 5.769 ms, 3 ms, 50 ms and one character.
    t.at("59.731 ms").event(Heard::Silence { at: at(59_730_769) });
    t.at("60 ms").does(|tester, now| tester.request(now, &[0x21, 0x01], one(0x1C))).unwrap();
    // 5.769 ms, 3 ms and 55 ms.
    t.at("63.769 ms").sends("82 1C F1 21 01 B1");
}

/// In declared framing a request looks like an answer: an echo where none was promised must not be taken for one.
#[test]
fn an_echo_that_was_not_promised_is_no_answer() {
    let mut t = asked(Echo::Suppressed, Echo::Returns, Line { unit: 0x1C, ..thistle() });
    t.at("60 ms").hears("1C 05 61 01 79");
    let events = t.at("1 s").events();
    assert_eq!(heard(&events), "Unasked { bytes: 2 }, message of 2");
}
