//! Messages on CAN: segmentation and flow control of ISO 15765-2, for both sides.

pub mod address;
pub mod line;

pub use address::{Address, Path};
pub use line::{Fd, Flow, Frames, Line, Timing};
