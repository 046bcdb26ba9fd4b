//! The open port on unix.

use std::io;
use std::os::fd::AsFd;
use std::time::Duration;

use rustix::event::{PollFd, PollFlags, poll};
use rustix::io::Errno;
use serialport::TTYPort;
use tickover_framing::Instant;
use tickover_framing::contract::Lost;

use super::descriptor;
use crate::Clock;
use crate::wait::{self, Bell, Ready, timespec};

pub(super) type Native = TTYPort;

pub(super) fn open(builder: &serialport::SerialPortBuilder) -> serialport::Result<Native> {
    TTYPort::open(builder)
}

/// Waits until the port is readable or hung up, the bell is rung, or `until` has passed, in this order.
pub(super) fn ready(port: &Native, bell: &Bell, clock: &Clock, until: Option<Instant>) -> io::Result<Ready> {
    wait::ready(descriptor::of(port), bell, clock, until)
}

/// Reads what is there. `Ok(0)` is a hang-up.
pub(super) fn read(port: &mut Native, buffer: &mut [u8]) -> io::Result<usize> {
    Ok(rustix::io::retry_on_intr(|| rustix::io::read(descriptor::of(port), &mut *buffer))?)
}

/// Hands all of `bytes` to the system, or fails when it takes none for `patience`.
pub(super) fn write_all(port: &mut Native, bytes: &[u8], patience: Duration) -> io::Result<()> {
    let port = descriptor::of(port);
    let patience = timespec(patience);
    let mut rest = bytes;
    while !rest.is_empty() {
        let mut fds = [PollFd::new(&port, PollFlags::OUT)];
        match poll(&mut fds, Some(&patience)) {
            Ok(0) => return Err(io::ErrorKind::TimedOut.into()),
            Ok(_) => {}
            Err(Errno::INTR) => continue,
            Err(error) => return Err(error.into()),
        }
        match rustix::io::write(port.as_fd(), rest) {
            Ok(written) => rest = rest.get(written..).unwrap_or_default(),
            Err(Errno::INTR | Errno::AGAIN) => {}
            Err(error) => return Err(error.into()),
        }
    }
    Ok(())
}

/// Whether the device behind the port is gone. Errors of `serialport`'s own calls do not say so reliably.
pub(super) fn hung_up(port: &Native) -> bool {
    let port = descriptor::of(port);
    let mut fds = [PollFd::new(&port, PollFlags::empty())];
    match poll(&mut fds, Some(&timespec(Duration::ZERO))) {
        Ok(_) => fds[0].revents().intersects(PollFlags::HUP | PollFlags::ERR | PollFlags::NVAL),
        Err(_) => false,
    }
}

/// Whether the port is the slave of a pseudo-terminal.
#[cfg(any(target_os = "linux", target_os = "android"))]
pub(super) fn is_pseudo_terminal(port: &mut Native) -> bool {
    // Linux device list (admin-guide/devices.txt): majors 136 to 143 are Unix98 slaves, 3 the old ones.
    rustix::fs::fstat(descriptor::of(port)).is_ok_and(|stat| matches!(rustix::fs::major(stat.st_rdev), 3 | 136..=143))
}

/// Whether the port is the slave of a pseudo-terminal: those have no modem lines.
#[cfg(not(any(target_os = "linux", target_os = "android")))]
pub(super) fn is_pseudo_terminal(port: &mut Native) -> bool {
    serialport::SerialPort::read_clear_to_send(port).is_err()
}

/// What an error of reading or writing means for the line; `None` if it means nothing.
pub(super) fn cause(error: &io::Error) -> Option<Lost> {
    match Errno::from_io_error(error) {
        Some(Errno::INTR | Errno::AGAIN) => None,
        Some(Errno::IO | Errno::NODEV | Errno::NXIO | Errno::PIPE | Errno::BADF) => Some(Lost::Gone),
        _ => super::cause_by_kind(error),
    }
}
