//! The control unit's end.

use super::*;
use crate::isotp::{Flow, UnitEvent};
use crate::transport::Misuse;

fn request(functional: bool, start: u64, end: u64) -> UnitEvent {
    UnitEvent::Request { functional, start: us(start), end: us(end) }
}

fn answered(start: u64, end: u64) -> UnitEvent {
    UnitEvent::Sent { start: us(start), end: us(end) }
}

fn unit_noise(at: u64, what: Noise) -> UnitEvent {
    UnitEvent::Noise { at: us(at), what }
}

const P2: Duration = Duration::from_millis(5);

#[test]
fn a_unit_answers_several_times_each_its_time_after_the_last() {
    let mut t = unit(Line::CLASSIC);
    t.at("0 ms").hears_frame("5A1 03 22 F1 90 CC CC CC CC");
    t.at("0.27 ms").event(request(false, 0, 270));
    assert_eq!(hex(t.machine().request()), "22 F1 90");
    t.at("1 ms").does(|unit, now| unit.respond(now, &[0x7F, 0x22, 0x78], P2)).unwrap();
    assert_eq!(t.at("1 ms").does(|unit, now| unit.respond(now, &[0x62], P2)), Err(Misuse::Busy));
    t.at("5.27 ms").sends_frame("5A9 03 7F 22 78 CC CC CC CC");
    t.at("5.54 ms").event(answered(5_270, 5_540));
    t.at("6 ms").does(|unit, now| unit.respond(now, &counting(10), P2)).unwrap();
    t.at("10.54 ms").sends_frame("5A9 10 0A 00 01 02 03 04 05");
    t.at("20 ms").hears_frame("5A1 30 00 00 CC CC CC CC CC");
    t.at("20.27 ms").sends_frame("5A9 21 06 07 08 09 CC CC CC");
    t.at("20.54 ms").event(answered(10_540, 20_540));
}

/// ISO 15765-2:2016 9.7: a receiver may say WAIT before it lets the sender go on.
#[test]
fn a_unit_grants_blocks_as_it_is_set() {
    let mut t = unit(Line { flow: Flow { block_size: 2, st_min: 0xF1, wait_max: 0 }, ..Line::CLASSIC });
    t.at("0 ms").does(|unit, _| unit.set_waits(2, Duration::from_millis(30)));
    t.at("0 ms").hears_frame("5A1 10 16 2E F1 90 03 04 05");
    t.at("0.27 ms").sends_frame("5A9 31 00 00 CC CC CC CC CC");
    t.at("30.54 ms").sends_frame("5A9 31 00 00 CC CC CC CC CC");
    t.at("60.81 ms").sends_frame("5A9 30 02 F1 CC CC CC CC CC");
    t.at("70 ms").hears_frame("5A1 21 06 07 08 09 0A 0B 0C");
    t.at("71 ms").hears_frame("5A1 22 0D 0E 0F 10 11 12 13");
    t.at("71.27 ms").sends_frame("5A9 31 00 00 CC CC CC CC CC");
    t.at("101.54 ms").sends_frame("5A9 31 00 00 CC CC CC CC CC");
    t.at("131.81 ms").sends_frame("5A9 30 02 F1 CC CC CC CC CC");
    t.at("140 ms").hears_frame("5A1 23 14 15 CC CC CC CC CC");
    t.at("140.27 ms").event(request(false, 0, 140_270));
    assert_eq!(t.machine().request().len(), 22);
}

