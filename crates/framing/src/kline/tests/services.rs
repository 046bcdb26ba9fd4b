//! The services of the line itself: start, stop, timing parameters (ISO 14230-2 5).

use core::time::Duration;
use std::vec::Vec;

use super::world::{all, at, bramble, ms, one, plain, thistle, told};
use crate::Instant;
use crate::kline::{AccessTiming, KeyBytes, Line, Stopping, Tester, Unit, UnitEvent};
use crate::script::{Pair, Script, Told};
use crate::transport::{Heard, Misuse, Reach, Transport};

/// SSF 14230-2 issue 1, 5.2.2: 82 is answered C2, then the link closes; a new pattern opens it.
#[test]
fn stop_communication_ends_the_connection_at_both_ends() {
    let line = bramble();
    let mut tester = Tester::new(line, Reach::IDEAL);
    tester.connect(Instant::ORIGIN);
    let mut pair = Pair::new(tester, Unit::new(line, Reach::IDEAL), Instant::ORIGIN);
    let mut order = Vec::new();
    pair.run(Instant::ORIGIN.after(Duration::from_secs(3)), |tester, _, now, told| {
        match told {
            Told::A(Heard::Ready { .. }) if order.is_empty() => {
                order.push("ready");
                assert_eq!(tester.stop(now), Ok(Stopping::Asked));
            }
            Told::A(Heard::Ready { .. }) => order.push("ready again"),
            Told::A(Heard::Message { .. }) => {
                assert_eq!(tester.message(), [0xC2]);
                order.push("stopped");
                assert_eq!(tester.request(now, &[0x3E], one(0x1C)), Err(Misuse::NotConnected));
                tester.connect(now);
            }
            Told::B(UnitEvent::Stopped { .. }) => order.push("unit stopped"),
            _ => {}
        }
        order.last() == Some(&"ready again")
    });
    assert_eq!(order, ["ready", "unit stopped", "stopped", "ready again"]);
}

#[test]
fn where_there_is_no_stop_communication_the_connection_is_just_over() {
    let mut t = Script::connected_tester(thistle());
    assert_eq!(t.at("0 ms").does(Tester::stop), Ok(Stopping::Over));
    let again = t.at("0 ms").does(|tester, now| tester.request(now, &[0x11], one(0x31)));
    assert_eq!(again, Err(Misuse::NotConnected));
}

/// SSF 14230-2 issue 1, 5.3: messages of its section 9 appendix C with addresses chosen here.
#[test]
fn a_unit_reads_and_sets_its_timing_parameters() {
    let mut u = Script::started_unit(plain());
    u.machine_mut().set_timing_limits(Some(AccessTiming([0x10, 0x08, 0x10, 0x14, 0x00])));
    let current = AccessTiming::encode(&plain().timing).unwrap();
    assert_eq!(current, AccessTiming([0x32, 0x02, 0x6E, 0x14, 0x00]));
    // Read limits, read current, set, refuse what is outside, go back to the default.
    let exchanges = [
        ("82 1C F1 83 00 12", "87 F1 1C C3 00 10 08 10 14 00 93"),
        ("82 1C F1 83 02 14", "87 F1 1C C3 02 32 02 6E 14 00 0F"),
        ("87 1C F1 83 03 14 02 14 14 00 58", "82 F1 1C C3 03 55"),
        ("82 1C F1 83 02 14", "87 F1 1C C3 02 14 02 14 14 00 97"),
        ("87 1C F1 83 03 0F 02 14 14 00 53", "83 F1 1C 7F 83 10 A2"),
        ("82 1C F1 83 01 13", "82 F1 1C C3 01 53"),
    ];
    for (round, (request, answer)) in exchanges.iter().enumerate() {
        let start = ms(200 * round as u64);
        u.at(start).hears(request);
        let bytes = request.split_whitespace().count();
        u.at(start + plain().char_time().of(bytes) + ms(25)).sends(answer);
        if round == 2 {
            u.at(start + plain().char_time().of(bytes) + ms(25))
                .event(UnitEvent::TimingSet(AccessTiming([0x14, 0x02, 0x14, 0x14, 0x00])));
            assert_eq!(u.machine().line().timing.p3_min, ms(10));
        }
    }
    u.at("2 s").nothing();
    assert_eq!(u.machine().line().timing, plain().timing);
}

/// SSF 14230-2 issue 1, 4.4: P3min must stay above P4min, each minimum below its maximum.
#[test]
fn a_unit_grants_no_limits_that_exclude_each_other() {
    let mut u = Script::started_unit(plain());
    u.at("0 ms").hears("87 1C F1 83 03 14 02 04 14 0A 52");
    u.at("50 ms").sends_at_any_time("83 F1 1C 7F 83 10 A2");
}

