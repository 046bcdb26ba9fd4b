//! The tester as the sender of long requests: flow control and its limits.

use super::*;
use crate::isotp::{Flow, Timing};
use crate::script::Confirms;
use crate::transport::Misuse;

/// A request of 20 bytes whose first frame is out at 0.27 ms.
fn first_frame_out(line: Line) -> TesterScript {
    let mut t = tester(line);
    t.asks("0 ms", &counting(20), ask(PATH));
    t.at("0 ms").sends_frame("5A1 10 14 00 01 02 03 04 05");
    t
}

/// ISO 15765-2:2016 9.6.2 to 9.6.5: first frame, flow control, consecutive frames from SN 1 on.
#[test]
fn a_long_request_goes_out_after_flow_control() {
    let mut t = first_frame_out(Line::CLASSIC);
    t.at("1 ms").hears_frame("5A9 30 00 00 CC CC CC CC CC");
    t.at("1.27 ms").sends_frame("5A1 21 06 07 08 09 0A 0B 0C");
    t.at("1.54 ms").sends_frame("5A1 22 0D 0E 0F 10 11 12 13");
    t.at("1.81 ms").event(sent(0, 1_810));
    t.at("51.81 ms").nothing();
    // The window is on the start of the answer's first frame: 0.27 ms more to its end.
    t.at("52.08 ms").event(silence(52_080));
}

/// ISO 15765-2:2016 9.6.5.4: STmin from the end of a consecutive frame to the request to send the next.
#[test]
fn stmin_separates_consecutive_frames_and_a_reserved_one_is_127_ms() {
    for (byte, gap) in [("14", 20_000), ("F3", 300), ("80", 127_000), ("FF", 127_000)] {
        let mut t = first_frame_out(Line::CLASSIC);
        t.at("1 ms").hears_frame(&std::format!("5A9 30 00 {byte} CC CC CC CC CC"));
        t.at("1.27 ms").sends_frame("5A1 21 06 07 08 09 0A 0B 0C");
        let at = Duration::from_micros(1_540 + gap);
        t.at(at - Duration::from_nanos(1)).nothing();
        t.at(at).sends_frame("5A1 22 0D 0E 0F 10 11 12 13");
    }
}

/// ISO 15765-2:2016 9.6.5.3: after BS consecutive frames flow control is due; SN goes on; each one may change STmin.
#[test]
fn a_block_ends_with_flow_control_and_the_next_follows_the_new_stmin() {
    let mut t = tester(Line::CLASSIC);
    t.asks("0 ms", &counting(34), ask(PATH));
    t.at("0 ms").sends_frame("5A1 10 22 00 01 02 03 04 05");
    t.at("1 ms").hears_frame("5A9 30 02 00 CC CC CC CC CC");
    t.at("1.27 ms").sends_frame("5A1 21 06 07 08 09 0A 0B 0C");
    t.at("1.54 ms").sends_frame("5A1 22 0D 0E 0F 10 11 12 13");
    t.at("10 ms").hears_frame("5A9 30 00 05 CC CC CC CC CC");
    t.at("10.27 ms").sends_frame("5A1 23 14 15 16 17 18 19 1A");
    t.at("15.54 ms").sends_frame("5A1 24 1B 1C 1D 1E 1F 20 21");
    t.at("15.81 ms").event(sent(0, 15_810));
}

/// ISO 15765-2:2016 tables 21 and 22: N_Bs 1000 ms from the first frame's confirmation.
#[test]
fn flow_control_at_n_bs_is_taken_and_one_nanosecond_later_it_is_not() {
    let mut t = first_frame_out(Line::CLASSIC);
    t.at("1000 ms").hears_frame("5A9 30 00 00 CC CC CC CC CC");
    t.at("1000.27 ms").sends_frame("5A1 21 06 07 08 09 0A 0B 0C");

    let mut t = first_frame_out(Line::CLASSIC);
    t.at("1000 ms + 1 ns").hears_frame("5A9 30 00 00 CC CC CC CC CC");
    t.at("1000.27 ms").event(noise(1_000_270, Noise::NoFlowControl));
    t.at("1000.27 ms").event(silence(1_000_270));
    t.at("3 s").nothing();
}

