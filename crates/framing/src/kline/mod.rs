//! The K-line: ISO 14230-2 and ISO 9141-2 messages, declared block framing, initialisation, timing.

pub mod block;
pub mod key_bytes;
pub mod line;
pub mod timing;

pub use block::{BlockField, BlockFraming, Checksum, LengthCounts};
pub use key_bytes::KeyBytes;
pub use line::{FiveBaud, Framing, Init, Line};
pub use timing::Timing;
