//! The one unsafe line of the workspace.
//!
//! `serialport` lends its descriptor only as a number; waiting on the port and on our wake-up pipe in one
//! `ppoll` needs it as a borrow. Nothing else belongs here.
#![allow(unsafe_code)]

use std::os::fd::{AsRawFd, BorrowedFd};

use serialport::TTYPort;

/// The open descriptor of `port`.
pub(super) fn of(port: &TTYPort) -> BorrowedFd<'_> {
    // SAFETY: a `TTYPort` owns its descriptor from open until it is dropped and never swaps it; the result
    // borrows the port, so the descriptor outlives it. It is never -1: a port that did not open is no port.
    unsafe { BorrowedFd::borrow_raw(port.as_raw_fd()) }
}
