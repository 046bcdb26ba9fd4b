//! A diagnostic session as a state machine: connect, identify, poll, decode, measure, recover.
//!
//! The crate needs an allocator but not `std`, and touches neither a port nor a clock.
#![no_std]

extern crate alloc;
#[cfg(test)]
extern crate std;

mod bus;
mod bystander;
mod carrier;
mod connect;
mod contention;
mod conversation;
mod derive;
mod discover;
pub mod event;
mod exchange;
mod frames;
#[cfg(any(test, feature = "fuzzing"))]
#[allow(clippy::unwrap_used, clippy::panic, clippy::indexing_slicing, reason = "an oracle fails by panicking")]
pub mod fuzzing;
mod identify;
pub mod judge;
pub mod key;
mod lane;
mod leave;
mod listen;
mod machine;
mod meter;
mod notes;
mod one_shot;
mod pack;
pub mod permit;
mod plan;
mod poll;
pub mod rate;
pub mod report;
mod right_of_way;
pub mod row;
mod schedule;
mod send;
pub mod sender;
pub mod start;
pub mod survey;
mod unit;
pub mod units;
pub mod wish;

pub use event::{Event, Fault, Note, NoteKind};
pub use judge::RequestError;
pub use key::{ChannelKey, UnitId};
pub use machine::Session;
pub use permit::Permit;
pub use rate::{Prediction, RecordForecast, Terms};
pub use report::{BusCounts, ChannelReport, FrameReport, Report};
pub use row::Row;
pub use schedule::Admission;
pub use sender::SendError;
pub use survey::Survey;
pub use units::UnitError;
pub use wish::Rate;
