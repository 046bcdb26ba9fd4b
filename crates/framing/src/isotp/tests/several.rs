//! Several units answer one request, and one tester speaks with several.

use super::*;
use crate::contract::{Input, Lost, Machine, Output, Tag};
use crate::isotp::PathError;
use crate::transport::Misuse;

fn all_asked() -> TesterScript {
    let mut t = tester(Line::CLASSIC);
    t.asks("0 ms", &[0x09, 0x02], ASK_ALL);
    t.at("0 ms").sends_frame("5AF 02 09 02 CC CC CC CC CC");
    t.at("0.27 ms").event(sent(0, 270));
    t
}

/// ISO 15765-4:2005 6.2, ISO 15765-2:2016 9.8.3: answers of several units come frame by frame among each other; each
/// gets flow control of its own, at its own address.
#[test]
fn answers_of_several_units_are_received_at_once() {
    let mut t = all_asked();
    t.at("10 ms").hears_frame("5A9 10 0A 49 02 01 30 31 32");
    t.at("10.27 ms").sends_frame("5A1 30 00 00 CC CC CC CC CC");
    t.at("10.6 ms").hears_frame("5AA 10 0A 49 02 01 40 41 42");
    t.at("10.87 ms").sends_frame("5A2 30 00 00 CC CC CC CC CC");
    t.at("20 ms").hears_frame("5AA 21 43 44 45 46 CC CC CC");
    t.at("20.27 ms").event(message(OTHER, 10_600, 20_270, 10));
    assert_eq!(hex(t.machine().message()), "49 02 01 40 41 42 43 44 45 46");
    // The other one is on its way: the window stays stopped.
    t.at("900 ms").hears_frame("5A9 21 33 34 35 36 CC CC CC");
    t.at("900.27 ms").event(message(PATH, 10_000, 900_270, 10));
    assert_eq!(hex(t.machine().message()), "49 02 01 30 31 32 33 34 35 36");
    // Every answer opens a new window.
    t.at("950.54 ms").event(silence(950_540));
}

#[test]
fn an_answer_that_breaks_off_does_not_end_the_others() {
    let mut t = all_asked();
    t.at("10 ms").hears_frame("5A9 10 0A 49 02 01 30 31 32");
    t.at("10.27 ms").sends_frame("5A1 30 00 00 CC CC CC CC CC");
    t.at("11 ms").hears_frame("5AA 10 0A 49 02 01 40 41 42");
    t.at("11.27 ms").sends_frame("5A2 30 00 00 CC CC CC CC CC");
    t.at("12 ms").hears_frame("5A9 22 33 34 35 36 CC CC CC");
    t.at("12.27 ms").event(noise(12_270, Noise::Sequence { found: 2, expected: 1 }));
    t.at("900 ms").hears_frame("5AA 21 43 44 45 46 CC CC CC");
    t.at("900.27 ms").event(message(OTHER, 11_000, 900_270, 10));
    t.at("950.54 ms").event(silence(950_540));
}

/// ISO 14229-2: a client that asked all waits for every unit that said "response pending".
#[test]
fn the_window_waits_for_every_unit_that_is_pending() {
    let mut t = all_asked();
    t.at("10 ms").hears_frame("5A9 03 7F 09 78 CC CC CC CC");
    t.at("10.27 ms").event(message(PATH, 10_000, 10_270, 3));
    t.at("10.27 ms").does(|tester, _| tester.keep_waiting(Duration::from_secs(2)));
    t.at("20 ms").hears_frame("5AA 02 49 02 CC CC CC CC CC");
    t.at("20.27 ms").event(message(OTHER, 20_000, 20_270, 2));
    t.at("2000 ms").hears_frame("5A9 02 49 02 CC CC CC CC CC");
    t.at("2000.27 ms").event(message(PATH, 2_000_000, 2_000_270, 2));
    t.at("2050.54 ms").event(silence(2_050_540));
}

#[test]
fn with_one_answer_wanted_the_first_unit_ends_the_request() {
    let mut t = tester(Line::CLASSIC);
    t.asks("0 ms", &[0x01, 0x00], Ask { answers: Answers::One, ..ASK_ALL });
    t.at("0 ms").sends_frame("5AF 02 01 00 CC CC CC CC CC");
    t.at("0.27 ms").event(sent(0, 270));
    t.at("5 ms").hears_frame("5AA 06 41 00 BE 1B 30 13 CC");
    t.at("5.27 ms").event(message(OTHER, 5_000, 5_270, 6));
    t.at("6 ms").hears_frame("5A9 06 41 00 BE 1B 30 13 CC");
    t.at("6.27 ms").event(noise(6_270, Noise::Unasked { bytes: 6 }));
}

