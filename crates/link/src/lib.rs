//! Ports, the clock and the I/O thread: the only crate that touches any of them.
//!
//! [`Connection::open`] runs a session on a port in a thread of its own and gives a handle on it; the rows
//! come out of [`Connection::items`], or out of `tokio::Connection` (feature `tokio`) for tasks.
//!
//! * [`clock`]: monotonic instants with absolute deadlines, and their pair in UTC;
//! * [`port`]: what a port must do to be driven by the I/O thread, and why one does not open;
//! * [`serial`]: a serial port of the system; [`can`]: CAN buses; [`open`](open()): any of them by its name;
//! * [`blocking`] and `tokio`: the two faces of a connection, [`Options`] for both.
//!
//! # The thread
//! One thread runs one line. It waits for the port, the machine's next deadline or a command in a single
//! system call with an absolute deadline, spins for the last 0.2 ms, and asks for the system's real-time
//! class ([`Scheduling`] tells what came of it). It never waits for the program: the queue to it is bounded,
//! and a full queue forgets its oldest rows and says how many.
//!
//! # Errors
//! A port that does not open is an [`OpenError`]. A request that fails is [`Unanswered`]. Noise, silence and
//! refusals are notes among the items. A line that is gone for good is [`Down`], once, as the last item.

pub mod blocking;
pub mod can;
pub mod clock;
#[cfg(any(test, feature = "fuzzing"))]
#[doc(hidden)]
pub mod fuzzing;
mod item;
mod open;
mod options;
pub mod port;
mod queue;
pub mod serial;
mod tap;
mod thread;
#[cfg(feature = "tokio")]
pub mod tokio;
mod wait;

pub use blocking::{Connection, Items};
pub use clock::Clock;
pub use item::{Down, Item, Unanswered};
pub use open::{open, open_at};
pub use options::Options;
pub use port::{Description, Kind, LivePort, OpenError};
pub use queue::Next;
pub use serial::Serial;
pub use tap::{Seen, Tap};
pub use thread::{Reopen, Scheduling};
