//! The tester as the receiver of long answers: its flow control, and everything that can go wrong.

use super::*;
use crate::isotp::{Flow, PduError, Timing};
use crate::script::Confirms;

/// A request whose only frame is out at 0.27 ms.
fn asked(line: Line) -> TesterScript {
    let mut t = tester(line);
    t.asks("0 ms", &[0x22, 0xF1, 0x90], ask(PATH));
    t.at("0 ms").sends_frame("5A1 03 22 F1 90 CC CC CC CC");
    t.at("0.27 ms").event(sent(0, 270));
    t
}

/// The same, and an answer of 20 bytes has begun at 10 ms; flow control is out at 10.54 ms.
fn begun(line: Line) -> TesterScript {
    let mut t = asked(line);
    t.at("10 ms").hears_frame("5A9 10 14 62 F1 90 41 42 43");
    t
}

/// ISO 15765-2:2016 9.6: first frame, flow control at once, consecutive frames. 14 is the whole length.
#[test]
fn a_long_answer_comes_in_after_flow_control() {
    let mut t = begun(Line::CLASSIC);
    t.at("10.27 ms").sends_frame("5A1 30 00 00 CC CC CC CC CC");
    t.at("11 ms").hears_frame("5A9 21 44 45 46 47 48 49 4A");
    t.at("12 ms").hears_frame("5A9 22 4B 4C 4D 4E 4F 50 51");
    t.at("12.27 ms").event(message(PATH, 10_000, 12_270, 20));
    let wanted = hex(b"\x62\xF1\x90ABCDEFGHIJKLMNOPQ");
    assert_eq!(hex(t.machine().message()), wanted);
    t.at("2 s").nothing();
}

/// ISO 14229-2, ISO 15765-4: P2 runs from the end of the request; an answer that starts at its end is in time.
#[test]
fn an_answer_that_starts_at_the_windows_end_counts_and_one_nanosecond_later_it_does_not() {
    let mut t = asked(Line::CLASSIC);
    t.at("50.27 ms").hears_frame("5A9 02 7E 00 CC CC CC CC CC");
    t.at("50.54 ms").event(message(PATH, 50_270, 50_540, 2));

    let mut t = asked(Line::CLASSIC);
    t.at("50.27 ms + 1 ns").hears_frame("5A9 02 7E 00 CC CC CC CC CC");
    t.at("50.54 ms").event(silence(50_540));
    t.at("50.54 ms + 1 ns")
        .event(Heard::Noise { at: us(50_540).after(Duration::from_nanos(1)), what: Noise::Unasked { bytes: 2 } });
}

/// An answer's first frame stops the window; an answer that breaks off opens it again.
#[test]
fn the_first_frame_stops_the_window() {
    let timing = Timing { n_cr: Duration::from_millis(150), ..Timing::ISO15765_2 };
    let mut t = begun(Line { timing, ..Line::CLASSIC });
    t.at("10.27 ms").sends_frame("5A1 30 00 00 CC CC CC CC CC");
    t.at("160.54 ms").event(noise(160_540, Noise::NoConsecutiveFrame));
    t.at("210.81 ms").event(silence(210_810));
}

/// ISO 15765-2:2016 tables 21 and 22: N_Cr 1000 ms from flow control, then from every consecutive frame.
#[test]
fn a_consecutive_frame_at_n_cr_is_taken_and_one_nanosecond_later_it_is_not() {
    let mut t = begun(Line::CLASSIC);
    t.at("10.27 ms").sends_frame("5A1 30 00 00 CC CC CC CC CC");
    t.at("1010.27 ms").hears_frame("5A9 21 44 45 46 47 48 49 4A");
    t.at("2010.27 ms").hears_frame("5A9 22 4B 4C 4D 4E 4F 50 51");
    t.at("2010.54 ms").event(message(PATH, 10_000, 2_010_540, 20));

    for second in [false, true] {
        let mut t = begun(Line::CLASSIC);
        t.at("10.27 ms").sends_frame("5A1 30 00 00 CC CC CC CC CC");
        let late = if second {
            t.at("1010.27 ms").hears_frame("5A9 21 44 45 46 47 48 49 4A");
            t.at("2010.27 ms + 1 ns").hears_frame("5A9 22 4B 4C 4D 4E 4F 50 51");
            2_010_540
        } else {
            t.at("1010.27 ms + 1 ns").hears_frame("5A9 21 44 45 46 47 48 49 4A");
            1_010_540
        };
        t.at(Duration::from_micros(late)).event(noise(late, Noise::NoConsecutiveFrame));
        // The late frame is of no message.
        t.at(Duration::from_micros(late + 50_270)).event(silence(late + 50_270));
    }
}

