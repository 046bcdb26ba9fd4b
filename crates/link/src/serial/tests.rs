//! The port on a pseudo-terminal whose other end the test holds.

use std::fs;
use std::os::fd::OwnedFd;
use std::path::PathBuf;
use std::process;
use std::sync::atomic::{AtomicU32, Ordering};

use rustix::io::Errno;
use rustix::pty::{OpenptFlags, grantpt, openpt, ptsname, unlockpt};
use tickover_framing::contract::Chunk;

use super::*;

const LONG: Duration = Duration::from_secs(20);

fn pseudo_terminal() -> (OwnedFd, String) {
    let ours = openpt(OpenptFlags::RDWR | OpenptFlags::NOCTTY | OpenptFlags::CLOEXEC).unwrap();
    grantpt(&ours).unwrap();
    unlockpt(&ours).unwrap();
    let path = ptsname(&ours, Vec::new()).unwrap().into_string().unwrap();
    (ours, path)
}

fn serial(baud: u32, parity: Parity) -> Act {
    Act::Speed(Speed::Serial { baud, parity, stop_bits: 1 })
}

fn transmit(bytes: &[u8]) -> Act {
    Act::Transmit { tag: Tag(7), wire: Wire::Bytes(Chunk::new(bytes).unwrap()) }
}

fn soon(port: &Serial) -> Option<Instant> {
    Some(port.now().after(LONG))
}

/// Takes whole deliveries until `count` bytes have come.
fn receive(port: &mut Serial, count: usize) -> Vec<u8> {
    let mut all = Vec::new();
    while all.len() < count {
        let mut buffer = [0; 16];
        match port.wait(soon(port), &mut buffer) {
            Woke::Bytes { len, .. } => all.extend_from_slice(&buffer[..len]),
            other => panic!("{other:?} after {all:02X?}"),
        }
    }
    all
}

/// A path of our own that can point to one pseudo-terminal after another, as an adapter's name does.
struct Name(PathBuf);

impl Name {
    fn to(target: &str) -> Self {
        static COUNT: AtomicU32 = AtomicU32::new(0);
        let count = COUNT.fetch_add(1, Ordering::Relaxed);
        let name = Self(std::env::temp_dir().join(format!("tickover-port-{}-{count}", process::id())));
        name.point_to(target);
        name
    }

    fn point_to(&self, target: &str) {
        let _ = fs::remove_file(&self.0);
        std::os::unix::fs::symlink(target, &self.0).unwrap();
    }

    fn path(&self) -> &str {
        self.0.to_str().unwrap()
    }
}

impl Drop for Name {
    fn drop(&mut self) {
        let _ = fs::remove_file(&self.0);
    }
}

#[test]
fn a_second_open_is_refused_with_a_clear_sentence() {
    let (_ours, path) = pseudo_terminal();
    let _first = Serial::open(&path).unwrap();
    let error = Serial::open(&path).unwrap_err();
    assert!(matches!(error, OpenError::InUse { .. }), "{error:?}");
    assert_eq!(
        error.to_string(),
        format!("port {path} is in use by another connection; close that one, or choose another port")
    );
}

#[test]
fn what_is_no_serial_port_is_named() {
    let directory = Serial::open("/").unwrap_err().to_string();
    assert_eq!(directory, "/ is not a serial port (a directory); give the path of a serial port");
    let null = Serial::open("/dev/null").unwrap_err().to_string();
    assert_eq!(null, "/dev/null is not a serial port (a device, but no terminal); give the path of a serial port");
    let missing = Serial::open("/dev/no-such-port").unwrap_err();
    assert!(matches!(missing, OpenError::NoSuchPort { .. }));
    assert!(missing.to_string().starts_with("there is no port /dev/no-such-port; "), "{missing}");
}

#[test]
fn a_pseudo_terminal_is_recognised_through_a_link_too() {
    let (_ours, path) = pseudo_terminal();
    let name = Name::to(&path);
    let port = Serial::open(name.path()).unwrap();
    assert_eq!(port.description().kind, Kind::PseudoTerminal);
    assert_eq!((port.reach().pulse, port.reach().parity), (false, false));
    assert_eq!(port.reach().echo, Echo::FindOut);
}

