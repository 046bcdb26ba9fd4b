//! What a request does to the control unit.
//!
//! Every standard judges the whole request; a request that it does not define has no effect that anybody knows, and
//! polling never sends it.

mod iso14229;
mod iso14230;
mod j1979;

use core::fmt;

pub use iso14229::{is_of_iso14229, of_iso14229};
pub use iso14230::{is_of_iso14230, of_iso14230};
pub use j1979::{is_of_j1979, of_j1979};

/// What a request does to the control unit. Polling takes `Reads` only; the rest needs a permit.
#[derive(Clone, Copy, PartialEq, Eq, Hash, Debug)]
#[non_exhaustive]
pub enum Effect {
    /// Asks for data and changes nothing.
    Reads,
    /// Changes the state of the conversation: sessions, timing, security, keep-alive.
    Session,
    /// Stores something in the unit.
    Writes,
    /// Erases fault codes or learned values.
    Clears,
    /// Moves something, starts a routine, resets.
    Actuates,
}

/// The word used in definitions: `reads`.
impl fmt::Display for Effect {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str(match self {
            Self::Reads => "reads",
            Self::Session => "session",
            Self::Writes => "writes",
            Self::Clears => "clears",
            Self::Actuates => "actuates",
        })
    }
}
