//! Whole conversations, one end each, in virtual time.

use core::time::Duration;

use crate::contract::Level::{High, Low};
use crate::kline::{Line, UnitEvent};
use crate::script::{Script, ZERO};
use crate::transport::{Answers, Ask, Heard, Peer, Transport};

fn at(nanos: u64) -> crate::Instant {
    ZERO.after(Duration::from_nanos(nanos))
}

fn bramble() -> Line {
    Line::iso14230(0x1C, 0xF1)
}

/// ISO 14230-2 table 5 (SSF 14230-2 issue 1): 25 ms low, 25 ms high, then the request, P4min between its bytes.
#[test]
fn fast_initialisation_from_the_tester_s_side() {
    let mut t = Script::tester(bramble());
    t.at("0 ms").line(Low);
    t.at("25 ms").line(High);
    t.at("50 ms").sends("81 1C F1 81 0F");
    t.at("100 ms").hears("83 F1 1C C1 E9 8F C9");
    t.at("106.731 ms").event(Heard::Ready { key_bytes: Some((0xE9, 0x8F)) });
    let ask = Ask { to: Peer::Unit(0x1C), answers: Answers::One, window: Duration::from_millis(50) };
    t.at("110 ms").does(|tester, now| tester.request(now, &[0x21, 0x01], ask)).unwrap();
    t.at("161.731 ms").sends("82 1C F1 21 01 B1");
    t.at("1 s").events();
}

#[test]
fn fast_initialisation_from_the_unit_s_side() {
    let mut u = Script::unit(bramble());
    u.at("0 ms").edge(Low);
    u.at("25 ms").edge(High);
    u.at("50 ms").hears_paced("81 1C F1 81 0F", Duration::from_millis(5));
    // 50 ms + 5 bytes + 4 gaps + P2
    u.at("99.808 ms").sends("83 F1 1C C1 6B 8F 4B");
    u.at("99.808 ms").event(UnitEvent::Started { at: at(106_538_459) });
    u.at("5.106 s").nothing();
    u.at("6 s").events();
}
