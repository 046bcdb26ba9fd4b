//! The port on a pseudo-terminal; a thread is the adapter behind it.

use std::fs::File;
use std::io::{Read, Write};
use std::sync::mpsc::{self, Receiver};
use std::thread;

use rustix::pty::{OpenptFlags, grantpt, openpt, ptsname, unlockpt};
use tickover_framing::can::{Condition, Frame, Id};

use super::*;

const LONG: Duration = Duration::from_secs(20);

/// How an adapter answers a command.
#[derive(Clone, Copy)]
enum Manner {
    /// CR, and z or Z for frames.
    Answers,
    /// Only the version.
    AnswersVersion,
    /// BEL to every bit rate.
    RefusesRates,
    /// BEL to every frame, and to the closing of a channel that is not open.
    RefusesFrames,
    Silent,
}

/// The terminal's other end, and the lines that it was told.
struct Adapter {
    terminal: File,
    told: Receiver<String>,
    path: String,
}

impl Adapter {
    fn new(manner: Manner) -> Self {
        let ours = openpt(OpenptFlags::RDWR | OpenptFlags::NOCTTY | OpenptFlags::CLOEXEC).unwrap();
        grantpt(&ours).unwrap();
        unlockpt(&ours).unwrap();
        let path = ptsname(&ours, Vec::new()).unwrap().into_string().unwrap();
        let terminal = File::from(ours);
        let (tell, told) = mpsc::channel();
        let mut end = terminal.try_clone().unwrap();
        thread::spawn(move || {
            let mut line = Vec::new();
            let mut byte = [0];
            while end.read_exact(&mut byte).is_ok() {
                if byte[0] != CR {
                    line.push(byte[0]);
                    continue;
                }
                let text = String::from_utf8(std::mem::take(&mut line)).unwrap();
                let answer: &[u8] = match (manner, text.as_bytes().first()) {
                    (Manner::Silent, _) => b"",
                    (_, Some(b'V')) => b"V1013\r",
                    (Manner::AnswersVersion, _) => b"",
                    (Manner::RefusesRates, Some(b'S')) => b"\x07",
                    (Manner::RefusesFrames, Some(b't' | b'C')) => b"\x07",
                    (_, Some(b't')) => b"z\r",
                    (_, Some(b'T')) => b"Z\r",
                    _ => b"\r",
                };
                let _ = end.write_all(answer);
                if tell.send(text).is_err() {
                    break;
                }
            }
        });
        Self { terminal, told, path }
    }

    fn says(&mut self, text: &[u8]) {
        self.terminal.write_all(text).unwrap();
    }

    /// The next lines that are not empty.
    fn told(&self, count: usize) -> Vec<String> {
        let lines = std::iter::from_fn(|| self.told.recv_timeout(LONG).ok());
        lines.filter(|line| !line.is_empty()).take(count).collect()
    }
}

fn speed(bit_rate: u32) -> Speed {
    Speed::Can { bit_rate, data_rate: None, listen_only: false }
}

fn opened(adapter: &Adapter) -> Slcan {
    let mut port = Slcan::open(&adapter.path).unwrap();
    let got = set(&mut port, speed(500_000));
    assert_eq!(got, Some(speed(500_000)));
    port
}

fn set(port: &mut Slcan, speed: Speed) -> Option<Speed> {
    match port.act(&Act::Speed(speed)) {
        Some(Input::SpeedIs { got, .. }) => got,
        other => panic!("{other:?}"),
    }
}

fn next(port: &mut Slcan) -> Woke {
    let until = port.now().after(LONG);
    port.wait(Some(until), &mut [0; 256])
}

fn frame(id: u16, data: &[u8]) -> Frame {
    Frame::classic(Id::Standard(id), data).unwrap()
}

fn transmit(frame: Frame) -> Act {
    Act::Transmit { tag: Tag(7), wire: Wire::Frame(frame) }
}

#[test]
fn opening_asks_for_a_sign_of_life_and_a_speed_closes_sets_and_opens_the_channel() {
    let adapter = Adapter::new(Manner::Answers);
    let mut port = opened(&adapter);
    assert_eq!(adapter.told(5), ["C", "V", "C", "S6", "O"]);
    let silent = Speed::Can { bit_rate: 250_000, data_rate: None, listen_only: true };
    assert_eq!(set(&mut port, silent), Some(silent));
    assert_eq!(adapter.told(3), ["C", "S5", "L"]);
    drop(port);
    assert_eq!(adapter.told(1), ["C"], "the channel is left closed");
}

#[test]
fn an_adapter_that_answers_nothing_is_told_in_one_sentence() {
    let adapter = Adapter::new(Manner::Silent);
    let error = Slcan::open(&adapter.path).unwrap_err();
    assert!(matches!(error, OpenError::Silent { .. }));
    assert_eq!(
        error.to_string(),
        format!(
            "the adapter on {} answers nothing: CR, BEL or a version were expected after V; look whether it speaks \
             slcan, at 115200 Bd, and nothing else holds it",
            adapter.path
        )
    );
}

#[test]
fn an_adapter_that_does_commands_in_silence_is_taken_at_its_word() {
    let adapter = Adapter::new(Manner::AnswersVersion);
    opened(&adapter);
}

#[test]
fn a_rate_that_the_protocol_or_the_adapter_does_not_have_is_refused() {
    let adapter = Adapter::new(Manner::RefusesRates);
    let mut port = Slcan::open(&adapter.path).unwrap();
    for rate in [500_000, 33_333] {
        let report = port.act(&Act::Speed(speed(rate)));
        assert!(matches!(report, Some(Input::Lost { cause: Lost::Refused, .. })), "{rate}: {report:?}");
    }
    assert_eq!(set(&mut port, Speed::Serial { baud: 10_400, parity: Parity::None, stop_bits: 1 }), None);
    let sent = port.act(&transmit(frame(0x7E0, &[1])));
    assert!(matches!(sent, Some(Input::Lost { cause: Lost::Refused, .. })), "nothing is sent on a closed channel");
}

