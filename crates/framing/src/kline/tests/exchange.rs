//! Tester against unit on one wire: what a session will live on.

use core::time::Duration;
use std::vec::Vec;

use super::world::{all, bramble, iso9141, ms, one, plain, thistle};
use crate::Instant;
use crate::kline::{FiveBaud, Framing, Init, KeyBytes, Line, Tester, Timing, Unit, UnitEvent};
use crate::script::{Pair, Told};
use crate::transport::{Ask, Heard, Reach, Transport};

const REQUEST: [u8; 2] = [0x21, 0x01];

/// Connects, then asks `rounds` times as fast as the line allows; gives the starts of the requests.
fn poll(line: Line, ask: Ask, answer: &[u8], p2: Duration, p1: Duration, rounds: usize) -> Vec<Instant> {
    let mut tester = Tester::new(line, Reach::IDEAL);
    let mut unit = Unit::new(line, Reach::IDEAL);
    unit.set_p1(p1);
    tester.connect(Instant::ORIGIN);
    let mut pair = Pair::new(tester, unit, Instant::ORIGIN);
    let mut starts = Vec::new();
    let mut good = 0;
    let done = pair.run(Instant::ORIGIN.after(Duration::from_secs(600)), |tester, unit, now, told| {
        match told {
            Told::A(Heard::Ready { .. }) => tester.request(now, &REQUEST, ask).unwrap(),
            Told::A(Heard::Sent { start, .. }) => starts.push(start),
            Told::A(Heard::Message { len, .. }) => {
                assert_eq!(tester.message(), answer);
                assert_eq!(usize::from(len), answer.len());
                good += 1;
                if ask.answers == crate::transport::Answers::One {
                    tester.request(now, &REQUEST, ask).unwrap();
                }
            }
            Told::A(Heard::Silence { .. }) if ask == all() => tester.request(now, &REQUEST, ask).unwrap(),
            Told::A(other) => panic!("{other:?} at {now}"),
            Told::B(UnitEvent::Request { .. }) => {
                assert_eq!(unit.request(), REQUEST);
                unit.respond(now, answer, p2).unwrap();
            }
            Told::B(UnitEvent::Started { .. } | UnitEvent::Sent { .. }) => {}
            Told::B(other) => panic!("{other:?} at {now}"),
        }
        starts.len() > rounds
    });
    assert!(done && good == rounds, "{good} answers to {} requests", starts.len());
    starts
}

#[track_caller]
fn every_exchange_takes_what_the_model_says(line: Line, answer: &[u8], p2: Duration, p1: Duration) {
    let model = line.exchange_time(REQUEST.len(), answer.len(), p2, p1);
    for pair in poll(line, one(line.unit), answer, p2, p1, 50).windows(2) {
        assert_eq!(pair[1].since(pair[0]), model);
    }
}

fn answer(len: usize) -> Vec<u8> {
    [0x61, 0x01].into_iter().chain((2..len).map(|i| i as u8)).collect()
}

#[test]
fn iso_14230_keeps_to_the_model_to_the_nanosecond() {
    for len in [2, 12, 63, 64, 100, 255] {
        every_exchange_takes_what_the_model_says(bramble(), &answer(len), ms(25), Duration::ZERO);
        every_exchange_takes_what_the_model_says(plain(), &answer(len), ms(25), Duration::ZERO);
    }
}

#[test]
fn gaps_between_the_answer_s_bytes_count() {
    every_exchange_takes_what_the_model_says(bramble(), &answer(20), ms(30), Duration::from_micros(700));
}

#[test]
fn the_model_holds_with_the_shortest_times_and_a_fast_line() {
    let timing =
        Timing { p2_min: Duration::ZERO, p3_min: Duration::from_micros(500), p4_min: Duration::ZERO, ..Timing::NORMAL };
    let line = Line { baud: 115_200, timing, ..bramble() };
    every_exchange_takes_what_the_model_says(line, &answer(60), Duration::from_micros(1), Duration::ZERO);
}

