//! The speed: set first, read back, judged.

use super::world::{at, bramble, heard, plain};
use crate::contract::{Input, Lost, Machine, Parity, Speed};
use crate::kline::{Line, Tester, Unit, UnitEvent};
use crate::script::Script;
use crate::transport::{Heard, Misuse, Reach, Transport};

fn serial(baud: u32) -> Speed {
    Speed::Serial { baud, parity: Parity::None, stop_bits: 1 }
}

fn connect(read: fn(Speed) -> Option<Speed>, tolerance_ppm: Option<u32>) -> Script<Tester> {
    let mut tester = Tester::new(plain(), Reach::IDEAL);
    if let Some(ppm) = tolerance_ppm {
        tester.set_speed_tolerance_ppm(ppm);
    }
    let mut t = Script::new(tester, plain().char_time(), crate::script::ZERO);
    t.reads_back(read);
    t.at("0 ms").does(|tester, now| tester.connect(now));
    t.at("0 ms").speed(serial(10_400));
    t
}

/// ISO 14230-1 8.2.3: +-0.5 %, which is 52 at 10 400 Bd.
#[test]
fn a_speed_within_half_a_percent_is_taken() {
    for read in [|_| Some(serial(10_400)), |_| Some(serial(10_452)), |_| Some(serial(10_348))] {
        connect(read, None).at("0 ms").event(Heard::Ready { key_bytes: None });
    }
}

#[test]
fn a_speed_beyond_is_told_and_nothing_is_sent() {
    for (read, got) in [
        ((|_| Some(serial(10_453))) as fn(Speed) -> Option<Speed>, Some(serial(10_453))),
        (|_| Some(serial(10_347)), Some(serial(10_347))),
        (|_| Some(serial(14_400)), Some(serial(14_400))),
        (|_| None, None),
    ] {
        let mut t = connect(read, None);
        t.at("0 ms").event(Heard::NotMade { wanted: serial(10_400), got });
        let asked = t.at("0 ms").does(|tester, now| tester.request(now, &[0x3E], super::world::one(0x1C)));
        assert_eq!(asked, Err(Misuse::NotConnected));
        t.at("1 s").nothing();
    }
}

/// A 1.8432 MHz UART makes 10 473 of 10 400: taken if the caller says so.
#[test]
fn the_caller_may_widen_the_tolerance() {
    connect(|_| Some(serial(10_473)), Some(10_000)).at("0 ms").event(Heard::Ready { key_bytes: None });
}

#[test]
fn a_unit_judges_its_port_too() {
    let mut u = Script::new(Unit::new(plain(), Reach::IDEAL), plain().char_time(), crate::script::ZERO);
    u.reads_back(|_| Some(serial(14_400)));
    u.at("0 ms").speed(serial(10_400));
    u.at("0 ms").event(UnitEvent::NotMade { wanted: serial(10_400), got: Some(serial(14_400)) });
}

/// A change is asked for while a request without answer is still on the wire: the act waits for its end.
#[test]
fn a_speed_change_never_overtakes_our_own_bytes() {
    let mut t = Script::connected_tester(plain());
    let ask = crate::transport::Ask { answers: crate::transport::Answers::None, ..super::world::one(0x1C) };
    t.at("0 ms").does(|tester, now| tester.request(now, &[0x3E], ask)).unwrap();
    t.at("0 ms").sends("81 1C F1 3E CC");
    t.at("0 ms").event(Heard::Sent { start: at(0), end: at(4_807_692) });
    let fast = Line { baud: 38_400, ..plain() };
    t.at("1 ms").does(|tester, now| tester.change_line(now, fast)).unwrap();
    t.at("1 ms").does(|tester, now| tester.request(now, &[0x3E], ask)).unwrap();
    t.at("4.808 ms").speed(serial(38_400));
    // P3min from the end of the first request.
    t.at("59.808 ms").sends("81 1C F1 3E CC");
}

#[test]
fn a_new_connection_lets_our_last_bytes_out_first() {
    let mut t = Script::connected_tester(plain());
    let ask = crate::transport::Ask { answers: crate::transport::Answers::None, ..super::world::one(0x1C) };
    t.at("0 ms").does(|tester, now| tester.request(now, &[0x3E], ask)).unwrap();
    t.at("0 ms").sends("81 1C F1 3E CC");
    t.at("0 ms").event(Heard::Sent { start: at(0), end: at(4_807_692) });
    t.at("1 ms").does(|tester, now| tester.connect(now));
    t.at("4.808 ms").speed(serial(10_400));
}

#[test]
fn a_speed_that_cannot_be_made_later_ends_the_connection() {
    let mut t = Script::connected_tester(plain());
    t.reads_back(|_| Some(serial(14_400)));
    let fast = Line { baud: 38_400, ..plain() };
    t.at("1 ms").does(|tester, now| tester.change_line(now, fast)).unwrap();
    t.at("1 ms").speed(serial(38_400));
    t.at("1 ms").event(Heard::NotMade { wanted: serial(38_400), got: Some(serial(14_400)) });
}

#[test]
fn a_line_that_is_gone_stays_gone() {
    let mut t = Script::tester(bramble());
    t.at("0 ms").does(|tester, now| tester.handle(Input::Lost { at: now, cause: Lost::Gone }));
    t.at("1 ms").does(|tester, now| tester.connect(now));
    assert_eq!(heard(&t.at("10 s").events()), "down: Gone, down: Gone");
}