#[test]
fn frames_and_conditions_come_in_order_and_noise_between_them_is_counted() {
    let mut adapter = Adapter::new(Manner::Answers);
    let mut port = opened(&adapter);
    adapter.says(b"t7E8341 garbage\rt7E83410C1A\rsp000128\rT18DAF11020102\r");
    assert!(matches!(next(&mut port), Woke::Frame { frame: heard, .. } if heard == frame(0x7E8, &[0x41, 0x0C, 0x1A])));
    assert!(matches!(next(&mut port), Woke::Bus { condition: Condition::Passive, .. }));
    assert!(matches!(next(&mut port), Woke::Frame { frame: heard, .. } if heard.id == Id::Extended(0x18DA_F110)));
    assert_eq!(port.count(), Count { noise: 1, refused: 0 });
}

/// Lines of noise and frames that nobody wants, faster than they are read.
#[test]
fn a_flood_of_what_is_not_wanted_keeps_nobody_from_deadlines_and_commands() {
    let adapter = Adapter::new(Manner::Answers);
    let mut port = opened(&adapter);
    port.filter(&[Filter::only(Id::Standard(0x123))]);
    let mut terminal = adapter.terminal.try_clone().unwrap();
    thread::spawn(move || while terminal.write_all(&[b"t1241AA\r", &[b'x'; 91][..]].concat().repeat(40)).is_ok() {});
    let ends = port.now().after(Duration::from_millis(50));
    let mut woke = port.wait(Some(ends), &mut [0; 256]);
    while woke == Woke::Command {
        woke = port.wait(Some(ends), &mut [0; 256]);
    }
    assert!(matches!(woke, Woke::Deadline { now } if now >= ends), "{woke:?}");
    port.waker().wake();
    assert_eq!(port.wait(None, &mut [0; 256]), Woke::Command);
    let report = port.act(&Act::Speed(speed(250_000)));
    assert!(report.is_some(), "no answer is found in it, but the search ends");
    assert!(port.heard.len() <= Slcan::HELD + 1);
}

#[test]
fn only_wanted_frames_are_handed_in() {
    let mut adapter = Adapter::new(Manner::Answers);
    let mut port = opened(&adapter);
    port.filter(&[Filter::only(Id::Standard(0x123))]);
    adapter.says(b"t1241AA\rT000001231BB\rt1231CC\r");
    assert!(matches!(next(&mut port), Woke::Frame { frame: heard, .. } if heard == frame(0x123, &[0xCC])));
}

/// ISO 11898-1 with worst-case stuffing: 3 bytes in an 11-bit frame are 47 + 24 bits and up to 14 stuff bits, 170 us
/// at 500 kbit/s.
#[test]
fn frames_are_sent_one_after_the_other_as_computed() {
    let adapter = Adapter::new(Manner::Answers);
    let mut port = opened(&adapter);
    adapter.told(5);
    let asked = port.now();
    let sent: Vec<_> = (0..3)
        .map(|_| match port.act(&transmit(frame(0x7E0, &[0x02, 0x01, 0x0C]))) {
            Some(Input::Sent { tag: Tag(7), start, end, known: Known::Computed }) => (start, end),
            other => panic!("{other:?}"),
        })
        .collect();
    assert!(asked <= sent[0].0);
    for (start, end) in &sent {
        assert_eq!(end.since(*start), Duration::from_micros(170));
    }
    assert!(sent[0].1 <= sent[1].0 && sent[1].1 <= sent[2].0);
    assert_eq!(adapter.told(3), ["t7E0302010C"; 3]);
}

#[test]
fn an_fd_frame_is_a_refusal() {
    let adapter = Adapter::new(Manner::Answers);
    let mut port = opened(&adapter);
    let act = transmit(Frame::fd(Id::Standard(1), &[0; 12], false).unwrap());
    assert!(matches!(port.act(&act), Some(Input::Lost { cause: Lost::Refused, .. })));
}

/// Linux kernel 6.1, `slcan`: BEL is the answer to what is not done.
#[test]
fn a_frame_that_the_adapter_refuses_is_told_and_counted() {
    let adapter = Adapter::new(Manner::RefusesFrames);
    let mut port = opened(&adapter);
    assert_eq!(port.count().refused, 0, "a refused command is no refused frame");
    assert!(matches!(port.act(&transmit(frame(0x7E0, &[1]))), Some(Input::Sent { .. })));
    assert!(matches!(next(&mut port), Woke::Bus { condition: Condition::Refused, .. }));
    assert_eq!(port.count().refused, 1);
}

#[test]
fn a_command_that_comes_while_an_answer_is_waited_for_still_wakes() {
    let adapter = Adapter::new(Manner::AnswersVersion);
    let mut port = opened(&adapter);
    port.waker().wake();
    assert!(set(&mut port, speed(250_000)).is_some());
    assert_eq!(next(&mut port), Woke::Command);
}

#[test]
fn an_adapter_that_is_unplugged_is_lost() {
    let adapter = Adapter::new(Manner::Answers);
    let mut port = opened(&adapter);
    // The thread's copy of the terminal goes with the line that ends it.
    drop(adapter);
    port.act(&transmit(frame(1, &[])));
    assert!(matches!(next(&mut port), Woke::Lost { cause: Lost::Gone, .. }));
    assert!(port.reopen().is_err());
}
