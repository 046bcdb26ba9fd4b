//! A bench without hardware: a control unit simulated from its definition, an engine, a line with faults.
//!
//! * [`unit`](mod@unit): the control unit, from any compiled definition;
//! * [`engine`]: the values that it answers with;
//! * [`line`](mod@line): a single-wire line in virtual time, with echo and faults; at once the port in process;
//! * [`bus`](mod@bus): a CAN bus in virtual time, with arbitration, errors and faults; at once the port in process;
//! * [`truth`]: what the unit really sent, to hold against what a tester logged;
//! * `real_time` (feature `real-time`): the same line on the clock, in process or behind a pseudo-terminal, and the
//!   built-in `Bench` for programs.

pub mod bus;
mod drive;
pub mod engine;
pub mod line;
pub mod random;
#[cfg(feature = "real-time")]
pub mod real_time;
mod station;
pub mod truth;
pub mod unit;

pub use bus::Bus;
pub use line::Line;
#[cfg(all(feature = "real-time", unix))]
pub use real_time::Bench;
pub use truth::Truth;
pub use unit::{Options, Simulated};
