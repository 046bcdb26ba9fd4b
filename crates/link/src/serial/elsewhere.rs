//! The open port where there is no `ppoll`.

use std::io::{self, Read, Write};
use std::time::Duration;

use serialport::{COMPort, SerialPort};
use tickover_framing::Instant;
use tickover_framing::contract::Lost;

use crate::Clock;
use crate::wait::{self, Bell, Ready};

pub(super) type Native = COMPort;

pub(super) fn open(builder: &serialport::SerialPortBuilder) -> serialport::Result<Native> {
    COMPort::open(builder)
}

/// Waits until bytes lie in the port's buffer, the bell is rung, or `until` has passed, in this order.
pub(super) fn ready(port: &Native, bell: &Bell, clock: &Clock, until: Option<Instant>) -> io::Result<Ready> {
    wait::ready(|| Ok(port.bytes_to_read()? > 0), bell, clock, until)
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