#[test]
fn the_speed_is_what_the_port_reads_back() {
    let (_ours, path) = pseudo_terminal();
    let mut port = Serial::open(&path).unwrap();
    for baud in [10_400, 9_600, 62_500] {
        let Some(Input::SpeedIs { got: Some(got), .. }) = port.act(&serial(baud, Parity::None)) else { panic!() };
        assert_eq!(got, Speed::Serial { baud, parity: Parity::None, stop_bits: 1 });
    }
    // A pseudo-terminal keeps parity off, and says so.
    let Some(Input::SpeedIs { got: Some(got), .. }) = port.act(&serial(9_600, Parity::Even)) else { panic!() };
    assert_eq!(got, Speed::Serial { baud: 9_600, parity: Parity::None, stop_bits: 1 });
}

#[test]
fn a_can_speed_cannot_be_set() {
    let (_ours, path) = pseudo_terminal();
    let mut port = Serial::open(&path).unwrap();
    let can = Act::Speed(Speed::Can { bit_rate: 500_000, data_rate: None, listen_only: false });
    assert!(matches!(port.act(&can), Some(Input::SpeedIs { got: None, .. })));
}

#[test]
fn bytes_handed_over_together_are_sent_one_after_the_other() {
    let (ours, path) = pseudo_terminal();
    let mut port = Serial::open(&path).unwrap();
    port.act(&serial(10_400, Parity::None));
    let asked = port.now();
    let Some(Input::Sent { start, end, known, tag }) = port.act(&transmit(&[0x81, 0x1C, 0xF1])) else { panic!() };
    assert!(start >= asked);
    assert_eq!((tag, known), (Tag(7), Known::Computed));
    // ISO 14230-2: 10 bits at 10 400 Bd are 0.9615 ms; computed by hand.
    assert_eq!(end.since(start), Duration::from_nanos(2_884_615));
    let long = [0x55; 64];
    let Some(Input::Sent { start: next, .. }) = port.act(&transmit(&long)) else { panic!() };
    assert!(next >= end, "{next:?} starts before {end:?}");
    let Some(Input::Sent { start: third, .. }) = port.act(&transmit(&[0x0F])) else { panic!() };
    assert!(
        third >= next.after(Duration::from_nanos(61_538_462)),
        "{third:?} starts inside the 64 bytes from {next:?}"
    );

    let mut got = [0; 68];
    let mut have = 0;
    while have < got.len() {
        have += rustix::io::read(&ours, &mut got[have..]).unwrap();
    }
    assert_eq!((&got[..3], &got[3..67], got[67]), (&[0x81, 0x1C, 0xF1][..], &long[..], 0x0F));
}

#[test]
fn what_is_readable_comes_before_a_deadline_that_has_passed() {
    let (ours, path) = pseudo_terminal();
    let mut port = Serial::open(&path).unwrap();
    rustix::io::write(&ours, &[0xC1, 0x8F]).unwrap();
    let mut buffer = [0; 16];
    // The bytes are carried over by a kernel thread: wait for them once, with nothing read.
    loop {
        let past = port.now();
        match port.wait(Some(past), &mut buffer) {
            Woke::Bytes { end, len } => {
                assert!(end >= past);
                assert_eq!(buffer[0], 0xC1);
                assert!(len <= 2);
                break;
            }
            Woke::Deadline { now } => assert!(now >= past),
            other => panic!("{other:?}"),
        }
    }
}

#[test]
fn a_deadline_is_never_early() {
    let (_ours, path) = pseudo_terminal();
    let mut port = Serial::open(&path).unwrap();
    for micros in [0, 100, 500, 3_000] {
        let until = port.now().after(Duration::from_micros(micros));
        let Woke::Deadline { now } = port.wait(Some(until), &mut [0; 16]) else { panic!() };
        assert!(now >= until);
    }
}

#[test]
fn a_command_wakes_a_wait_before_and_after_it_began() {
    let (_ours, path) = pseudo_terminal();
    let mut port = Serial::open(&path).unwrap();
    let waker = port.waker();
    waker.wake_by_ref();
    waker.wake_by_ref();
    assert_eq!(port.wait(None, &mut [0; 16]), Woke::Command);
    let past = Some(port.now());
    assert!(matches!(port.wait(past, &mut [0; 16]), Woke::Deadline { .. }), "two rings before a wait are one command");

    let ringer = std::thread::spawn(move || waker.wake());
    assert_eq!(port.wait(None, &mut [0; 16]), Woke::Command);
    ringer.join().unwrap();
}