/// ISO 15765-4:2005 table 6: N_Bs 75 ms for diagnostics required by law. Lateness of the port is added.
#[test]
fn the_times_of_the_law_are_shorter_and_lateness_widens_them() {
    let line = Line { timing: Timing::ISO15765_4, ..Line::CLASSIC };
    let mut t = first_frame_out(line);
    t.at("75.27 ms").event(noise(75_270, Noise::NoFlowControl));

    let reach = Reach { late_in: Duration::from_millis(2), late_out: Duration::from_millis(3), ..Reach::IDEAL };
    let mut t: TesterScript = Script::bus_tester(line, &[PATH], None, reach);
    t.asks("0 ms", &counting(20), ask(PATH));
    t.at("0 ms").sends_frame("5A1 10 14 00 01 02 03 04 05");
    t.at("77.27 ms").event(noise(77_270, Noise::NoFlowControl));

    let mut t: TesterScript = Script::bus_tester(line, &[PATH], None, reach);
    t.confirms(Confirms::Computed);
    t.asks("0 ms", &counting(20), ask(PATH));
    t.at("0 ms").sends_frame("5A1 10 14 00 01 02 03 04 05");
    t.at("80.27 ms").event(noise(80_270, Noise::NoFlowControl));
}

/// ISO 15765-2:2016 tables 21 and 22: N_As 1000 ms from the hand-over to the confirmation.
#[test]
fn a_frame_confirmed_at_n_as_is_out_and_one_nanosecond_later_it_is_not() {
    let mut t = tester(Line::CLASSIC);
    t.at("999.73 ms").frees_the_bus();
    t.asks("0 ms", &[0x3E, 0x00], ask(PATH));
    t.at("999.73 ms").sends_frame("5A1 02 3E 00 CC CC CC CC CC");
    t.at("1000 ms").event(sent(999_730, 1_000_000));

    let mut t = tester(Line::CLASSIC);
    t.at("999.73 ms + 1 ns").frees_the_bus();
    t.asks("0 ms", &[0x3E, 0x00], ask(PATH));
    t.at("999.73 ms + 1 ns").sends_frame("5A1 02 3E 00 CC CC CC CC CC");
    t.at("1000 ms").event(noise(1_000_000, Noise::NotSent));
    t.at("1000 ms").event(silence(1_000_000));
    // Its late confirmation is of no request any more.
    t.asks("1000 ms", &[0x3E, 0x00], ask(PATH));
    t.at("1000 ms + 1 ns").sends_frame("5A1 02 3E 00 CC CC CC CC CC");
    t.at("1000.27 ms + 1 ns").event(Heard::Sent {
        start: us(1_000_000).after(Duration::from_nanos(1)),
        end: us(1_000_270).after(Duration::from_nanos(1)),
    });
}

#[test]
fn a_frame_that_nobody_acknowledges_is_told() {
    let mut t = tester(Line::CLASSIC);
    t.confirms(Confirms::Never);
    t.asks("0 ms", &[0x3E, 0x00], ask(PATH));
    t.at("0 ms").sends_frame("5A1 02 3E 00 CC CC CC CC CC");
    t.at("1000 ms").event(noise(1_000_000, Noise::NotSent));
    t.at("1000 ms").event(silence(1_000_000));
}

/// ISO 15765-2:2016 table 18: WAIT starts N_Bs anew; 9.7: more of them in a row than N_WFTmax end the message.
#[test]
fn waits_are_put_up_with_up_to_their_limit() {
    let line = Line { flow: Flow { wait_max: 2, ..Line::CLASSIC.flow }, ..Line::CLASSIC };
    let mut t = first_frame_out(line);
    t.at("900 ms").hears_frame("5A9 31 00 00 CC CC CC CC CC");
    t.at("1800 ms").hears_frame("5A9 31 00 00 CC CC CC CC CC");
    t.at("2800 ms").hears_frame("5A9 30 01 00 CC CC CC CC CC");
    t.at("2800.27 ms").sends_frame("5A1 21 06 07 08 09 0A 0B 0C");
    // After a continue they are counted anew.
    t.at("2801 ms").hears_frame("5A9 31 00 00 CC CC CC CC CC");
    t.at("2802 ms").hears_frame("5A9 31 00 00 CC CC CC CC CC");
    t.at("2803 ms").hears_frame("5A9 31 00 00 CC CC CC CC CC");
    t.at("2803.27 ms").event(noise(2_803_270, Noise::Waits));
    t.at("2803.27 ms").event(silence(2_803_270));

    let mut t = first_frame_out(Line::CLASSIC);
    t.at("1 ms").hears_frame("5A9 31 00 00 CC CC CC CC CC");
    t.at("1.27 ms").event(noise(1_270, Noise::Waits));
}