/// SSF 14230-2 issue 1, 5.3.1.3: new values hold after the positive answer, at both ends.
#[test]
fn granted_timing_parameters_hold_at_both_ends() {
    let line = bramble();
    let wanted = [0x83, 0x03, 0x00, 0x02, 0x01, 0x14, 0x00];
    let mut tester = Tester::new(line, Reach::IDEAL);
    tester.connect(Instant::ORIGIN);
    let mut pair = Pair::new(tester, Unit::new(line, Reach::IDEAL), Instant::ORIGIN);
    let mut starts = Vec::new();
    pair.run(Instant::ORIGIN.after(Duration::from_secs(3)), |tester, unit, now, told| {
        match told {
            Told::A(Heard::Ready { .. }) => tester.request(now, &wanted, one(0x1C)).unwrap(),
            Told::A(Heard::Sent { start, .. }) => starts.push(start),
            Told::A(Heard::Message { .. }) => tester.request(now, &[0x21, 0x01], one(0x1C)).unwrap(),
            Told::A(Heard::Silence { .. } | Heard::Noise { .. }) | Told::B(UnitEvent::Ignored { .. }) => {
                panic!("{told:?}")
            }
            Told::B(UnitEvent::Request { .. }) => unit.respond(now, &[0x61, 0x01], Duration::from_micros(500)).unwrap(),
            _ => {}
        }
        starts.len() == 4
    });
    assert_eq!(pair.a.line().timing, pair.b.line().timing);
    let model = pair.a.line().exchange_time(2, 2, Duration::from_micros(500), Duration::ZERO);
    assert_eq!(starts[2].since(starts[1]), model);
    assert_eq!(starts[3].since(starts[2]), model);
    // 12 characters, P2 0.5 ms and P3min 0.5 ms: the floor of the service.
    assert_eq!(model, line.char_time().of(6) * 2 + ms(1));
}

#[test]
fn a_unit_that_has_no_timing_service_refuses_it() {
    let mut u = Script::started_unit(plain());
    u.machine_mut().set_timing_limits(None);
    u.at("0 ms").hears("82 1C F1 83 00 12");
    u.at("50 ms").sends_at_any_time("83 F1 1C 7F 83 11 A3");
}

/// SSF 14230-2 issue 1, table 3: a unit with key bytes 2026 knows the length byte only.
#[test]
fn a_unit_hears_only_the_headers_that_it_announces() {
    let mut u = Script::started_unit(plain());
    u.machine_mut().set_key_bytes(KeyBytes(0xEA, 0x8F));
    u.at("0 ms").hears("82 1C F1 21 01 B1");
    u.at("100 ms").hears("80 1C F1 02 21 01 B1");
    u.at("107 ms").does(|unit, now| unit.respond(now, &[0x61, 0x01], ms(30))).unwrap();
    u.at("200 ms").sends_at_any_time("80 F1 1C 02 61 01 F1");
    let mut u = Script::started_unit(plain());
    u.machine_mut().set_key_bytes(KeyBytes(0xEA, 0x8F));
    u.at("0 ms").hears("82 1C F1 21 01 B1");
    assert_eq!(told(&u.at("1 s").events()), "ignored: Header");
}

#[test]
fn calls_that_do_not_fit_the_state_say_so() {
    let mut t = Script::connected_tester(plain());
    let mut request = |data: &[u8], ask| t.at("0 ms").does(|tester, now| tester.request(now, data, ask));
    assert_eq!(request(&[], one(0x1C)), Err(Misuse::Length { length: 0, limit: 255 }));
    assert_eq!(request(&[0; 256], one(0x1C)), Err(Misuse::Length { length: 256, limit: 255 }));
    let id = crate::transport::Peer::Address(crate::isotp::Address::Normal(crate::can::Id::Standard(0x7E0)));
    let by_id = crate::transport::Ask { to: id, ..one(0x1C) };
    assert_eq!(request(&[0x3E], by_id), Err(Misuse::Addressing));
    let nobody = Line { functional: None, ..plain() };
    let to_all = Script::connected_tester(nobody).at("0 ms").does(|tester, now| tester.request(now, &[0x3E], all()));
    assert_eq!(to_all, Err(Misuse::Addressing));
    assert_eq!(request(&[0x3E], one(0x1C)), Ok(()));
    assert_eq!(request(&[0x3E], one(0x1C)), Err(Misuse::Busy));
    let mut u = Script::unit(bramble());
    let early = u.at("0 ms").does(|unit, now| unit.respond(now, &[0x61], ms(25)));
    assert_eq!(early, Err(Misuse::NotConnected));
}

/// A unit may answer several times; not while an answer waits.
#[test]
fn answers_come_one_after_the_other() {
    let mut u = Script::started_unit(plain());
    u.at("0 ms").hears("82 1C F1 21 01 B1");
    u.at("5.769 ms").event(UnitEvent::Request { functional: false, start: at(0), end: at(5_769_231) });
    u.at("6 ms").does(|unit, now| unit.respond(now, &[0x7F, 0x21, 0x78], ms(25))).unwrap();
    assert_eq!(u.at("6 ms").does(|unit, now| unit.respond(now, &[0x61, 0x01], ms(25))), Err(Misuse::Busy));
    u.at("30.769 ms").sends("83 F1 1C 7F 21 78 A8");
    u.at("30.769 ms").event(UnitEvent::Sent { start: at(30_769_231), end: at(37_500_000) });
    u.at("40 ms").does(|unit, now| unit.respond(now, &[0x61, 0x01], ms(25))).unwrap();
    u.at("62.500 ms").sends("82 F1 1C 61 01 F1");
}

/// From memory: key bytes 94 94 let the unit answer at once; a later change of the line keeps that.
#[test]
fn what_the_key_bytes_announced_outlives_a_change_of_the_line() {
    let line = super::world::iso9141();
    let mut u = Script::started_unit(Line { timing: crate::kline::Timing::NORMAL, ..line });
    u.machine_mut().set_key_bytes(KeyBytes::ISO9141_AT_ONCE);
    u.at("1 ms").does(|unit, now| unit.change_line(now, Line { baud: 9600, ..line }));
    assert_eq!(u.machine().line().timing.p2_min, Duration::ZERO);
    assert_eq!(u.machine().line().timing.p3_min, ms(55));
}