#[test]
fn declared_blocks_with_parity_keep_to_the_model() {
    every_exchange_takes_what_the_model_says(thistle(), &answer(30), ms(25), Duration::ZERO);
}

/// A pause ends an ISO 9141-2 message; P3 still runs from its last byte.
#[test]
fn iso_9141_2_after_a_five_baud_initialisation_keeps_to_the_model() {
    every_exchange_takes_what_the_model_says(iso9141(), &answer(7), ms(25), Duration::ZERO);
}

/// Worked by hand from the formula n*tc + (n-1)*P4 + P2 + m*tc + P3 with tc = 10/10400 s (ISO 14230-2 4.4):
/// a 6-byte request with P4 5 ms, P2 25 ms, a 16-byte answer, P3 55 ms.
#[test]
fn the_model_is_the_sum_of_its_terms() {
    let by_hand = 6.0 * 10.0 / 10.4 + 5.0 * 5.0 + 25.0 + 16.0 * 10.0 / 10.4 + 55.0;
    let model = bramble().exchange_time(2, 12, ms(25), Duration::ZERO).as_secs_f64() * 1000.0;
    assert!((model - by_hand).abs() < 0.000_01, "{model} {by_hand}");
}

#[test]
fn a_functional_request_ends_by_silence_and_is_repeated_after_p3() {
    let line = Line { functional: Some(0x33), ..plain() };
    let starts = poll(line, all(), &answer(5), ms(25), Duration::ZERO, 10);
    let model = line.exchange_time(2, 5, ms(25), Duration::ZERO);
    for pair in starts.windows(2) {
        // P3min (55 ms) is over after the window (50 ms and one character).
        assert_eq!(pair[1].since(pair[0]), model);
    }
}

/// Key bytes decide the headers of both ends: each form of ISO 14230-2, table 3.
#[test]
fn the_headers_follow_the_key_bytes() {
    let forms = [(0xD5, 0), (0x57, 0), (0xE5, 0), (0xE6, 1), (0xE9, 2), (0xEA, 3), (0x6B, 2), (0xEF, 2)];
    for (first, extra) in forms {
        let key_bytes = Some(KeyBytes(first, 0x8F));
        let init = Init::FiveBaud(FiveBaud { address: 0x1C, key_bytes, unit_confirms: true });
        let line = Line { init, ..bramble() };
        assert_eq!(line.request_len(2), 1 + extra + 2 + 1, "{first:02X}");
        if KeyBytes(first, 0x8F).timing_set() == Some(crate::kline::TimingSet::Normal) {
            every_exchange_takes_what_the_model_says(line, &answer(20), ms(30), Duration::ZERO);
        } else {
            poll(line, one(line.unit), &answer(20), ms(30), Duration::ZERO, 5);
        }
    }
}

/// "Response pending" opens P2* (ISO 14230-2 4.4.1); the answer may come as late as that.
#[test]
fn an_answer_after_response_pending_is_taken() {
    let line = bramble();
    let mut tester = Tester::new(line, Reach::IDEAL);
    tester.connect(Instant::ORIGIN);
    let mut pair = Pair::new(tester, Unit::new(line, Reach::IDEAL), Instant::ORIGIN);
    let mut answers = Vec::new();
    pair.run(Instant::ORIGIN.after(Duration::from_secs(20)), |tester, unit, now, told| {
        match told {
            Told::A(Heard::Ready { .. }) => tester.request(now, &REQUEST, one(0x1C)).unwrap(),
            Told::A(Heard::Message { .. }) => {
                answers.push(tester.message().to_vec());
                if tester.message() == [0x7F, 0x21, 0x78] {
                    tester.keep_waiting(line.timing.p2_star_max);
                }
            }
            Told::A(Heard::Silence { .. } | Heard::Noise { .. }) => panic!("{told:?}"),
            Told::B(UnitEvent::Request { .. }) => unit.respond(now, &[0x7F, 0x21, 0x78], ms(30)).unwrap(),
            Told::B(UnitEvent::Sent { .. }) if answers.is_empty() => {
                unit.respond(now, &[0x7F, 0x21, 0x78], ms(4000)).unwrap();
            }
            Told::B(UnitEvent::Sent { .. }) if answers.len() == 1 => {
                unit.respond(now, &[0x61, 0x01, 0x55], ms(5000)).unwrap();
            }
            _ => {}
        }
        answers.len() == 3
    });
    assert_eq!(answers.last().map(Vec::as_slice), Some(&[0x61, 0x01, 0x55][..]), "{answers:?}");
}

