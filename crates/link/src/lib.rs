//! Ports, the clock and the I/O thread: the only crate that touches any of them.
//!
//! * [`clock`]: monotonic instants with absolute deadlines, and their pair in UTC;
//! * [`port`]: what a port must do to be driven by the I/O thread, and why one does not open;
//! * [`serial`]: a serial port of the system.

pub mod clock;
mod item;
pub mod port;
mod queue;
pub mod serial;
mod tap;
mod thread;

pub use clock::Clock;
pub use item::{Down, Item};
pub use port::{Description, Kind, LivePort, OpenError};
pub use queue::Next;
pub use serial::Serial;
pub use tap::{Seen, Tap};
pub use thread::{Reopen, Scheduling};
