//! What a program takes from a connection.

use tickover_framing::contract::Lost;
use tickover_session::{Note, RequestError, Row};

/// One thing that the line brought, in the order of time.
#[derive(Clone, PartialEq, Debug)]
pub enum Item {
    /// A response, decoded.
    Row(Row),
    /// Something to know: noise, a refusal, reconnected, rows dropped.
    Note(Note),
}

/// Nothing more will come from this connection.
#[derive(Clone, PartialEq, Eq, Debug, thiserror::Error)]
#[non_exhaustive]
pub enum Down {
    /// The port is gone, and is not to be opened again.
    #[error("port {port} is gone (unplugged or hung up); plug the adapter in again and open a new connection")]
    Gone {
        /// Its name.
        port: String,
    },
    /// The port refused a speed, a level or bytes.
    #[error("port {port} refused what it was asked to do; use an adapter that can do what the definition's line needs")]
    Refused {
        /// Its name.
        port: String,
    },
    /// The session gave up: another attempt on the same port would end the same way.
    #[error(
        "the session on port {port} cannot go on, for the reason in its last note; mend that and open a new connection"
    )]
    GaveUp {
        /// Its name.
        port: String,
    },
    /// The thread has ended: the connection was closed, or the program's port ended it.
    #[error("port {port} is no longer driven: its thread has ended; open a new connection")]
    Ended {
        /// Its name.
        port: String,
    },
}

/// Why a request has no answer.
#[derive(Clone, PartialEq, Eq, Debug, thiserror::Error)]
pub enum Unanswered {
    /// It was not sent: the caller's mistake.
    #[error(transparent)]
    NotSent(#[from] RequestError),
    /// It was sent, or was about to be; the unit refused it, was silent, or the line was lost.
    #[error("{0}")]
    NoAnswer(Note),
    /// The connection has ended.
    #[error(transparent)]
    Down(#[from] Down),
}

impl Down {
    pub(crate) fn lost(port: String, cause: Lost) -> Self {
        match cause {
            Lost::Gone => Self::Gone { port },
            Lost::Refused => Self::Refused { port },
            Lost::Stopped => Self::Ended { port },
        }
    }
}
