//! What a session tells its owner.

use alloc::string::String;
use alloc::vec::Vec;
use core::fmt;

use tickover_framing::Instant;

use crate::{Row, UnitId};

/// What a session tells its owner.
#[derive(Clone, PartialEq, Debug)]
#[non_exhaustive]
pub enum Event {
    /// A response, decoded.
    Row(Row),
    /// Something to know: connected, noise, a refusal, a reconnection.
    Note(Note),
    /// The answer to a one-shot request.
    Answer {
        /// Which request (as `request` returned it).
        ticket: u32,
        /// The answer's data, or why there is none.
        answer: Result<Vec<u8>, Note>,
    },
    /// The session was closed and the line is free.
    Closed,
}

/// A sentence in parts: who is at fault, what was expected, what came, what to try.
#[derive(Clone, PartialEq, Eq, Debug)]
pub struct Note {
    /// When.
    pub at: Instant,
    /// Of which unit; `None`: of the line or of the session.
    pub unit: Option<UnitId>,
    /// For programs.
    pub kind: NoteKind,
    /// Who is at fault.
    pub fault: Fault,
    /// What happened, with what was expected and what came (bytes in hex).
    pub text: String,
    /// What to try; empty if nothing needs doing.
    pub advice: &'static str,
}

impl fmt::Display for Note {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        match self.fault {
            Fault::Nobody => f.write_str(&self.text)?,
            fault => write!(f, "{fault}: {}", self.text)?,
        }
        if self.advice.is_empty() { Ok(()) } else { write!(f, "; {}", self.advice) }
    }
}

/// Who is at fault.
#[derive(Clone, Copy, PartialEq, Eq, Hash, Debug)]
pub enum Fault {
    /// Nobody: good news.
    Nobody,
    /// The program that calls.
    Caller,
    /// The definition file.
    Definition,
    /// The control unit.
    Unit,
    /// The line or the adapter.
    Line,
}

impl fmt::Display for Fault {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str(match self {
            Self::Nobody => "nobody",
            Self::Caller => "caller",
            Self::Definition => "definition",
            Self::Unit => "control unit",
            Self::Line => "line",
        })
    }
}

/// What a note is about, for programs.
#[derive(Clone, Copy, PartialEq, Eq, Hash, Debug)]
#[non_exhaustive]
pub enum NoteKind {
    /// The unit answered an initialisation.
    Connected,
    /// The variant is known.
    Identified,
    /// No variant fits, or two do: nothing is read.
    NotIdentified,
    /// A session of the definition was entered.
    Entered,
    /// Initialisation did not succeed; it is tried again.
    NotReady,
    /// A message was garbled; the request is repeated.
    Noise,
    /// No answer in time; the request is repeated.
    Silence,
    /// Communication is given up and started again.
    Reconnecting,
    /// The unit refused a request.
    Refused,
    /// A response of another length or content than the definition says: not decoded.
    Misfit,
    /// The port does not run at the speed asked for.
    Speed,
    /// A CAN controller says something about its bus.
    Bus,
    /// The port is gone.
    Lost,
    /// A frame that is listened to does not come any more, or comes again.
    FrameMissed,
    /// A frame of ours is sent from now on, or no more, or left out.
    Sending,
    /// A record is no longer asked for: the unit does not have it.
    NotSupported,
    /// The program took rows too slowly; the oldest were dropped.
    RowsDropped,
}
