//! The line on the real clock: values and order, never speed.

mod bench;
mod doors;

use core::convert::Infallible;
use core::time::Duration;
use std::io::{Read, Write};
use std::os::unix::fs::OpenOptionsExt;
use std::sync::mpsc;

use rustix::termios::{OptionalActions, tcgetattr, tcsetattr};
use tickover_framing::can::{Condition, Frame, Id};
use tickover_framing::contract::{Act, Chunk, Input, Output, Parity, Speed, Tag, Why, Wire};
use tickover_framing::drive::{Port, Woke};
use tickover_framing::time::Instant;
use tickover_framing::transport::Reach;
use tickover_link::{Clock, LivePort};

use super::{LIVE_REACH, LiveBus, LiveLine, PtyLine, PtyNote};
use crate::bus::{self, Bus};
use crate::line::{Line, Station};

/// Answers each 10 with 20 21, 2 ms after it.
#[derive(Debug, Default)]
struct Parrot {
    acts: Vec<Act>,
    answer_at: Option<Instant>,
}

impl Station for Parrot {
    fn handle(&mut self, input: Input<'_>) {
        match input {
            Input::Bytes { end, bytes: [.., 0x10] } => self.answer_at = Some(end.after(Duration::from_millis(2))),
            Input::Timeout { .. } if self.answer_at.take().is_some() => self.acts.push(transmit(&[0x20, 0x21])),
            _ => {}
        }
    }

    fn poll(&mut self) -> Output<Infallible> {
        match (self.acts.pop(), self.answer_at) {
            (Some(act), _) => Output::Act(act),
            (None, Some(at)) => Output::WaitUntil { at, why: Why { name: "answer", clause: "" } },
            (None, None) => Output::Idle,
        }
    }
}

fn transmit(bytes: &[u8]) -> Act {
    Act::Transmit { tag: Tag(0), wire: Wire::Bytes(Chunk::split_from(bytes).0) }
}

fn line() -> Line<Parrot> {
    let mut line = Line::new(Reach::IDEAL);
    let speed = Speed::Serial { baud: 10_400, parity: Parity::None, stop_bits: 1 };
    line.attach(Parrot { acts: vec![Act::Speed(speed)], answer_at: None });
    line
}

#[test]
fn an_in_process_line_answers_in_real_time_and_in_order() {
    let clock = Clock::start();
    let mut port = LiveLine::new(line(), clock, "bench");
    let report = port.act(&transmit(&[0x10]));
    let Some(Input::Sent { end, .. }) = report else { panic!("{report:?}") };
    let (mut heard, mut last, mut buffer) = (Vec::new(), Instant::ORIGIN, [0; 16]);
    while heard.len() < 3 {
        let Woke::Bytes { end, len } = port.wait(None, &mut buffer) else { continue };
        assert!(end > last && port.now() >= end);
        last = end;
        heard.extend_from_slice(&buffer[..len]);
    }
    assert_eq!(heard, [0x10, 0x20, 0x21]);
    assert_eq!(last.since(end), Duration::from_millis(2) + Duration::from_nanos(1_923_077));
}

#[test]
fn a_waker_ends_a_wait_from_another_thread_and_before_it_begins() {
    let mut port = LiveLine::new(line(), Clock::start(), "bench");
    let waker = port.waker();
    waker.wake_by_ref();
    assert_eq!(port.wait(None, &mut [0; 4]), Woke::Command);
    let thread = std::thread::spawn(move || waker.wake());
    assert_eq!(port.wait(None, &mut [0; 4]), Woke::Command);
    thread.join().expect("it only wakes");
}

#[test]
fn a_line_that_is_cut_stays_lost_until_it_is_reopened() {
    let mut port = LiveLine::new(line(), Clock::start(), "bench");
    port.line_mut().cut_at(Some(Instant::ORIGIN));
    assert!(matches!(port.wait(None, &mut [0; 4]), Woke::Lost { .. }));
    assert!(matches!(port.act(&transmit(&[1])), Some(Input::Lost { .. })));
    port.reopen().expect("a line in process can be plugged in again");
    assert!(matches!(port.act(&transmit(&[1])), Some(Input::Sent { .. })));
}

/// Sends 7E8 for every frame that it hears.
#[derive(Debug, Default)]
struct Repeater(usize);

