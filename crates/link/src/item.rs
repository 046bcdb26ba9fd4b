//! What a program takes from a connection.

use tickover_framing::contract::Lost;
use tickover_session::{Note, Row};

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
            Lost::Stopped => "was stopped by the program",
        }
    }
}