/// ISO 15765-2:2016 table 21: N_Br is what we take before flow control; N_Ar ends at its confirmation.
#[test]
fn flow_control_takes_n_br_and_must_be_out_by_n_ar() {
    let timing = Timing { n_br: Duration::from_millis(4), n_ar: Duration::from_millis(25), ..Timing::ISO15765_2 };
    let line = Line { timing, ..Line::CLASSIC };
    let mut t = begun(line);
    t.at("14.27 ms - 1 ns").nothing();
    t.at("14.27 ms").sends_frame("5A1 30 00 00 CC CC CC CC CC");

    let mut t = begun(line);
    t.at("39 ms").frees_the_bus();
    t.at("39 ms").sends_frame("5A1 30 00 00 CC CC CC CC CC");
    t.at("39.27 ms").nothing();
    t.at("1039.27 ms").event(noise(1_039_270, Noise::NoConsecutiveFrame));

    let mut t = begun(line);
    t.at("39 ms + 1 ns").frees_the_bus();
    t.at("39 ms + 1 ns").sends_frame("5A1 30 00 00 CC CC CC CC CC");
    t.at("39.27 ms").event(noise(39_270, Noise::NotSent));
}

#[test]
fn flow_control_that_nobody_acknowledges_is_told() {
    let mut t = begun(Line::CLASSIC);
    t.confirms(Confirms::Never);
    t.at("10.27 ms").sends_frame("5A1 30 00 00 CC CC CC CC CC");
    t.at("1010.27 ms").event(noise(1_010_270, Noise::NotSent));
    t.at("1060.54 ms").event(silence(1_060_540));
}

/// ISO 15765-2:2016 9.6.5.3 and 9.6.5.6: a tester asks the same BS and STmin in all of a message's flow controls.
#[test]
fn every_block_gets_flow_control_but_not_the_last_frame() {
    let line = Line { flow: Flow { block_size: 1, st_min: 0x05, wait_max: 0 }, ..Line::CLASSIC };
    let mut t = begun(line);
    t.at("10.27 ms").sends_frame("5A1 30 01 05 CC CC CC CC CC");
    t.at("20 ms").hears_frame("5A9 21 44 45 46 47 48 49 4A");
    t.at("20.27 ms").sends_frame("5A1 30 01 05 CC CC CC CC CC");
    // Nobody has to check that STmin was kept (9.6.5.5).
    t.at("20.6 ms").hears_frame("5A9 22 4B 4C 4D 4E 4F 50 51");
    t.at("20.87 ms").event(message(PATH, 10_000, 20_870, 20));
    t.at("2 s").nothing();
}

/// ISO 15765-2:2016 9.6.4.4: another sequence number ends the reception.
#[test]
fn a_wrong_sequence_number_ends_the_answer() {
    for (frame, found) in [("5A9 22 4B 4C 4D 4E 4F 50 51", 2), ("5A9 20 4B 4C 4D 4E 4F 50 51", 0)] {
        let mut t = begun(Line::CLASSIC);
        t.at("10.27 ms").sends_frame("5A1 30 00 00 CC CC CC CC CC");
        t.at("11 ms").hears_frame(frame);
        t.at("11.27 ms").event(noise(11_270, Noise::Sequence { found, expected: 1 }));
        t.at("12 ms").hears_frame("5A9 21 44 45 46 47 48 49 4A");
        t.at("61.54 ms").event(silence(61_540));
    }
}