#[test]
fn a_unit_that_was_not_asked_does_not_answer() {
    let mut t = tester(Line::CLASSIC);
    t.asks("0 ms", &[0x3E, 0x00], ask(PATH));
    t.at("0 ms").sends_frame("5A1 02 3E 00 CC CC CC CC CC");
    t.at("0.27 ms").event(sent(0, 270));
    t.at("5 ms").hears_frame("5AA 02 7E 00 CC CC CC CC CC");
    t.at("5.27 ms").event(noise(5_270, Noise::Unasked { bytes: 2 }));
    t.at("6 ms").hears_frame("5AA 10 0A 49 02 01 40 41 42");
    t.at("6.27 ms").event(noise(6_270, Noise::Unasked { bytes: 10 }));
    t.at("7 ms").hears_frame("5A9 02 7E 00 CC CC CC CC CC");
    t.at("7.27 ms").event(message(PATH, 7_000, 7_270, 2));
}

#[test]
fn a_request_without_answers_ends_when_it_is_out() {
    let mut t = tester(Line::CLASSIC);
    t.asks("0 ms", &[0x3E, 0x80], Ask { answers: Answers::None, ..ASK_ALL });
    t.at("0 ms").sends_frame("5AF 02 3E 80 CC CC CC CC CC");
    t.at("0.27 ms").event(sent(0, 270));
    t.asks("0.27 ms", &[0x3E, 0x80], Ask { answers: Answers::None, ..ASK_ALL });
    t.at("0.27 ms").sends_frame("5AF 02 3E 80 CC CC CC CC CC");
}

#[test]
fn paths_that_could_not_be_told_apart_are_refused() {
    let normal = |id| Address::Normal(Id::Standard(id));
    let mut tester: Tester<2, 64> = Tester::new(Line::CLASSIC, Reach::IDEAL);
    assert_eq!(tester.add_unit(PATH), Ok(()));
    assert_eq!(tester.add_unit(PATH), Ok(()));
    let taken = Path { request: normal(0x123), ..PATH };
    assert_eq!(tester.add_unit(taken), Err(PathError::ResponseTaken(Id::Standard(0x5A9))));
    let one_way = Path { request: normal(0x123), response: normal(0x123) };
    assert_eq!(tester.add_unit(one_way), Err(PathError::OneWay(Id::Standard(0x123))));
    let wide = Path { request: normal(0x800), ..OTHER };
    assert_eq!(tester.add_unit(wide), Err(PathError::Width(Id::Standard(0x800))));
    // Another width is another identifier.
    let wider = Path { response: Address::Normal(Id::Extended(0x5A9)), ..OTHER };
    assert_eq!(tester.add_unit(wider), Ok(()));
    assert_eq!(tester.add_unit(OTHER), Err(PathError::Full(2)));
}

#[test]
fn connecting_sets_the_speed_and_judges_what_is_read_back() {
    let line = Line { speed: Some(SPEED), ..Line::CLASSIC };
    let connect = |got| {
        let mut tester: Tester<1, 64> = Tester::new(line, Reach::IDEAL);
        assert_eq!(tester.request(ZERO, &[0x3E], ask(PATH)), Err(Misuse::NotConnected));
        tester.connect(ZERO);
        assert_eq!(tester.poll_output(), Output::Act(crate::contract::Act::Speed(SPEED)));
        tester.handle(Input::SpeedIs { at: ZERO, got });
        tester.poll_output()
    };
    assert_eq!(connect(Some(SPEED)), Output::Event(Heard::Ready { key_bytes: None }));
    let slower = Some(Speed::Can { bit_rate: 250_000, data_rate: None, listen_only: false });
    assert_eq!(connect(slower), Output::Event(Heard::NotMade { wanted: SPEED, got: slower }));
    assert_eq!(connect(None), Output::Event(Heard::NotMade { wanted: SPEED, got: None }));
}

#[test]
fn a_lost_line_ends_everything_for_good() {
    let mut tester: Tester<1, 64> = Tester::new(Line::CLASSIC, Reach::IDEAL);
    tester.add_unit(PATH).unwrap();
    tester.connect(ZERO);
    assert!(matches!(tester.poll_output(), Output::Event(Heard::Ready { .. })));
    tester.request(ZERO, &[0x3E, 0x00], ask(PATH)).unwrap();
    tester.handle(Input::Lost { at: ZERO, cause: Lost::Gone });
    tester.handle(Input::Sent { tag: Tag(1), start: ZERO, end: ZERO, known: crate::contract::Known::Measured });
    assert_eq!(tester.poll_output(), Output::Event(Heard::Down(Lost::Gone)));
    assert_eq!(tester.poll_output(), Output::Idle);
    tester.connect(ZERO);
    assert_eq!(tester.poll_output(), Output::Event(Heard::Down(Lost::Gone)));
}
