//! What a request does to the control unit.

use core::fmt;

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