impl Station for Repeater {
    fn handle(&mut self, input: Input<'_>) {
        self.0 += usize::from(matches!(input, Input::Frame { .. }));
    }

    fn poll(&mut self) -> Output<Infallible> {
        if self.0 == 0 {
            return Output::Idle;
        }
        self.0 -= 1;
        Output::Act(send(frame(0x7E8, &[4, 5])))
    }
}

fn frame(id: u16, data: &[u8]) -> Frame {
    Frame::classic(Id::Standard(id), data).expect("an 11-bit identifier and few bytes")
}

fn send(frame: Frame) -> Act {
    Act::Transmit { tag: Tag(3), wire: Wire::Frame(frame) }
}

#[test]
fn an_in_process_bus_reports_what_is_sent_and_then_hands_in_the_answer() {
    let clock = Clock::start();
    let mut bus = Bus::new(LIVE_REACH, 125_000);
    bus.attach(Repeater::default());
    let mut port = LiveBus::new(bus, clock, "bench");
    assert!(port.act(&send(frame(0x7E0, &[1]))).is_none());
    let Woke::Sent { tag: Tag(3), start, end } = port.wait(None, &mut []) else { panic!("no report") };
    assert!(port.now() >= end && end > start);
    let Woke::Frame { end: heard, frame: answer } = port.wait(None, &mut []) else { panic!("no answer") };
    assert_eq!(answer, frame(0x7E8, &[4, 5]));
    assert_eq!(heard.since(end), answer_time());
}

/// 11-bit identifier, two bytes: 55 + 20 bits of 8 us with worst-case stuffing and intermission.
fn answer_time() -> Duration {
    Duration::from_micros(75 * 8)
}

#[test]
fn an_in_process_bus_shows_another_bit_rate_and_a_bus_that_is_off() {
    let mut bus = Bus::new(LIVE_REACH, 500_000);
    bus.attach(Repeater::default());
    for _ in 0..32 {
        bus.plan(bus::Planned { at: Instant::ORIGIN, who: bus::Who::Tester, strike: bus::Strike::Destroy });
    }
    let mut port = LiveBus::new(bus, Clock::start(), "bench");
    port.act(&send(frame(0x7E0, &[1])));
    let mut conditions = Vec::new();
    while conditions.last() != Some(&Condition::Off) {
        let woke = port.wait(None, &mut []);
        let Woke::Bus { condition, .. } = woke else { panic!("{woke:?}") };
        conditions.push(condition);
    }
    assert!(conditions.contains(&Condition::Error) && conditions.contains(&Condition::Passive));
    let slower = Speed::Can { bit_rate: 250_000, data_rate: None, listen_only: false };
    assert!(matches!(port.act(&Act::Speed(slower)), Some(Input::SpeedIs { got: Some(got), .. }) if got == slower));
    port.act(&send(frame(0x7E0, &[1])));
    assert!(matches!(port.wait(None, &mut []), Woke::Bus { condition: Condition::Error, .. }));
}

#[test]
fn an_in_process_bus_takes_frames_late_while_its_queue_is_full() {
    let mut bus = Bus::new(LIVE_REACH, 500_000);
    bus.attach(Repeater::default());
    let full = bus::Strike::Full(Duration::from_millis(30));
    bus.plan(bus::Planned { at: Instant::ORIGIN, who: bus::Who::Tester, strike: full });
    let mut port = LiveBus::new(bus, Clock::start(), "bench");
    let asked = port.now();
    port.act(&send(frame(0x7E0, &[1])));
    port.act(&Act::Transmit { tag: Tag(4), wire: Wire::Frame(frame(0x7E1, &[1])) });
    let mut sent = Vec::new();
    while sent.len() < 2 {
        if let Woke::Sent { tag, start, .. } = port.wait(None, &mut []) {
            assert!(start >= asked.after(Duration::from_millis(30)), "not before there is room");
            sent.push(tag);
        }
    }
    assert_eq!((sent, port.bus_mut().counts().full), (vec![Tag(3), Tag(4)], 1));
}

/// A tester that opens the path as another program would.
struct Tester(std::fs::File);