#[test]
fn a_line_that_hangs_up_is_lost_until_it_is_opened_again() {
    let (ours, path) = pseudo_terminal();
    let name = Name::to(&path);
    let mut port = Serial::open(name.path()).unwrap();
    let waker = port.waker();
    drop(ours);
    let until = soon(&port);
    assert!(matches!(port.wait(until, &mut [0; 16]), Woke::Lost { cause: Lost::Gone, .. }));
    assert!(matches!(port.wait(until, &mut [0; 16]), Woke::Lost { cause: Lost::Gone, .. }));
    assert!(matches!(port.act(&transmit(&[0x3E])), Some(Input::Lost { cause: Lost::Gone, .. })));

    let error = port.reopen().unwrap_err();
    assert!(matches!(error, OpenError::NoSuchPort { .. } | OpenError::System { .. }), "{error:?}");

    let (ours, path) = pseudo_terminal();
    name.point_to(&path);
    port.reopen().unwrap();
    waker.wake();
    assert_eq!(port.wait(soon(&port), &mut [0; 16]), Woke::Command, "the waker still wakes");
    rustix::io::write(&ours, &[0x7E]).unwrap();
    assert_eq!(receive(&mut port, 1), [0x7E]);
}

#[test]
fn an_act_on_a_line_that_hung_up_is_a_loss() {
    let hung_up = || {
        let (ours, path) = pseudo_terminal();
        let port = Serial::open(&path).unwrap();
        drop(ours);
        port
    };
    let acts = [
        transmit(&[0x3E]),
        serial(10_400, Parity::None),
        Act::Line { level: Level::Low, hold: Duration::from_millis(25) },
    ];
    for act in acts {
        let report = hung_up().act(&act);
        assert!(matches!(report, Some(Input::Lost { cause: Lost::Gone, .. })), "{act:?}: {report:?}");
    }
}

#[test]
fn a_port_that_takes_no_more_bytes_is_lost_and_not_waited_for_for_ever() {
    let (_nobody_reads, path) = pseudo_terminal();
    let mut port = Serial::open(&path).unwrap();
    let more_than_any_buffer = 1 << 20;
    let stuck = (0..more_than_any_buffer / 64).find_map(|_| match port.act(&transmit(&[0x55; 64])) {
        Some(Input::Lost { cause, .. }) => Some(cause),
        _ => None,
    });
    assert_eq!(stuck, Some(Lost::Gone));
}

#[test]
fn what_was_sent_to_an_earlier_opener_is_not_handed_in() {
    let (ours, path) = pseudo_terminal();
    let mut port = Serial::open(&path).unwrap();
    rustix::io::write(&ours, &[0x11, 0x22]).unwrap();
    assert_eq!(receive(&mut port, 1)[0], 0x11);
    // The second byte came with the first or lies in the buffer; either way it is of the old connection.
    port.reopen().unwrap();
    rustix::io::write(&ours, &[0x33]).unwrap();
    assert_eq!(receive(&mut port, 1), [0x33]);
}

/// Linux: a hung-up terminal reads as end of file or EIO; ENODEV and ENXIO are a driver's words for "unplugged".
#[test]
fn end_of_file_and_the_errors_of_an_unplugged_adapter_are_a_loss() {
    let at = Instant::ORIGIN;
    assert_eq!(outcome(Ok((at, 0))), Read::Lost(Lost::Gone));
    assert_eq!(outcome(Ok((at, 3))), Read::Bytes { end: at, len: 3 });
    for errno in [Errno::IO, Errno::NODEV, Errno::NXIO, Errno::PIPE] {
        assert_eq!(outcome(Err(errno.into())), Read::Lost(Lost::Gone), "{errno}");
    }
    assert_eq!(outcome(Err(io::ErrorKind::BrokenPipe.into())), Read::Lost(Lost::Gone));
    for errno in [Errno::INTR, Errno::AGAIN] {
        assert_eq!(outcome(Err(errno.into())), Read::Nothing, "{errno}");
    }
    assert_eq!(outcome(Err(Errno::INVAL.into())), Read::Lost(Lost::Refused));
}
