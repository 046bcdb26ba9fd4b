//! The K-line: ISO 14230-2 and ISO 9141-2 messages, declared block framing, initialisation, timing.
//!
//! [`Tester`] and [`Unit`] are the two ends of a line as machines; what they know beforehand is a [`Line`].

pub mod access_timing;
pub mod block;
mod echo;
mod frame;
pub mod init;
pub mod iso9141;
pub mod key_bytes;
pub mod line;
pub mod message;
mod outgoing;
mod receiver;
pub mod tester;
pub mod timing;
pub mod unit;

pub use access_timing::AccessTiming;
pub use block::{BlockError, BlockField, BlockFraming, BlockMistake, BlockView, Checksum, LengthCounts};
pub use key_bytes::{HeaderForms, KeyBytes, TimingSet};
pub use line::{FiveBaud, Framing, Init, Line};
pub use message::{Addressing, DataLength, LengthForm, Message, MessageError, MessageView};
pub use tester::{Stopping, Tester};
pub use timing::{Timing, TimingConflict};
pub use unit::{Ignored, Unit, UnitEvent};

#[cfg(test)]
mod tests;
