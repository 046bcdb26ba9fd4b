//! A diagnostic session as a state machine: connect, identify, poll, decode, measure, recover.
//!
//! The crate needs an allocator but not `std`, and touches neither a port nor a clock.
#![no_std]

extern crate alloc;
#[cfg(test)]
extern crate std;

pub mod event;
pub mod permit;
pub mod report;
pub mod row;
pub mod wish;

pub use event::{Event, Fault, Note, NoteKind};
pub use permit::Permit;
pub use report::{ChannelReport, Report};
pub use row::Row;
pub use wish::Rate;
