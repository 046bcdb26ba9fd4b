//! Every limit of time just kept, and just broken by one nanosecond, on the side that measures it.

use core::time::Duration;
use std::format;
use std::string::String;
use std::vec::Vec;

use super::world::{NS, all, ask, at, bramble, heard, iso9141, ms, one, plain, told};
use crate::contract::Level::{High, Low};
use crate::kline::{Line, Timing, Unit};
use crate::script::{Script, ZERO};
use crate::transport::{Heard, Transport};

/// Limit, side that measures, outcome kept, outcome broken.
///
/// The rest of a message that was cut is noise of its own: 61 starts no message, 21 one of 33 bytes.
///
/// Values: SSF 14230-2 issue 1 (1997-04-22) tables 1a and 5, its section 6 for what follows; W1 to W4 from memory.
/// A minimum is broken by the peer. P4min and W3min (0) have no judge: nothing follows from breaking them.
const TABLE: &str = "\
P1max   | tester | message of 3                                 | Cut { bytes: 3 }, Header { byte: 97 }, silence
P2min   | tester | message of 3                                 | Early, message of 3
P2max   | tester | message of 3                                 | silence, Unasked { bytes: 3 }
P2*max  | tester | message of 3, message of 3                   | message of 3, silence, Unasked { bytes: 3 }
P2 func | tester | message of 3, message of 3, silence          | message of 3, silence, Unasked { bytes: 3 }
P1 9141 | tester | message of 3, silence                        | Checksum { found: 31, expected: 16 }, Cut { bytes: 1 }, silence
P2 init | tester | ready                                        | not ready: NoAnswer
W1min   | tester | ready                                        | Early, ready
W1max   | tester | ready                                        | not ready: NoAnswer
W2min   | tester | ready                                        | Early, ready
W2max   | tester | ready                                        | not ready: KeyBytes
W3max   | tester | ready                                        | not ready: KeyBytes
W4min   | tester | ready                                        | Early, ready
W4max   | tester | ready                                        | not ready: NoConfirmation
TiniLmin| unit   | started                                      | ignored: NotStarted
TiniLmax| unit   | started                                      | ignored: NotStarted
TWupmin | unit   | started                                      | ignored: NotStarted
TWupmax | unit   | started                                      | ignored: NotStarted
P3min   | unit   | request                                      | ignored: P3Min
P3 func | unit   | functional request                           | functional request
P3max   | unit   | request, timed out                           | timed out, ignored: NotStarted
P4min   | unit   | request                                      | request
P4max   | unit   | request                                      | Cut { bytes: 3 }, Cut { bytes: 3 }
W4min   | unit   | started                                      |
W4max   | unit   | started                                      |
";

#[test]
fn every_limit_just_kept_and_just_broken() {
    let rows: Vec<Row> = vec_of_rows();
    let mut table = String::new();
    for Row { limit, side, kept, broken } in rows {
        let line = format!("{limit:<8}| {side:<7}| {kept:<45}| {broken}");
        table.push_str(line.trim_end());
        table.push('\n');
    }
    assert_eq!(table, TABLE, "\n{table}");
}

struct Row {
    limit: &'static str,
    side: &'static str,
    kept: String,
    broken: String,
}

