//! ISO 15765-2: our machines over our port against the kernel's sockets.

use std::thread;
use std::time::Duration;

use rustix::io::Errno;
use socketcan::{CanFdSocket, EmbeddedFrame, Frame as _, Socket, SocketOptions};
use tickover_framing::can::Id;
use tickover_framing::contract::{Machine, Output};
use tickover_framing::drive::{Port, turn};
use tickover_framing::isotp::{Address, Flow, Line, Path, Tester, Unit, UnitEvent};
use tickover_framing::transport::{Answers, Ask, Heard, Noise, Peer, Transport};
use tickover_link::LivePort;
use tickover_link::can::SocketCan;

use crate::bus::{BUS, LONG, next_frame, port, send, standard};
use crate::kernel::{Kernel, Receives};

const REQUESTS: u16 = 0x5A1;
const RESPONSES: u16 = 0x5A9;
const PATH: Path =
    Path { request: Address::Normal(Id::Standard(REQUESTS)), response: Address::Normal(Id::Standard(RESPONSES)) };

/// One frame, the longest and the shortest message around its limit, many frames, the most of a 12-bit length.
const LENGTHS: [usize; 5] = [1, 7, 8, 200, 4095];

/// BS 4, STmin 10 ms.
const SLOW: Receives = Receives { block_size: 4, st_min: 10 };

fn line(receives: Receives) -> Line {
    let flow = Flow { block_size: receives.block_size, st_min: receives.st_min, wait_max: 0 };
    Line { flow, ..Line::CLASSIC }
}

fn message(length: usize) -> Vec<u8> {
    (0..length).map(|place| (place * 7 + length) as u8).collect()
}

/// Our tester and its port.
struct Ours {
    tester: Tester<1, 4095>,
    port: SocketCan,
}

impl Ours {
    fn new(receives: Receives) -> Self {
        let port = port();
        let mut tester = Tester::new(line(receives), port.reach());
        tester.add_unit(PATH).unwrap();
        tester.connect(port.now());
        assert_eq!(tester.poll_output(), Output::Event(Heard::Ready { key_bytes: None }));
        Self { tester, port }
    }

    /// Sends a request; gives all that is told until it has ended, and the last message. The end rings the bell: a
    /// machine that has nothing to wait for would wait for ever.
    fn ask(&mut self, request: &[u8]) -> (Vec<Heard>, Vec<u8>) {
        let (mut told, mut answer) = (Vec::new(), Vec::new());
        let ask = Ask { to: Peer::Address(PATH.request), answers: Answers::One, window: LONG };
        let bell = self.port.waker();
        self.tester.request(self.port.now(), request, ask).unwrap();
        while !told.iter().any(|heard| matches!(heard, Heard::Message { .. } | Heard::Silence { .. })) {
            turn(&mut self.tester, &mut self.port, |tester, heard| {
                if matches!(heard, Heard::Message { .. }) {
                    answer = tester.message().to_vec();
                }
                if matches!(heard, Heard::Message { .. } | Heard::Silence { .. }) {
                    bell.wake_by_ref();
                }
                told.push(heard);
            });
        }
        (told, answer)
    }
}

/// Runs our unit until it has answered so many requests, each with its own bytes.
fn answer(receives: Receives, count: usize) {
    let mut port = port();
    let mut unit: Unit<4095> = Unit::new(line(receives), PATH, None, port.reach());
    let bell = port.waker();
    let mut answered = 0;
    while answered < count {
        let mut request = None;
        turn(&mut unit, &mut port, |unit, event| {
            bell.wake_by_ref();
            match event {
                UnitEvent::Request { .. } => request = Some(unit.request().to_vec()),
                UnitEvent::Sent { .. } => answered += 1,
                other => panic!("{other:?}"),
            }
        });
        if let Some(request) = request {
            unit.respond(port.now(), &request, Duration::ZERO).unwrap();
        }
    }
}

#[test]
fn requests_of_every_length_reach_the_kernel_and_come_back() {
    let kernel = Kernel::new(REQUESTS, RESPONSES, Receives::ALL_AT_ONCE);
    let echo = thread::spawn(move || LENGTHS.map(|_| kernel.reads().and_then(|message| kernel.writes(&message))));
    let mut ours = Ours::new(Receives::ALL_AT_ONCE);
    for length in LENGTHS {
        let (told, answer) = ours.ask(&message(length));
        assert!(answer == message(length), "{length} bytes: {told:?}");
    }
    assert!(echo.join().unwrap().iter().all(Result::is_ok));
}

#[test]
fn our_unit_answers_the_kernel_with_messages_of_every_length() {
    let unit = thread::spawn(|| answer(Receives::ALL_AT_ONCE, LENGTHS.len()));
    let kernel = Kernel::new(RESPONSES, REQUESTS, Receives::ALL_AT_ONCE);
    wait_for_unit();
    for length in LENGTHS {
        kernel.writes(&message(length)).unwrap();
        assert!(kernel.reads().unwrap() == message(length), "{length} bytes");
    }
    unit.join().unwrap();
}