/// ISO 15765-2:2016 table 23: a single or first frame ends the reception under way and is taken as a new one.
#[test]
fn a_new_answer_interrupts_the_old_one() {
    let mut t = begun(Line::CLASSIC);
    t.at("10.27 ms").sends_frame("5A1 30 00 00 CC CC CC CC CC");
    t.at("11 ms").hears_frame("5A9 21 44 45 46 47 48 49 4A");
    t.at("12 ms").hears_frame("5A9 10 08 62 F1 90 01 02 03");
    t.at("12.27 ms").event(noise(12_270, Noise::Interrupted));
    t.at("12.27 ms").sends_frame("5A1 30 00 00 CC CC CC CC CC");
    t.at("13 ms").hears_frame("5A9 21 04 05 CC CC CC CC CC");
    t.at("13.27 ms").event(message(PATH, 12_000, 13_270, 8));
    assert_eq!(hex(t.machine().message()), "62 F1 90 01 02 03 04 05");

    let mut t = begun(Line::CLASSIC);
    t.at("10.27 ms").sends_frame("5A1 30 00 00 CC CC CC CC CC");
    t.at("12 ms").hears_frame("5A9 03 7F 22 31 CC CC CC CC");
    t.at("12.27 ms").event(noise(12_270, Noise::Interrupted));
    t.at("12.27 ms").event(message(PATH, 12_000, 12_270, 3));
}

/// ISO 15765-2:2016 table 23: a consecutive frame that no flow control has asked for is ignored, and so is flow
/// control for a receiver.
#[test]
fn unawaited_frames_are_ignored() {
    let timing = Timing { n_br: Duration::from_millis(4), ..Timing::ISO15765_2 };
    let mut t = asked(Line { timing, ..Line::CLASSIC });
    t.at("5 ms").hears_frame("5A9 21 44 45 46 47 48 49 4A");
    t.at("6 ms").hears_frame("5A9 30 00 00 CC CC CC CC CC");
    t.at("10 ms").hears_frame("5A9 10 14 62 F1 90 41 42 43");
    t.at("11 ms").hears_frame("5A9 21 00 00 00 00 00 00 00");
    t.at("14.27 ms").sends_frame("5A1 30 00 00 CC CC CC CC CC");
    t.at("15 ms").hears_frame("5A9 30 00 00 CC CC CC CC CC");
    t.at("16 ms").hears_frame("5A9 21 44 45 46 47 48 49 4A");
    t.at("17 ms").hears_frame("5A9 22 4B 4C 4D 4E 4F 50 51");
    t.at("17.27 ms").event(message(PATH, 10_000, 17_270, 20));
    assert_eq!(hex(&t.machine().message()[6..8]), "44 45");
}

/// ISO 15765-2:2016 9.6.2.2, 9.6.3.2, 10.4.3: ignored on the bus, and told. No flow control goes out.
#[test]
fn frames_that_the_standard_ignores_are_told_and_change_nothing() {
    let short = |found, needed| PduError::Short { found, needed };
    for (frame, error) in [
        ("5A9 00 01 CC CC CC CC CC CC", PduError::SingleLength { found: 0, frame: 8 }),
        ("5A9 08 01 02 03 04 05 06 07", PduError::SingleLength { found: 8, frame: 8 }),
        ("5A9 02 7E 00", PduError::NotFilled { found: 3 }),
        ("5A9 10 14 62 F1 90 41 42", short(7, 8)),
        ("5A9 10 07 62 F1 90 41 42 43", PduError::FirstLength { found: 7, least: 8 }),
        ("5A9 10 06 62 F1 90 41 42 43", PduError::FirstLength { found: 6, least: 8 }),
        ("5A9 10 00 00 00 0F FF 41 42", PduError::Escape(4095)),
        ("5A9 40 01 02 03 04 05 06 07", PduError::Type(0x40)),
        ("5A9 F0 01 02 03 04 05 06 07", PduError::Type(0xF0)),
        ("5A9 21", short(1, 2)),
        ("5A9 30 00", short(2, 3)),
        ("5A9", short(0, 1)),
    ] {
        let mut t = asked(Line::CLASSIC);
        t.at("10 ms").hears_frame(frame);
        let told = t.at("20 ms").events();
        assert_eq!(told.len(), 1, "{frame}");
        assert!(
            matches!(told[0].1, Heard::Noise { what: Noise::Pdu(found), .. } if found == error),
            "{frame}: {told:?}"
        );
        t.at("50.54 ms").event(silence(50_540));
    }
}

