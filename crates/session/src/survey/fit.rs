//! How well a definition fits what answered.

use alloc::string::String;
use alloc::vec::Vec;
use core::fmt;
use core::time::Duration;

use tickover_defs::{ChannelId, Reading, RecordId};
use tickover_framing::isotp::Path;

use crate::{Note, Prediction};

/// What became of one definition.
#[derive(Clone, PartialEq, Debug)]
pub struct Fit {
    /// Its place in the list that the survey was made with.
    pub definition: usize,
    /// Its id.
    pub id: String,
    /// The unit that it was tried with, if the start found it; else it is the one that the definition names.
    pub path: Option<Path>,
    /// What came of it.
    pub outcome: Outcome,
}

/// What came of trying a definition.
#[derive(Clone, PartialEq, Debug)]
#[non_exhaustive]
#[expect(clippy::large_enum_variant, reason = "a survey makes a handful")]
pub enum Outcome {
    /// Somebody answers as it says, more or less.
    Answers(Answers),
    /// Nobody answers as it asks; the note says how far it came.
    Silent(Option<Note>),
    /// Nobody answered the start, so there is nobody to try it with.
    NobodyAnswers,
    /// The bus runs at another bit rate.
    OtherBitRate {
        /// Of the definition, in bits per second.
        expected: u32,
        /// Of the bus.
        found: u32,
    },
    /// It is for the other kind of line.
    OtherLine,
    /// It is a base: nothing says how to reach a unit.
    NoLine,
    /// The line was lost while it was tried.
    Lost(Option<Note>),
}

/// What a unit answered to a definition's requests.
#[derive(Clone, PartialEq, Debug)]
pub struct Answers {
    /// The variant that the unit is; `None` if the definition has none.
    pub variant: Option<String>,
    /// No variant fits, or two.
    pub unidentified: Option<Note>,
    /// Records that it answered as the definition says.
    pub read: Vec<RecordId>,
    /// Records that it refused or does not support.
    pub refused: Vec<RecordId>,
    /// Records that it answered in another way than the definition says.
    pub misfits: Vec<Note>,
    /// The first reading of each channel, in the definition's order.
    pub readings: Vec<Reading>,
    /// Channels whose records it does not have.
    pub unsupported: Vec<ChannelId>,
    /// Half of the answers began after this or sooner.
    pub response_time: Duration,
    /// What reading everything that it supports, as fast as possible, will bring.
    pub prediction: Prediction,
}

impl Fit {
    /// Whether the unit is the one that the definition describes, as far as it was asked.
    pub fn fits(&self) -> bool {
        match &self.outcome {
            Outcome::Answers(answers) => {
                answers.unidentified.is_none() && answers.misfits.is_empty() && !answers.read.is_empty()
            }
            _ => false,
        }
    }

    /// How many records were answered as the definition says.
    pub fn records_read(&self) -> usize {
        match &self.outcome {
            Outcome::Answers(answers) => answers.read.len(),
            _ => 0,
        }
    }
}

/// `bramble-62 fits: 9 records read, 1 not supported, variant early`
impl fmt::Display for Fit {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str(&self.id)?;
        if let Some(path) = self.path {
            write!(f, " at {}", path.response.id())?;
        }
        match &self.outcome {
            Outcome::Answers(answers) => {
                let verdict = if self.fits() { "fits" } else { "does not fit" };
                write!(f, " {verdict}: {} records read", answers.read.len())?;
                if !answers.refused.is_empty() {
                    write!(f, ", {} not supported", answers.refused.len())?;
                }
                if !answers.misfits.is_empty() {
                    write!(f, ", {} answered otherwise than it says", answers.misfits.len())?;
                }
                answers.variant.iter().try_for_each(|variant| write!(f, ", variant {variant}"))?;
                answers.unidentified.iter().try_for_each(|note| write!(f, "; {note}"))
            }
            Outcome::Silent(note) => {
                f.write_str(": nobody answers as it asks")?;
                note.iter().try_for_each(|note| write!(f, "; {note}"))
            }
            Outcome::NobodyAnswers => f.write_str(": nobody answered 01 00"),
            Outcome::OtherBitRate { expected, found } => {
                write!(f, ": it is for {expected} bit/s, the bus runs at {found} bit/s")
            }
            Outcome::OtherLine => f.write_str(": it is for another kind of line"),
            Outcome::NoLine => f.write_str(": it is a base without [line]"),
            Outcome::Lost(note) => {
                f.write_str(": the line was lost")?;
                note.iter().try_for_each(|note| write!(f, "; {note}"))
            }
        }
    }
}
