//! The line in real time: a port in process, and a pseudo-terminal that other programs open.
//!
//! Both pace one virtual [`Line`](crate::line::Line) by the clock of the link crate: every character is due at an
//! absolute instant, so nothing drifts; a late wake-up catches up at once.

#[cfg(unix)]
mod bench;
mod live;
mod medium;
#[cfg(unix)]
mod pty;
#[cfg(unix)]
mod terminal;
#[cfg(all(test, unix))]
mod tests;

#[cfg(unix)]
pub use bench::{Bench, BenchError, TruthSink};
pub use live::{LIVE_REACH, Live, LiveBus, LiveLine};
pub use medium::Medium;
#[cfg(unix)]
pub use pty::PtyLine;
#[cfg(unix)]
pub use terminal::{PtyNote, Stopper};