fn vec_of_rows() -> Vec<Row> {
    let t = Timing::NORMAL;
    let tester = |limit, kept, broken| Row { limit, side: "tester", kept, broken };
    let unit = |limit, kept, broken| Row { limit, side: "unit", kept, broken };
    let from_address = ms(2000);
    std::vec![
        tester("P1max", answer_with_gap(t.p1_max), answer_with_gap(t.p1_max + NS)),
        tester("P2min", answer_after(t.p2_min), answer_after(t.p2_min - NS)),
        tester("P2max", answer_after(t.p2_max), answer_after(t.p2_max + NS)),
        tester("P2*max", after_pending(t.p2_star_max), after_pending(t.p2_star_max + NS)),
        tester("P2 func", second_answer_after(t.p2_max), second_answer_after(t.p2_max + NS)),
        tester("P1 9141", pause_within(t.p1_max), pause_within(t.p1_max + NS)),
        tester("P2 init", start_answered_after(t.p2_max), start_answered_after(t.p2_max + NS)),
        tester("W1min", five_baud(Wait { w1: t.w1_min, ..W }), five_baud(Wait { w1: t.w1_min - NS, ..W })),
        tester("W1max", five_baud(Wait { w1: t.w1_max, ..W }), five_baud(Wait { w1: t.w1_max + NS, ..W })),
        tester("W2min", five_baud(Wait { w2: t.w2_min, ..W }), five_baud(Wait { w2: t.w2_min - NS, ..W })),
        tester("W2max", five_baud(Wait { w2: t.w2_max, ..W }), five_baud(Wait { w2: t.w2_max + NS, ..W })),
        tester("W3max", five_baud(Wait { w3: t.w3_max, ..W }), five_baud(Wait { w3: t.w3_max + NS, ..W })),
        tester("W4min", five_baud(Wait { w4: t.w4_min, ..W }), five_baud(Wait { w4: t.w4_min - NS, ..W })),
        tester("W4max", five_baud(Wait { w4: t.w4_max, ..W }), five_baud(Wait { w4: t.w4_max + NS, ..W })),
        unit("TiniLmin", woken(ms(24), ms(50)), woken(ms(24) - NS, ms(50))),
        unit("TiniLmax", woken(ms(26), ms(50)), woken(ms(26) + NS, ms(50))),
        unit("TWupmin", woken(ms(25), ms(49)), woken(ms(25), ms(49) - NS)),
        unit("TWupmax", woken(ms(25), ms(51)), woken(ms(25), ms(51) + NS)),
        unit("P3min", asked_after(t.p3_min, PHYSICAL), asked_after(t.p3_min - NS, PHYSICAL)),
        unit("P3 func", asked_after(t.p3_min, FUNCTIONAL), asked_after(t.p3_min - NS, FUNCTIONAL)),
        unit("P3max", asked_late(ms(5000)), asked_late(ms(5000) + NS)),
        unit("P4min", asked_with_gap(t.p4_min), asked_with_gap(t.p4_min - NS)),
        unit("P4max", asked_with_gap(t.p4_max), asked_with_gap(t.p4_max + NS)),
        unit("W4min", inverse_after(from_address, t.w4_min), inverse_after(from_address, t.w4_min - NS)),
        unit("W4max", inverse_after(from_address, t.w4_max), inverse_after(from_address, t.w4_max + NS)),
    ]
}

const ANSWER: &str = "83 F1 1C 61 01 55 47";
const PHYSICAL: &str = "82 1C F1 21 01 B1";
const FUNCTIONAL: &str = "C2 33 F1 21 01 08";

/// A tester that has asked at zero, and when its request is out.
fn asking(line: Line) -> (Script<crate::kline::Tester>, Duration) {
    let mut t = Script::connected_tester(line);
    ask(&mut t, &[0x21, 0x01], one(line.unit));
    (t, line.request_time(2))
}

fn outcome(mut t: Script<crate::kline::Tester>) -> String {
    heard(&t.at("20 s").events())
}

fn answer_after(p2: Duration) -> String {
    let (mut t, out) = asking(bramble());
    t.at(out + p2).hears(ANSWER);
    outcome(t)
}

fn answer_with_gap(p1: Duration) -> String {
    let (mut t, out) = asking(bramble());
    let first = bramble().char_time().of(3);
    t.at(out + ms(25)).hears("83 F1 1C");
    t.at(out + ms(25) + first + p1).hears("61 01 55 47");
    outcome(t)
}

/// "Response pending", then the answer.
fn after_pending(p2_star: Duration) -> String {
    let (mut t, out) = asking(bramble());
    t.at(out + ms(25)).hears("83 F1 1C 7F 21 78 A8");
    let end = out + ms(25) + bramble().char_time().of(7);
    t.at(end).does(|tester, _| tester.keep_waiting(Timing::NORMAL.p2_star_max));
    t.at(end + p2_star).hears(ANSWER);
    outcome(t)
}

fn second_answer_after(p2: Duration) -> String {
    let mut t = Script::connected_tester(bramble());
    ask(&mut t, &[0x21, 0x01], all());
    let first = bramble().request_time(2) + ms(30);
    t.at(first).hears(ANSWER);
    t.at(first + bramble().char_time().of(7) + p2).hears(ANSWER);
    outcome(t)
}

/// In ISO 9141-2 framing a pause ends the message: one byte behind it is in time, or is noise of its own.
fn pause_within(p1: Duration) -> String {
    let line = Line { unit: 0x10, ..iso9141() };
    let mut t = Script::connected_tester(line);
    ask(&mut t, &[0x01, 0x0C], crate::transport::Ask { window: ms(50), ..all() });
    let start = line.request_time(2) + ms(25);
    t.at(start).hears("48 6B 10 41 0C 1F");
    t.at(start + line.char_time().of(6) + p1).hears("2F");
    outcome(t)
}

fn start_answered_after(p2: Duration) -> String {
    let line = bramble();
    let mut t = Script::tester(line);
    t.at("0 ms").line(Low);
    t.at("25 ms").line(High);
    t.at("50 ms").sends("81 1C F1 81 0F");
    t.at(ms(50) + line.request_time(1) + p2).hears("83 F1 1C C1 6B 8F 4B");
    outcome(t)
}

