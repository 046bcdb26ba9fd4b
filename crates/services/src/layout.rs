//! Messages into a caller's buffer, and what can be wrong with the bytes of one.

use core::fmt;

use thiserror::Error;

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

    /// Puts two bytes, most significant first.
    pub fn u16(&mut self, value: u16) {
        self.bytes(&value.to_be_bytes());
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