impl Tester {
    fn open(path: &str, baud: u32) -> Self {
        let file = std::fs::OpenOptions::new()
            .read(true)
            .write(true)
            .custom_flags(rustix::fs::OFlags::NOCTTY.bits() as i32)
            .open(path)
            .expect("the path opens");
        let mut settings = tcgetattr(&file).expect("it is a terminal");
        settings.make_raw();
        settings.set_speed(baud).expect("any speed");
        tcsetattr(&file, OptionalActions::Now, &settings).expect("settings are taken");
        Self(file)
    }

    fn send(&mut self, bytes: &[u8]) {
        self.0.write_all(bytes).expect("written");
    }

    fn read(&mut self, count: usize) -> Vec<u8> {
        let mut bytes = vec![0; count];
        self.0.read_exact(&mut bytes).expect("read");
        bytes
    }
}

/// Runs `test` against a parrot behind a pseudo-terminal; gives back what was noted.
fn with_parrot(test: impl FnOnce(&str, &mpsc::Receiver<PtyNote>)) {
    let mut pty = PtyLine::open(line(), Clock::start()).expect("a pseudo-terminal");
    let (path, stopper) = (pty.path().to_owned(), pty.stopper());
    let (notes, noted) = mpsc::channel();
    let thread = std::thread::spawn(move || {
        pty.run(|_, note| {
            if let Some(note) = note {
                let _ = notes.send(note);
            }
        })
    });
    test(&path, &noted);
    stopper.stop();
    thread.join().expect("no panic").expect("no error");
}

#[test]
fn a_tester_hears_itself_and_the_answer() {
    with_parrot(|path, _| {
        let mut tester = Tester::open(path, 10_400);
        tester.send(&[0x01, 0x10]);
        assert_eq!(tester.read(4), [0x01, 0x10, 0x20, 0x21]);
    });
}

#[test]
fn the_next_tester_is_served_and_hears_nothing_meant_for_the_one_before() {
    with_parrot(|path, noted| {
        let mut first = Tester::open(path, 10_400);
        assert_eq!(noted.recv(), Ok(PtyNote::Opened));
        first.send(&[0x01, 0x10]);
        assert_eq!(first.read(3), [0x01, 0x10, 0x20]);
        std::thread::park_timeout(Duration::from_millis(20));
        drop(first);
        assert_eq!(noted.recv(), Ok(PtyNote::Closed));
        let mut second = Tester::open(path, 10_400);
        assert_eq!(noted.recv(), Ok(PtyNote::Opened));
        second.send(&[0x10]);
        assert_eq!(second.read(3), [0x10, 0x20, 0x21]);
    });
}

#[test]
fn a_tester_at_another_speed_is_told_of_and_not_understood() {
    with_parrot(|path, noted| {
        let mut tester = Tester::open(path, 9_600);
        tester.send(&[0x10]);
        assert_eq!(tester.read(1), [0x10], "its own echo is at its own speed");
        assert_eq!(noted.recv(), Ok(PtyNote::Opened));
        assert_eq!(noted.recv(), Ok(PtyNote::SpeedDiffers { tester: 9_600, unit: 10_400 }));
    });
}

#[test]
fn a_tester_that_writes_faster_than_the_line_is_held_up() {
    let clock = Clock::start();
    let mut pty = PtyLine::open(line(), clock).expect("the system has terminals");
    let (path, stopper) = (pty.path().to_owned(), pty.stopper());
    let (told, ahead) = mpsc::channel();
    let bench = std::thread::spawn(move || {
        pty.run(move |line, _| {
            let _ = told.send(line.tester_sends_until().since(clock.now()));
        })
    });
    let tester = Tester::open(&path, 10_400);
    rustix::io::ioctl_fionbio(&tester.0, true).expect("it need not block");
    let mut farthest = Duration::ZERO;
    // Until the line is behind by almost a second, then as often again.
    let mut left = 50;
    while left > 0 {
        let _ = rustix::io::write(&tester.0, &[0x11; 1024]);
        std::thread::park_timeout(Duration::from_millis(1));
        farthest = ahead.try_iter().fold(farthest, Duration::max);
        left -= i32::from(farthest > Duration::from_millis(900));
    }
    stopper.stop();
    bench.join().expect("no panic").expect("the terminal stays");
    farthest = ahead.try_iter().fold(farthest, Duration::max);
    // A second, and the 256 bytes that are taken at once.
    assert!(farthest < Duration::from_millis(1_300), "{farthest:?}");
}