/// ISO 15765-2:2016 10.4.3: a consecutive frame that is shorter than its piece is ignored; the right one follows.
#[test]
fn a_consecutive_frame_that_is_too_short_is_ignored() {
    let mut t = begun(Line::CLASSIC);
    t.at("10.27 ms").sends_frame("5A1 30 00 00 CC CC CC CC CC");
    t.at("11 ms").hears_frame("5A9 21 44 45 46 47 48 49");
    let _ = t.at("11.9 ms").events();
    t.at("12 ms").hears_frame("5A9 21 44 45 46 47 48 49 4A");
    t.at("13 ms").hears_frame("5A9 22 4B 4C 4D 4E 4F 50 51");
    t.at("13.27 ms").event(message(PATH, 10_000, 13_270, 20));
}

/// ISO 15765-2:2016 9.6.3.2: longer than we hold: flow control with overflow, and no reception.
#[test]
fn an_answer_longer_than_the_receiver_is_refused() {
    let mut t = asked(Line::CLASSIC);
    t.at("10 ms").hears_frame("5A9 10 00 00 00 10 00 41 42");
    t.at("10.27 ms").event(noise(10_270, Noise::TooLong));
    t.at("10.27 ms").sends_frame("5A1 32 00 00 CC CC CC CC CC");
    t.at("11 ms").hears_frame("5A9 21 44 45 46 47 48 49 4A");
    t.at("50.54 ms").event(silence(50_540));
}

/// Somebody else's conversation with the unit is not disturbed: nobody asked, so no flow control.
#[test]
fn a_first_frame_that_nobody_asked_for_gets_no_flow_control() {
    let mut t = tester(Line::CLASSIC);
    t.at("10 ms").hears_frame("5A9 10 14 62 F1 90 41 42 43");
    t.at("10.27 ms").event(noise(10_270, Noise::Unasked { bytes: 20 }));
    t.at("11 ms").hears_frame("5A9 21 44 45 46 47 48 49 4A");
    t.at("2 s").nothing();
}

/// What began before our request was out answers an earlier one.
#[test]
fn a_late_answer_is_not_taken_for_that_of_the_request_under_way() {
    let mut t = tester(Line::CLASSIC);
    t.at("10 ms").frees_the_bus();
    t.asks("9 ms", &[0x3E, 0x00], ask(PATH));
    t.at("9.1 ms").hears_frame("5A9 03 7F 22 31 CC CC CC CC");
    t.at("10 ms").sends_frame("5A1 02 3E 00 CC CC CC CC CC");
    t.at("9.37 ms").event(noise(9_370, Noise::Unasked { bytes: 3 }));
    t.at("10.27 ms").event(sent(10_000, 10_270));
    t.at("20 ms").hears_frame("5A9 02 7E 00 CC CC CC CC CC");
    t.at("20.27 ms").event(message(PATH, 20_000, 20_270, 2));
}

/// ISO 14229-2: after "response pending" P2* holds from its end on, then P2 again.
#[test]
fn a_pending_answer_keeps_its_window_open() {
    let mut t = asked(Line::CLASSIC);
    t.at("10 ms").hears_frame("5A9 03 7F 22 78 CC CC CC CC");
    t.at("10.27 ms").event(message(PATH, 10_000, 10_270, 3));
    t.at("10.27 ms").does(|tester, _| tester.keep_waiting(Duration::from_secs(5)));
    t.at("5010.27 ms").hears_frame("5A9 02 7E 00 CC CC CC CC CC");
    t.at("5010.54 ms").event(message(PATH, 5_010_270, 5_010_540, 2));
    t.at("20 s").nothing();

    let mut t = asked(Line::CLASSIC);
    t.at("10 ms").hears_frame("5A9 03 7F 22 78 CC CC CC CC");
    t.at("10.27 ms").event(message(PATH, 10_000, 10_270, 3));
    t.at("10.27 ms").does(|tester, _| tester.keep_waiting(Duration::from_secs(5)));
    t.at("5010.54 ms").event(silence(5_010_540));
}