/// ISO 14230-2 6.2.2 and 5.1.2: after P3max the unit waits for a new initialisation, and gets it.
#[test]
fn a_unit_that_timed_out_is_initialised_again() {
    for line in [bramble(), iso9141()] {
        let mut tester = Tester::new(line, Reach::IDEAL);
        tester.connect(Instant::ORIGIN);
        let mut pair = Pair::new(tester, Unit::new(line, Reach::IDEAL), Instant::ORIGIN);
        let (mut ready, mut timed_out) = (0, 0);
        pair.run(Instant::ORIGIN.after(Duration::from_secs(30)), |tester, _, now, told| {
            match told {
                Told::A(Heard::Ready { .. }) => ready += 1,
                Told::B(UnitEvent::TimedOut { .. }) => {
                    timed_out += 1;
                    tester.connect(now);
                }
                Told::A(Heard::NotReady { .. }) => panic!("{told:?}"),
                _ => {}
            }
            ready == 2
        });
        assert_eq!((ready, timed_out), (2, 1), "{:?}", line.init);
    }
}

/// Both ends change the speed after an answer; their own bytes are out by then.
#[test]
fn a_speed_change_after_an_answer_is_followed_by_both_ends() {
    let line = plain();
    let fast = Line { baud: 38_400, ..line };
    let mut tester = Tester::new(line, Reach::IDEAL);
    tester.connect(Instant::ORIGIN);
    let mut pair = Pair::new(tester, Unit::new(line, Reach::IDEAL), Instant::ORIGIN);
    let mut spans = Vec::new();
    pair.run(Instant::ORIGIN.after(Duration::from_secs(5)), |tester, unit, now, told| {
        match told {
            Told::A(Heard::Ready { .. }) => tester.request(now, &[0x10, 0x86, 0x03], one(0x1C)).unwrap(),
            Told::A(Heard::Message { start, end, .. }) => {
                spans.push(end.since(start));
                tester.change_line(now, fast).unwrap();
                tester.request(now, &REQUEST, one(0x1C)).unwrap();
            }
            Told::B(UnitEvent::Request { .. }) => unit.respond(now, &[0x50, 0x86, 0x03], ms(25)).unwrap(),
            Told::B(UnitEvent::Sent { .. }) => unit.change_line(now, fast),
            Told::A(Heard::Silence { .. } | Heard::Noise { .. }) => panic!("{told:?} at {now}"),
            _ => {}
        }
        spans.len() == 3
    });
    assert_eq!(spans, [line.char_time().of(7), fast.char_time().of(7), fast.char_time().of(7)]);
}

#[test]
fn framings_count_their_bytes() {
    assert_eq!((bramble().request_len(63), bramble().request_len(64)), (67, 69));
    assert_eq!((thistle().request_len(2), thistle().longest()), (5, 252));
    assert_eq!((iso9141().response_len(7), iso9141().longest()), (11, 7));
    assert_eq!(Line { framing: Framing::Iso14230, ..bramble() }.longest(), 255);
}

/// P2max without a limit is the longest duration there is; the model stays finite and does not panic.
#[test]
fn a_limit_that_does_not_exist_breaks_no_sum() {
    assert_eq!(bramble().exchange_time(2, 12, Duration::MAX, Duration::MAX), Duration::MAX);
}
