//! CAN: identifiers, frames and their time, filters, and what a controller says about its bus (ISO 11898-1).
//!
//! Messages longer than a frame are the subject of [`isotp`](crate::isotp).

mod condition;
mod duration;
mod filter;
mod frame;
mod id;

pub use condition::Condition;
pub use filter::Filter;
pub use frame::{Frame, FrameKind};
pub use id::{Id, IdError};