/// The unit's port is open when its filters are in the kernel's list: two raw sockets then hear all.
fn wait_for_unit() {
    let listening = || std::fs::read_to_string("/proc/net/can/rcvlist_all").unwrap().matches("raw").count();
    while listening() == 0 {
        thread::yield_now();
    }
}

/// ISO 15765-2:2016 9.6.5.4: STmin is the least time from the end of one consecutive frame to the start of the next.
/// Both sides go on at once after flow control: times are taken inside the blocks.
#[test]
fn our_sender_keeps_the_block_size_and_the_separation_that_the_kernel_asks_for() {
    let observer = Observer::new();
    let kernel = Kernel::new(REQUESTS, RESPONSES, SLOW);
    let echo = thread::spawn(move || {
        let message = kernel.reads().unwrap();
        kernel.writes(&message[..1]).unwrap();
    });
    let (told, answer) = Ours::new(Receives::ALL_AT_ONCE).ask(&message(100));
    assert_eq!(answer.len(), 1, "{told:?}");
    echo.join().unwrap();
    observer.judge(REQUESTS, RESPONSES);
}

#[test]
fn the_kernels_sender_keeps_the_block_size_and_the_separation_that_our_receiver_asks_for() {
    let observer = Observer::new();
    let kernel = Kernel::new(REQUESTS, RESPONSES, Receives::ALL_AT_ONCE);
    let echo = thread::spawn(move || {
        kernel.reads().unwrap();
        kernel.writes(&message(100)).unwrap();
    });
    let (told, answer) = Ours::new(SLOW).ask(&[0x22]);
    assert!(answer == message(100), "{told:?}");
    echo.join().unwrap();
    observer.judge(RESPONSES, REQUESTS);
}

/// A third socket that writes down what passes, with the kernel's times.
struct Observer(CanFdSocket);

impl Observer {
    fn new() -> Self {
        let socket = CanFdSocket::open(BUS).unwrap();
        socket.set_recv_timestamp(true).unwrap();
        socket.set_read_timeout(Duration::from_millis(100)).unwrap();
        Self(socket)
    }

    /// Of 100 bytes 6 are in the first frame, 94 in 14 consecutive ones: after each four of them flow control.
    fn judge(self, sender: u16, receiver: u16) {
        let mut separated = Vec::new();
        let mut kinds = String::new();
        let mut last = None;
        while let Ok((frame, time)) = self.0.read_frame_with_timestamp() {
            let (id, pci) = (frame.id_word(), frame.data().first().map(|byte| byte >> 4));
            match (pci, id == u32::from(sender), id == u32::from(receiver)) {
                (Some(1), true, _) => kinds.push('F'),
                (Some(2), true, _) => {
                    kinds.push('c');
                    separated.extend(last.and_then(|last| time.duration_since(last).ok()));
                    last = Some(time);
                }
                (Some(3), _, true) => {
                    assert_eq!(frame.data()[..3], [0x30, 4, 10]);
                    kinds.push('^');
                    last = None;
                }
                _ => {}
            }
        }
        assert_eq!(kinds, "F^cccc^cccc^cccc^cc");
        assert_eq!(separated.len(), 3 + 3 + 3 + 1);
        let least = separated.iter().min().unwrap();
        assert!(*least >= Duration::from_millis(10), "{separated:?}");
    }
}

/// Linux errno 84: an illegal sequence.
#[test]
fn a_wrong_sequence_number_of_ours_is_seen_by_the_kernel() {
    let kernel = Kernel::new(REQUESTS, RESPONSES, Receives::ALL_AT_ONCE);
    let mut port = port();
    send(&mut port, 1, standard(REQUESTS, &[0x10, 0x14, 1, 2, 3, 4, 5, 6]));
    assert_eq!(next_frame(&mut port).1.data.as_slice()[..3], [0x30, 0, 0]);
    send(&mut port, 2, standard(REQUESTS, &[0x22, 7, 8, 9, 10, 11, 12, 13]));
    let error = kernel.reads().unwrap_err();
    assert_eq!(Errno::from_io_error(&error), Some(Errno::ILSEQ), "{error}");
}

/// Linux errno 70: an error in communication, after its second of waiting (N_Bs).
#[test]
fn a_flow_control_that_we_withhold_is_missed_by_the_kernel() {
    let kernel = Kernel::new(REQUESTS, RESPONSES, Receives::ALL_AT_ONCE);
    let mut port = port();
    let writes = thread::spawn(move || kernel.writes(&message(62)));
    assert_eq!(next_frame(&mut port).1.data.as_slice()[..2], [0x10, 62]);
    let error = writes.join().unwrap().unwrap_err();
    assert_eq!(Errno::from_io_error(&error), Some(Errno::COMM), "{error}");
}

#[test]
fn a_flow_control_that_nobody_sends_is_missed_by_our_sender() {
    let (told, _) = Ours::new(Receives::ALL_AT_ONCE).ask(&message(62));
    assert!(told.iter().any(|heard| matches!(heard, Heard::Noise { what: Noise::NoFlowControl, .. })), "{told:?}");
    assert!(matches!(told.last(), Some(Heard::Silence { .. })), "{told:?}");
}
