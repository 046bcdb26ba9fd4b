//! CAN identifiers and frames: the words that the contract needs. Transport comes with ISO 15765-2.

mod frame;
mod id;

pub use frame::{Frame, FrameKind};
pub use id::Id;