/// When the unit's bytes of a five-baud initialisation come.
struct Wait {
    w1: Duration,
    w2: Duration,
    w3: Duration,
    w4: Duration,
}

const W: Wait = Wait { w1: ms(100), w2: ms(10), w3: ms(10), w4: ms(30) };

fn five_baud(wait: Wait) -> String {
    let line = iso9141();
    let one = line.char_time().one();
    let mut t = Script::tester(line);
    for (time, level) in ADDRESS_33 {
        t.at(ms(time)).line(level);
    }
    let mut start = ms(2000) + wait.w1;
    t.at(start).hears("55");
    start += one + wait.w2;
    t.at(start).hears("08");
    start += one + wait.w3;
    t.at(start).hears("08");
    // Our inverse goes out at W4min.
    start += one + ms(25) + one + wait.w4;
    t.at(start).hears("CC");
    heard(&t.at("4 s").events())
}

/// From memory: 33 at 5 Bd, least significant bit first, as changes of level.
pub(super) const ADDRESS_33: [(u64, crate::contract::Level); 6] =
    [(0, Low), (200, High), (600, Low), (1000, High), (1400, Low), (1800, High)];

fn woken(t_inil: Duration, t_wup: Duration) -> String {
    let mut u = Script::unit(bramble());
    u.at("0 ms").edge(Low);
    u.at(t_inil).edge(High);
    u.at(t_wup).hears_paced("81 1C F1 81 0F", ms(5));
    told(&u.at("1 s").events())
}

/// A unit started by a fast initialisation, and when its answer to that is out.
fn started() -> (Script<Unit>, Duration) {
    let mut u = Script::unit(bramble());
    u.at("0 ms").edge(Low);
    u.at("25 ms").edge(High);
    u.at("50 ms").hears_paced("81 1C F1 81 0F", ms(5));
    u.at("99.808 ms").sends("83 F1 1C C1 6B 8F 4B");
    let end = at(ms(50).as_nanos() as u64).after(bramble().request_time(1) + ms(25) + bramble().char_time().of(7));
    u.at("99.808 ms").event(crate::kline::UnitEvent::Started { at: end });
    (u, end.since(ZERO))
}

fn asked_after(p3: Duration, request: &str) -> String {
    let (mut u, end) = started();
    u.at(end + p3).hears(request);
    told(&u.at("1 s").events())
}

fn asked_late(p3: Duration) -> String {
    let (mut u, end) = started();
    u.at(end + p3).hears(PHYSICAL);
    told(&u.at("20 s").events())
}

fn asked_with_gap(p4: Duration) -> String {
    let mut u = Script::started_unit(plain());
    u.at("0 ms").hears("82 1C F1");
    u.at(plain().char_time().of(3) + p4).hears("21 01 B1");
    told(&u.at("1 s").events())
}

fn inverse_after(address: Duration, w4: Duration) -> String {
    let line = iso9141();
    let one = line.char_time().one();
    let mut u = Script::unit(line);
    for (time, level) in ADDRESS_33 {
        u.at(ms(time)).edge(level);
    }
    let mut start = address + line.timing.w1_min;
    u.at(start).sends("55");
    start += one + line.timing.w2_min;
    u.at(start).sends("08");
    start += one + line.timing.w3_min;
    u.at(start).sends("08");
    u.at(start + one + w4).hears("F7");
    told(&u.at("4 s").events())
}

/// What each end keeps by itself, to the nanosecond: the script holds only exact times.
#[test]
fn the_tester_keeps_its_own_minima_exactly() {
    let line = bramble();
    let mut t = Script::tester(line);
    t.at("0 ms").line(Low);
    t.at("25 ms").line(High);
    t.at("50 ms").sends("81 1C F1 81 0F");
    let answer = ms(50) + line.request_time(1) + ms(25);
    t.at(answer).hears("83 F1 1C C1 6B 8F 4B");
    let end = answer + line.char_time().of(7);
    t.at(end).event(Heard::Ready { key_bytes: Some((0x6B, 0x8F)) });
    t.at(end).does(|tester, now| tester.request(now, &[0x21, 0x01], one(0x1C))).unwrap();
    t.at(end + ms(55) - NS).nothing();
    t.at(end + ms(55)).sends("82 1C F1 21 01 B1");
}

/// Init::None has no P3max: nobody could start it again.
#[test]
fn a_unit_without_initialisation_never_times_out() {
    let mut u = Script::started_unit(plain());
    u.at("3000 s").nothing();
}