/// ISO 15765-2:2016 9.6.5.2, table 18: overflow and a reserved status end the message.
#[test]
fn overflow_and_a_reserved_status_end_the_message() {
    for (status, what) in
        [("32", Noise::Overflow), ("33", Noise::FlowStatus { found: 3 }), ("3F", Noise::FlowStatus { found: 15 })]
    {
        let mut t = first_frame_out(Line::CLASSIC);
        t.at("1 ms").hears_frame(&std::format!("5A9 {status} 00 00 CC CC CC CC CC"));
        t.at("1.27 ms").event(noise(1_270, what));
        t.at("1.27 ms").event(silence(1_270));
        t.at("2 s").nothing();
    }
}

/// ISO 15765-2:2016 table 23: flow control that is not awaited, and from whom it is not awaited, is ignored.
#[test]
fn unawaited_flow_control_is_ignored() {
    let mut t = tester(Line::CLASSIC);
    t.at("0 ms").hears_frame("5A9 30 00 00 CC CC CC CC CC");
    t.asks("1 ms", &counting(20), ask(PATH));
    t.at("1 ms").sends_frame("5A1 10 14 00 01 02 03 04 05");
    t.at("2 ms").hears_frame("5AA 30 00 00 CC CC CC CC CC");
    t.at("3 ms").hears_frame("000005A9 30 00 00 CC CC CC CC CC");
    t.at("4 ms").nothing();
    t.at("5 ms").hears_frame("5A9 30 00 7F CC CC CC CC CC");
    t.at("5.27 ms").sends_frame("5A1 21 06 07 08 09 0A 0B 0C");
    t.at("6 ms").hears_frame("5A9 32 00 00 CC CC CC CC CC");
    t.at("132.54 ms").sends_frame("5A1 22 0D 0E 0F 10 11 12 13");
}

/// A port may tell of the answer before it tells of our own frame.
#[test]
fn flow_control_that_overtakes_the_confirmation_counts_when_that_comes() {
    let mut t = tester(Line::CLASSIC);
    t.at("10 ms").frees_the_bus();
    t.asks("0 ms", &counting(10), ask(PATH));
    t.at("10 ms").sends_frame("5A1 10 0A 00 01 02 03 04 05");
    t.at("9 ms").hears_frame("5A9 30 00 00 CC CC CC CC CC");
    t.at("10.27 ms").sends_frame("5A1 21 06 07 08 09 CC CC CC");
}

/// N_Cs is our own time before consecutive frames, beside STmin.
#[test]
fn n_cs_is_taken_before_every_consecutive_frame() {
    let timing = Timing { n_cs: Duration::from_millis(3), ..Timing::ISO15765_2 };
    let mut t = first_frame_out(Line { timing, ..Line::CLASSIC });
    t.at("1 ms").hears_frame("5A9 30 00 02 CC CC CC CC CC");
    t.at("4.27 ms").sends_frame("5A1 21 06 07 08 09 0A 0B 0C");
    t.at("9.54 ms").sends_frame("5A1 22 0D 0E 0F 10 11 12 13");
}

#[test]
fn a_request_that_cannot_be_is_refused() {
    let mut t = tester(Line::CLASSIC);
    let limit = |length, limit| Err(Misuse::Length { length, limit });
    let request =
        |t: &mut TesterScript, data: &[u8], ask| t.at("0 ms").does(|tester, now| tester.request(now, data, ask));
    assert_eq!(request(&mut t, &[], ask(PATH)), limit(0, 4095));
    assert_eq!(request(&mut t, &[0; 4096], ask(PATH)), limit(4096, 4095));
    // ISO 15765-2:2016 9.8.3: single frames only to a group.
    assert_eq!(request(&mut t, &[0; 8], ASK_ALL), limit(8, 7));
    let stranger = Ask { to: Peer::Address(GROUP), ..ASK_ALL };
    assert_eq!(request(&mut t, &[0x3E], stranger), Err(Misuse::Addressing));
    assert_eq!(request(&mut t, &[0x3E], Ask { to: Peer::Unit(1), ..ASK_ALL }), Err(Misuse::Addressing));
    assert_eq!(request(&mut t, &[0x3E], ask(PATH)), Ok(()));
    assert_eq!(request(&mut t, &[0x3E], ask(PATH)), Err(Misuse::Busy));
}
