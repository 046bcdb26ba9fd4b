//! Why a value could not be written.

use core::fmt;

use crate::compiled::Text;
use crate::value::Invalid;

/// Why a value could not be written. The data are unchanged, except after [`Invalid`](EncodeError::Invalid).
#[derive(Clone, PartialEq, Debug)]
#[non_exhaustive]
pub enum EncodeError {
    /// A derived channel stands in no bytes.
    Derived,
    /// The channel's `when` does not hold.
    NotPresent,
    /// A number is wanted of a channel that has none, or none is given for one that needs it.
    NotANumber,
    /// The channel has no such state.
    UnknownState {
        /// What was wanted.
        wanted: Text,
    },
    /// No raw value is declared invalid with this meaning.
    NoSuchCode,
    /// The text has more characters, or another number of bytes, than the field.
    TextLength {
        /// Bytes of the field.
        field: usize,
        /// Bytes of the text.
        text: usize,
    },
    /// Not printable ASCII, or not two hex digits a byte.
    NotText,
    /// The conversion has no inverse that can be found.
    NotInvertible,
    /// Every raw value that was tried is invalid, for this reason or like it.
    Invalid(Invalid),
    /// The data end before the field.
    TooShort {
        /// Bytes that the field reaches to.
        needed: usize,
        /// Bytes there are.
        came: usize,
    },
    /// The field cannot hold this raw value.
    DoesNotFit,
}

impl fmt::Display for EncodeError {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        match self {
            Self::Derived => f.write_str("a derived channel stands in no bytes: write its inputs"),
            Self::NotPresent => f.write_str("the channel is not in this response: its `when` does not hold"),
            Self::NotANumber => {
                f.write_str("the channel's value is not of this kind: a number where a text was given, or the reverse")
            }
            Self::UnknownState { wanted } => write!(f, "the channel has no state '{wanted}'"),
            Self::NoSuchCode => f.write_str("the channel declares no raw value invalid with this meaning"),
            Self::TextLength { field, text } => write!(f, "the text has {text} bytes, the field {field}"),
            Self::NotText => {
                f.write_str("the text is not what the field holds: printable ASCII, or two hex digits a byte")
            }
            Self::NotInvertible => f.write_str("the conversion has no inverse that can be found"),
            Self::Invalid(reason) => write!(f, "no raw value gives a valid number: {reason}"),
            Self::TooShort { needed, came } => {
                write!(f, "the data have {came} bytes, the field reaches to byte {needed}")
            }
            Self::DoesNotFit => f.write_str("the field cannot hold this raw value"),
        }
    }
}

impl core::error::Error for EncodeError {}
