//! The open port where there is no `ppoll`: waits of at most 10 ms, a flag looked at in between.

use std::io::{self, Read, Write};
use std::sync::Arc;
use std::sync::atomic::{AtomicBool, Ordering};
use std::task::{Wake, Waker};
use std::time::Duration;

use serialport::{COMPort, SerialPort};
use tickover_framing::Instant;
use tickover_framing::contract::Lost;

use super::Ready;
use crate::Clock;

pub(super) type Native = COMPort;

/// The longest that a command waits to be noticed.
const SLICE: Duration = Duration::from_millis(10);

/// Wakes a wait: a flag that stays set until the wait has seen it.
#[derive(Debug)]
pub(super) struct Bell(Arc<Flag>);

#[derive(Debug)]
struct Flag(AtomicBool);

impl Wake for Flag {
    fn wake(self: Arc<Self>) {
        self.0.store(true, Ordering::Release);
    }
}

impl Bell {
    pub(super) fn new() -> io::Result<Self> {
        Ok(Self(Arc::new(Flag(AtomicBool::new(false)))))
    }

    pub(super) fn waker(&self) -> Waker {
        Waker::from(Arc::clone(&self.0))
    }
}

pub(super) fn open(builder: &serialport::SerialPortBuilder) -> serialport::Result<Native> {
    COMPort::open(builder)
}

/// Waits until bytes lie in the port's buffer, the bell is rung, or `until` has passed, in this order.
pub(super) fn ready(port: &Native, bell: &Bell, clock: &Clock, until: Option<Instant>) -> io::Result<Ready> {
    let asked = clock.now();
    loop {
        let now = clock.now();
        if port.bytes_to_read()? > 0 {
            return Ok(Ready::Port);
        }
        if bell.0.0.swap(false, Ordering::Acquire) {
            return Ok(Ready::Command);
        }
        let left = until.map_or(SLICE, |until| until.since(now));
        if left.is_zero() {
            return Ok(Ready::Deadline);
        }
        // Fine steps while an answer may be on its way, slices when the line is quiet for long.
        let step = left.min(SLICE).min(Duration::from_millis(1).max(now.since(asked) / 10));
        if step == left { clock.sleep_until(now.after(step)) } else { std::thread::sleep(step) }
    }
}

/// Reads what is there. `Ok(0)` is a hang-up.
pub(super) fn read(port: &mut Native, buffer: &mut [u8]) -> io::Result<usize> {
    let there = port.bytes_to_read()? as usize;
    let len = there.max(1).min(buffer.len());
    port.read(buffer.get_mut(..len).unwrap_or_default())
}

/// Hands all of `bytes` to the system, or fails when it takes none for `patience`.
pub(super) fn write_all(port: &mut Native, bytes: &[u8], patience: Duration) -> io::Result<()> {
    port.set_timeout(patience)?;
    port.write_all(bytes)
}

/// Whether the device behind the port is gone.
pub(super) fn hung_up(port: &Native) -> bool {
    port.bytes_to_read().is_err()
}

/// There are no pseudo-terminals here.
pub(super) fn is_pseudo_terminal(_port: &mut Native) -> bool {
    false
}

/// What an error of reading or writing means for the line; `None` if it means nothing.
pub(super) fn cause(error: &io::Error) -> Option<Lost> {
    super::cause_by_kind(error)
}