/// ISO 15765-2:2016 9.8.3, tables 25 and 27: a group is spoken to by single frames; a first frame is ignored.
#[test]
fn a_group_request_comes_between_the_frames_of_an_answer_and_a_first_frame_to_a_group_is_ignored() {
    let mut t = unit(Line::CLASSIC);
    t.at("0 ms").hears_frame("5AF 10 14 00 01 02 03 04 05");
    t.at("1 ms").nothing();
    t.at("1 ms").does(|unit, now| unit.respond(now, &counting(10), Duration::ZERO)).unwrap();
    t.at("1 ms").sends_frame("5A9 10 0A 00 01 02 03 04 05");
    t.at("2 ms").hears_frame("5AF 02 3E 80 CC CC CC CC CC");
    t.at("2.27 ms").event(request(true, 2_000, 2_270));
    assert_eq!(hex(t.machine().request()), "3E 80");
    // Half duplex (table 23): one for this unit alone is ignored while it sends.
    t.at("3 ms").hears_frame("5A1 02 3E 00 CC CC CC CC CC");
    t.at("3.27 ms").event(unit_noise(3_270, Noise::Unasked { bytes: 2 }));
    t.at("4 ms").hears_frame("5A1 10 0A 00 01 02 03 04 05");
    t.at("4.27 ms").event(unit_noise(4_270, Noise::Unasked { bytes: 10 }));
    t.at("5 ms").hears_frame("5A1 30 00 00 CC CC CC CC CC");
    t.at("5.27 ms").sends_frame("5A9 21 06 07 08 09 CC CC CC");
    t.at("5.54 ms").event(answered(1_000, 5_540));
}

#[test]
fn a_group_request_does_not_disturb_one_that_is_being_received() {
    let mut t = unit(Line::CLASSIC);
    t.at("0 ms").hears_frame("5A1 10 0A 2E F1 90 03 04 05");
    t.at("0.27 ms").sends_frame("5A9 30 00 00 CC CC CC CC CC");
    t.at("1 ms").hears_frame("5AF 02 3E 80 CC CC CC CC CC");
    t.at("1.27 ms").event(request(true, 1_000, 1_270));
    t.at("2 ms").hears_frame("5A1 21 06 07 08 09 CC CC CC");
    t.at("2.27 ms").event(request(false, 0, 2_270));
    assert_eq!(hex(t.machine().request()), "2E F1 90 03 04 05 06 07 08 09");
}

#[test]
fn a_unit_without_flow_control_gives_its_answer_up() {
    let mut t = unit(Line::CLASSIC);
    t.at("0 ms").does(|unit, now| unit.respond(now, &counting(10), Duration::ZERO)).unwrap();
    t.at("0 ms").sends_frame("5A9 10 0A 00 01 02 03 04 05");
    t.at("1000.27 ms").event(unit_noise(1_000_270, Noise::NoFlowControl));
    t.at("1001 ms").does(|unit, now| unit.respond(now, &[0x7E], Duration::ZERO)).unwrap();
    t.at("1001 ms").sends_frame("5A9 01 7E CC CC CC CC CC CC");
}

#[test]
fn a_unit_may_be_set_to_another_separation_than_asked() {
    let mut t = unit(Line::CLASSIC);
    t.at("0 ms")
        .does(|unit, now| {
            unit.set_separation(Some(Duration::ZERO));
            unit.respond(now, &counting(20), Duration::ZERO)
        })
        .unwrap();
    t.at("0 ms").sends_frame("5A9 10 14 00 01 02 03 04 05");
    t.at("1 ms").hears_frame("5A1 30 00 7F CC CC CC CC CC");
    t.at("1.27 ms").sends_frame("5A9 21 06 07 08 09 0A 0B 0C");
    t.at("1.54 ms").sends_frame("5A9 22 0D 0E 0F 10 11 12 13");
}

#[test]
fn a_request_longer_than_the_unit_holds_is_refused() {
    let mut t: Script<Unit<8>> = Script::bus_unit(Line::CLASSIC, PATH, None, Reach::IDEAL);
    t.at("0 ms").hears_frame("5A1 10 09 2E F1 90 03 04 05");
    t.at("0.27 ms").event(unit_noise(270, Noise::TooLong));
    t.at("0.27 ms").sends_frame("5A9 32 00 00 CC CC CC CC CC");
    t.at("2 s").nothing();
}
