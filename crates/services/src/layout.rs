//! Messages into a caller's buffer and out of received bytes, and what can be wrong with them.

use core::fmt;

use nom::error::Error as NomError;
use nom::{Err as NomErr, Needed, Parser};
use thiserror::Error;

use crate::{NegativeResponse, ServiceId};

/// Something that can be said in one message.
pub trait Emit {
    /// Puts the bytes one after the other; the writer counts what does not fit.
    fn write(&self, to: &mut Writer<'_>);

    /// Writes the message to the start of `buffer` and gives the part that it fills.
    ///
    /// # Errors
    /// [`BufferTooSmall`] says how many bytes are needed.
    fn emit<'b>(&self, buffer: &'b mut [u8]) -> Result<&'b [u8], BufferTooSmall> {
        let mut writer = Writer { buffer, needed: 0 };
        self.write(&mut writer);
        writer.finish()
    }
}

/// Fills a caller's buffer from the start.
#[derive(Debug)]
pub struct Writer<'b> {
    buffer: &'b mut [u8],
    needed: usize,
}

impl<'b> Writer<'b> {
    /// Puts bytes as they are.
    pub fn bytes(&mut self, bytes: &[u8]) {
        let from = self.needed;
        self.needed = self.needed.saturating_add(bytes.len());
        if let Some(room) = self.buffer.get_mut(from..self.needed) {
            room.copy_from_slice(bytes);
        }
    }

    fn finish(self) -> Result<&'b [u8], BufferTooSmall> {
        let Self { buffer, needed } = self;
        let room = buffer.len();
        buffer.get(..needed).ok_or(BufferTooSmall { needed, room })
    }
}

/// The caller's buffer cannot hold the message.
#[derive(Clone, Copy, PartialEq, Eq, Debug, Error)]
#[error("the message needs {needed} bytes and the buffer has {room}")]
pub struct BufferTooSmall {
    /// Bytes of the message.
    pub needed: usize,
    /// Bytes of the buffer.
    pub room: usize,
}

/// Why bytes are not the message they were taken for. Offsets count from the service identifier, which is 0.
#[derive(Clone, Copy, PartialEq, Eq, Debug, Error)]
#[non_exhaustive]
pub enum LayoutError {
    /// Something else than the standard's or the request's byte.
    #[error("byte {offset} is {found:02X}, expected {expected:02X}")]
    Byte {
        /// Where.
        offset: usize,
        /// What belongs there.
        expected: u8,
        /// What came.
        found: u8,
    },
    /// A byte that the standard does not define there.
    #[error("byte {offset} is {found:02X}, which has no meaning there")]
    Value {
        /// Where.
        offset: usize,
        /// What came.
        found: u8,
    },
    /// It ends too early.
    #[error("{found} bytes, expected at least {expected}")]
    Short {
        /// Least number of bytes.
        expected: usize,
        /// How many came.
        found: usize,
    },
    /// It goes on after its end.
    #[error("{found} bytes, expected {expected}")]
    Long {
        /// Number of bytes.
        expected: usize,
        /// How many came.
        found: usize,
    },
}

/// Why a message is not the answer that was asked for. Sorted by who is at fault.
#[derive(Clone, Copy, PartialEq, Eq, Debug, Error)]
#[non_exhaustive]
pub enum ResponseError {
    /// The unit is healthy and said no, not yet, or try again.
    #[error("the unit refused {0}")]
    Refused(NegativeResponse),
    /// The unit said something else than the standard lays down.
    #[error("the unit answered with another message: {0}")]
    Layout(#[from] LayoutError),
}

/// What stands after the service identifier and the repeated parameters of a positive response.
pub(crate) fn response<'a>(
    message: &'a [u8],
    service: ServiceId,
    repeated_parameters: &[u8],
) -> Result<&'a [u8], ResponseError> {
    if NegativeResponse::is(message) {
        let refusal = NegativeResponse::parse(message)?;
        expect(1, service.0, refusal.service.0)?;
        return Err(ResponseError::Refused(refusal));
    }
    repeated(message, parameters(message, service.response())?, 1, repeated_parameters)
}

/// What stands after `expected` in the part of a message that begins at `offset`.
pub(crate) fn repeated<'a>(
    message: &[u8],
    part: &'a [u8],
    offset: usize,
    expected: &[u8],
) -> Result<&'a [u8], ResponseError> {
    for (i, expected_byte) in expected.iter().enumerate() {
        let short = LayoutError::Short { expected: offset + expected.len(), found: message.len() };
        expect(offset + i, *expected_byte, *part.get(i).ok_or(short)?)?;
    }
    Ok(part.get(expected.len()..).unwrap_or_default())
}

/// What stands after the service identifier.
pub(crate) fn parameters(message: &[u8], service: ServiceId) -> Result<&[u8], LayoutError> {
    let (found, rest) = message.split_first().ok_or(LayoutError::Short { expected: 1, found: 0 })?;
    expect(0, service.0, *found)?;
    Ok(rest)
}

/// Reads the last part of a message, which begins at `offset`, to its last byte. `parser` is built of nom's
/// streaming parsers, which know what they lack.
pub(crate) fn whole<'a, O>(
    offset: usize,
    part: &'a [u8],
    mut parser: impl Parser<&'a [u8], Output = O, Error = NomError<&'a [u8]>>,
) -> Result<O, LayoutError> {
    let found = offset + part.len();
    match parser.parse(part) {
        Ok(([], read)) => Ok(read),
        Ok((rest, _)) => Err(LayoutError::Long { expected: found - rest.len(), found }),
        Err(NomErr::Incomplete(Needed::Size(lacking))) => {
            Err(LayoutError::Short { expected: found + lacking.get(), found })
        }
        Err(NomErr::Incomplete(Needed::Unknown)) => Err(LayoutError::Short { expected: found + 1, found }),
        Err(NomErr::Error(e) | NomErr::Failure(e)) => {
            let offset = found - e.input.len();
            Err(LayoutError::Value { offset, found: e.input.first().copied().unwrap_or_default() })
        }
    }
}

fn expect(offset: usize, expected: u8, found: u8) -> Result<(), LayoutError> {
    if found == expected { Ok(()) } else { Err(LayoutError::Byte { offset, expected, found }) }
}

/// Bytes as people read them: two hex digits each, blanks between.
///
/// ```
/// assert_eq!(tickover_services::Hex(&[0x61, 0x01, 0x0D]).to_string(), "61 01 0D");
/// ```
#[derive(Clone, Copy, PartialEq, Eq)]
pub struct Hex<'a>(pub &'a [u8]);

impl fmt::Display for Hex<'_> {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        for (i, byte) in self.0.iter().enumerate() {
            if i > 0 {
                f.write_str(" ")?;
            }
            write!(f, "{byte:02X}")?;
        }
        Ok(())
    }
}

impl fmt::Debug for Hex<'_> {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        fmt::Display::fmt(self, f)
    }
}
