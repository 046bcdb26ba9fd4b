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

/// The line is gone for good: nothing more will come from this connection.
#[derive(Clone, PartialEq, Eq, Debug, thiserror::Error)]
#[error("port {port} {}; {advice}", Self::happened(*.cause))]
pub struct Down {
    /// Which port.
    pub port: String,
    /// Why.
    pub cause: Lost,
    /// What to try.
    pub advice: &'static str,
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
    pub(crate) fn new(port: String, cause: Lost) -> Self {
        let advice = match cause {
            Lost::Gone => "plug the adapter in again and open a new connection",
            Lost::Refused => "use an adapter that can do what the definition's line needs",
            Lost::Stopped => "open a new connection",
        };
        Self { port, cause, advice }
    }

    fn happened(cause: Lost) -> &'static str {
        match cause {
            Lost::Gone => "is gone (unplugged or hung up)",
            Lost::Refused => "refused a speed, a level or bytes that it was asked for",
            Lost::Stopped => "is no longer driven: its thread has ended",
        }
    }
}
