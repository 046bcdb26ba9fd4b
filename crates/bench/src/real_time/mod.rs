//! Lines and buses in real time: a port in process, and what other programs open: a pseudo-terminal with the line or
//! with an slcan adapter behind it, a socketcand server on loopback. [`Guests`] stand on a bus that is there already.
//!
//! All others pace one virtual [`Line`](crate::line::Line) or [`Bus`](crate::bus::Bus) by the clock of the link
//! crate: every character and frame is due at an absolute instant, so nothing drifts; a late wake-up catches up at
//! once.

#[cfg(unix)]
mod adapter;
#[cfg(unix)]
mod bench;
#[cfg(unix)]
mod built;
#[cfg(unix)]
mod guest;
mod live;
mod medium;
#[cfg(unix)]
mod port;
#[cfg(unix)]
mod pty;
#[cfg(unix)]
mod slcan;
#[cfg(unix)]
mod socketcand;
#[cfg(unix)]
mod terminal;
#[cfg(all(test, unix))]
mod tests;

#[cfg(unix)]
pub use bench::{Bench, BenchError, BenchNote, BenchUnit, Door, TruthSink};
#[cfg(unix)]
pub use guest::Guests;
pub use live::{LIVE_REACH, Live, LiveBus, LiveLine};
pub use medium::Medium;
#[cfg(unix)]
pub use port::{BenchPort, Ledger};
#[cfg(unix)]
pub use pty::PtyLine;
#[cfg(unix)]
pub use slcan::SlcanBus;
#[cfg(unix)]
pub use socketcand::{ClientNote, SocketcandBus};
#[cfg(unix)]
pub use terminal::{PtyNote, Stopper};
