//! Lines and the messages on them, as state machines that never touch a port or a clock.
//!
//! The crate needs neither `std` nor an allocator. It has the tester's side and the control
//! unit's side of a K-line under one contract ([`contract`]): bytes and time go in; bytes, line
//! actions, events and the next deadline come out.
//!
//! * [`time`]: instants in nanoseconds and the time that characters take;
//! * [`contract`]: inputs, outputs and the [`Machine`](contract::Machine) that turns one into the other;
//! * [`transport`]: what a session asks of any line, K-line or CAN;
//! * [`drive`]: the loop that obeys a machine on any [`Port`](drive::Port);
//! * [`kline`]: ISO 14230-2 and ISO 9141-2 messages, initialisation and timing;
//! * [`can`]: identifiers, frames and filters;
//! * [`isotp`]: messages on CAN (ISO 15765-2).
//!
//! The feature `script` adds scripts in virtual time, for timing tests of this crate and of those that embed it.
#![no_std]

#[cfg(any(test, feature = "script"))]
extern crate std;

pub mod can;
pub mod contract;
mod deadline;
pub mod drive;
mod events;
#[cfg(any(test, feature = "fuzzing"))]
#[doc(hidden)]
pub mod fuzzing;
pub mod isotp;
pub mod kline;
#[cfg(any(test, feature = "script"))]
pub mod script;
pub mod time;
pub mod transport;

pub use time::Instant;
