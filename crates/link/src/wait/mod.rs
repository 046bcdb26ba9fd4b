//! Waiting for a port, a command or a deadline, whichever comes first.

#[cfg(not(unix))]
mod elsewhere;
#[cfg(unix)]
mod unix;

#[cfg(not(unix))]
pub(crate) use elsewhere::{Bell, ready};
#[cfg(unix)]
pub(crate) use unix::{Bell, ready, timespec};

/// Why a wait on an open port came back.
#[derive(Clone, Copy, PartialEq, Eq, Debug)]
pub(crate) enum Ready {
    Port,
    Command,
    Deadline,
}
