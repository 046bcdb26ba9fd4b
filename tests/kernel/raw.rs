//! Frames through a raw socket: content, width, times, confirmation, filters.

use std::fs;

use tickover_framing::can::{Filter, Id};
use tickover_framing::contract::{Act, Input, Speed};
use tickover_framing::drive::{Port, Woke};
use tickover_link::LivePort;

use crate::bus::{BUS, EXTENDED, LONG, Other, extended, is_fd, is_quiet, next_frame, port, send, standard};

#[test]
fn frames_come_with_width_content_and_a_time_between_sending_and_now() {
    let (other, mut port) = (Other::on(BUS), port());
    let before = port.now();
    other.sends(0x123, &[0xAA, 0xBB]);
    other.sends(0x123 | EXTENDED, &[0xCC]);
    other.sends_fd(0x7E8, &[0x55; 64]);
    let (first, narrow) = next_frame(&mut port);
    let (second, wide) = next_frame(&mut port);
    let (third, long) = next_frame(&mut port);
    assert_eq!(narrow, standard(0x123, &[0xAA, 0xBB]));
    assert_eq!(wide, extended(0x123, &[0xCC]));
    assert!(is_fd(&long) && long.data.as_slice() == [0x55; 64], "{long}");
    assert!(before <= first && first <= second && second <= third && third <= port.now());
}

#[test]
fn the_time_of_a_frame_is_the_kernels_and_not_that_of_reading() {
    let (other, mut port) = (Other::on(BUS), port());
    assert!(is_quiet(&mut port));
    other.sends(0x123, &[1]);
    let sent = port.now();
    port.clock().sleep_until(sent.after(std::time::Duration::from_millis(300)));
    let (end, _) = next_frame(&mut port);
    assert!(port.now().since(end).as_millis() >= 200, "the frame is {:?} old", port.now().since(end));
}

#[test]
fn what_we_send_reaches_the_bus_once_and_is_confirmed_before_its_answer() {
    let (other, mut port) = (Other::on(BUS), port());
    let asked = port.now();
    let (start, end) = send(&mut port, 7, standard(0x7E0, &[0x02, 0x01, 0x0C]));
    assert!(asked <= start && start <= end && end <= port.now());
    assert_eq!(other.hears(), (0x7E0, vec![0x02, 0x01, 0x0C]));
    other.sends(0x7E8, &[0x04, 0x41, 0x0C, 0x1A, 0xF8]);
    let (answered, frame) = next_frame(&mut port);
    assert_eq!(frame.id, Id::Standard(0x7E8));
    assert!(end <= answered);
    assert!(is_quiet(&mut port));
}

#[test]
fn a_wide_frame_and_an_fd_frame_are_sent_as_such() {
    let (other, mut port) = (Other::on(BUS), port());
    send(&mut port, 1, extended(0x18DA_10F1, &[0x3E]));
    assert_eq!(other.hears(), (0x18DA_10F1 | EXTENDED, vec![0x3E]));
    let long = tickover_framing::can::Frame::fd(Id::Standard(0x7E0), &[0x22; 48], true).unwrap();
    send(&mut port, 2, long);
    assert_eq!(other.hears(), (0x7E0, vec![0x22; 48]));
}

#[test]
fn what_is_not_wanted_is_dropped_by_the_kernel() {
    let (other, mut port) = (Other::on(BUS), port());
    port.filter(&[Filter::only(Id::Standard(0x123))]);
    for _ in 0..100 {
        other.sends(0x124, &[]);
        other.sends(0x123 | EXTENDED, &[]);
    }
    other.sends(0x123, &[1]);
    assert_eq!(next_frame(&mut port).1, standard(0x123, &[1]));
    assert!(is_quiet(&mut port));
    // The kernel counts what it passed: one line for each filter, the count stands before the last word.
    let (counts, all) = (matches(0x123, 0x8000_07FF), fs::read_to_string("/proc/net/can/rcvlist_all").unwrap());
    assert_eq!(counts, [1], "of 201 frames one passed");
    assert_eq!(all.lines().filter(|line| line.contains("raw")).count(), 1, "only the test takes all frames:\n{all}");
}

/// How often the kernel found this filter to match; one number for each socket that has set it.
fn matches(id: u32, mask: u32) -> Vec<u64> {
    let wanted = [format!("{id:03x}"), format!("{mask:08x}")];
    ["rcvlist_fil", "rcvlist_sff", "rcvlist_eff"]
        .iter()
        .flat_map(|list| {
            fs::read_to_string(format!("/proc/net/can/{list}")).unwrap().lines().map(str::to_owned).collect::<Vec<_>>()
        })
        .filter_map(|line| {
            let words: Vec<_> = line.split_whitespace().collect();
            let is_ours = words.len() > 6 && words[0] == BUS && words[1] == wanted[0] && words[2] == wanted[1];
            is_ours.then(|| words[words.len() - 2].parse().unwrap())
        })
        .collect()
}

#[test]
fn a_filter_that_leaves_out_our_own_identifier_does_not_hide_the_confirmation() {
    let (other, mut port) = (Other::on(BUS), port());
    port.filter(&[Filter::only(Id::Standard(0x7E8))]);
    send(&mut port, 1, standard(0x7E0, &[1]));
    send(&mut port, 2, standard(0x7E0, &[1]));
    // Somebody else with our identifier is still not wanted.
    other.sends(0x7E0, &[9]);
    other.sends(0x7E8, &[2]);
    assert_eq!(next_frame(&mut port).1, standard(0x7E8, &[2]));
}

#[test]
fn no_filter_at_all_is_silence() {
    let (other, mut port) = (Other::on(BUS), port());
    port.filter(&[]);
    other.sends(0x123, &[]);
    assert!(is_quiet(&mut port));
}

#[test]
fn a_burst_comes_whole_and_in_order() {
    let (other, mut port) = (Other::on(BUS), port());
    for number in 0..400_u16 {
        other.sends(0x123, &number.to_be_bytes());
    }
    for number in 0..400_u16 {
        assert_eq!(next_frame(&mut port).1.data.as_slice(), number.to_be_bytes());
    }
}

/// Linux: a virtual bus has no bit rate. It is not set, and none is claimed.
#[test]
fn a_bus_without_a_bit_rate_claims_none() {
    let mut port = port();
    let speed = Act::Speed(Speed::Can { bit_rate: 500_000, data_rate: None, listen_only: false });
    assert!(matches!(port.act(&speed), Some(Input::SpeedIs { got: None, .. })));
    assert_eq!(port.description().to_string(), "virtual CAN interface vcan0 (has no bit rate and no errors of a bus)");
}

#[test]
fn a_deadline_is_never_early_and_a_command_wakes() {
    let mut port = port();
    for micros in [0, 500, 3_000] {
        let until = port.now().after(std::time::Duration::from_micros(micros));
        let woke = port.wait(Some(until), &mut [0; 256]);
        assert!(matches!(woke, Woke::Deadline { now } if now >= until), "{woke:?}");
    }
    port.waker().wake();
    let until = port.now().after(LONG);
    assert_eq!(port.wait(Some(until), &mut [0; 256]), Woke::Command);
}
