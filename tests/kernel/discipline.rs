//! The kernel's slcan line discipline as the adapter that our slcan link talks to.
#![allow(unsafe_code)]

use std::fs::File;
use std::io::{self, Read, Write};
use std::os::fd::{AsFd, OwnedFd};
use std::thread;
use std::time::Duration;

use rustix::fs::{Mode, OFlags};
use rustix::ioctl::{Setter, ioctl};
use rustix::pty::{OpenptFlags, grantpt, openpt, ptsname, unlockpt};
use rustix::termios::{OptionalActions, tcgetattr, tcsetattr};
use tickover_framing::contract::{Act, Input, Speed};
use tickover_framing::drive::Port;
use tickover_link::can::{Slcan, SocketCan};
use tickover_link::{LivePort, Serial};

use crate::bus::{EXTENDED, Other, extended, ip, next_frame, report, standard, transmit};

/// Linux: the number of the discipline and the request that sets one.
const N_SLCAN: i32 = 17;
const TIOCSETD: u32 = 0x5423;

/// A pseudo-terminal: its master, and its slave's path.
fn pseudo_terminal() -> (OwnedFd, String) {
    let master = openpt(OpenptFlags::RDWR | OpenptFlags::NOCTTY | OpenptFlags::CLOEXEC).unwrap();
    grantpt(&master).unwrap();
    unlockpt(&master).unwrap();
    let path = ptsname(&master, Vec::new()).unwrap().into_string().unwrap();
    (master, path)
}

/// Makes a terminal an adapter of the kernel: what is written into it are the frames of an interface.
fn attach(terminal: &OwnedFd) {
    let mut modes = tcgetattr(terminal).unwrap();
    modes.make_raw();
    tcsetattr(terminal, OptionalActions::Now, &modes).unwrap();
    // SAFETY: TIOCSETD reads one int, which lives as long as the call; the descriptor is open.
    unsafe { ioctl(terminal, Setter::<{ TIOCSETD as _ }, i32>::new(N_SLCAN)) }.unwrap();
}

/// Carries bytes from one master to the other until one of them hangs up.
fn relay(from: &OwnedFd, to: &OwnedFd) {
    let (mut from, mut to) = (File::from(from.try_clone().unwrap()), File::from(to.try_clone().unwrap()));
    thread::spawn(move || -> io::Result<()> {
        let mut buffer = [0; 256];
        loop {
            let len = from.read(&mut buffer)?;
            to.write_all(&buffer[..len])?;
        }
    });
}

/// Two pseudo-terminals back to back: the kernel's adapter holds one slave, our link opens the other.
struct Adapter {
    terminal: OwnedFd,
    path: String,
    /// Keeps our side's slave open while the link is not.
    _open: OwnedFd,
}

impl Adapter {
    fn new() -> Self {
        let (theirs, their_path) = pseudo_terminal();
        let (ours, path) = pseudo_terminal();
        let open = |path: &str| rustix::fs::open(path, OFlags::RDWR | OFlags::NOCTTY, Mode::empty()).unwrap();
        let terminal = open(&their_path);
        attach(&terminal);
        relay(&theirs, &ours);
        relay(&ours, &theirs);
        Self { terminal, _open: open(&path), path }
    }

    /// The interface that the kernel made: the newest that is no virtual bus.
    fn interface(&self) -> String {
        assert!(rustix::termios::isatty(self.terminal.as_fd()));
        let mut names = SocketCan::interfaces();
        names.retain(|name| !name.starts_with("vcan"));
        names.pop().expect("the discipline makes an interface")
    }
}

fn speed(bit_rate: u32) -> Act {
    Act::Speed(Speed::Can { bit_rate, data_rate: None, listen_only: false })
}

#[test]
fn our_slcan_link_and_the_kernels_line_discipline_understand_each_other() {
    let adapter = Adapter::new();
    let interface = adapter.interface();
    ip(&format!("link set {interface} up"));
    let kernel = Other::on(&interface);
    let mut port = Slcan::unanswering(Serial::open(&adapter.path).unwrap()).unwrap();
    assert!(port.description().to_string().contains("slcan"), "{}", port.description());
    let Input::SpeedIs { got, .. } = report(&mut port, &speed(500_000)) else { panic!() };
    assert_eq!(got, Some(Speed::Can { bit_rate: 500_000, data_rate: None, listen_only: false }));

    kernel.sends(0x123, &[0xAA, 0xBB]);
    kernel.sends(0x18DA_F110 | EXTENDED, &[1, 2, 3, 4, 5, 6, 7, 8]);
    assert_eq!(next_frame(&mut port).1, standard(0x123, &[0xAA, 0xBB]));
    assert_eq!(next_frame(&mut port).1, extended(0x18DA_F110, &[1, 2, 3, 4, 5, 6, 7, 8]));

    let before = port.now();
    let Input::Sent { start, end, .. } = report(&mut port, &transmit(1, standard(0x7E0, &[0x02, 0x01, 0x0C]))) else {
        panic!()
    };
    assert!(before <= start && end.since(start) >= Duration::from_micros(100), "{start} {end}");
    assert_eq!(kernel.hears(), (0x7E0, vec![0x02, 0x01, 0x0C]));
    report(&mut port, &transmit(2, extended(0x18DA_10F1, &[])));
    assert_eq!(kernel.hears(), (0x18DA_10F1 | EXTENDED, vec![]));
    assert_eq!(port.count().noise, 0);
}
