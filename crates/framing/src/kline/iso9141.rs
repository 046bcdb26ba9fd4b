//! ISO 9141-2 message: three header bytes, up to seven data bytes, a sum; no length, a pause ends it.
//!
//! Header bytes and limits are known from tutorials and from memory.

use super::message::{DataLength, sum8};

/// The first two bytes of a request: 68 6A. The third is the tester's address.
pub const REQUEST: [u8; 2] = [0x68, 0x6A];
/// The first two bytes of an answer: 48 6B. The third is the unit's address.
pub const ANSWER: [u8; 2] = [0x48, 0x6B];
/// The most data bytes of a message.
pub const DATA_MAX: usize = 7;
/// The most bytes of a message: header, data, sum.
pub const MESSAGE_MAX: usize = 3 + DATA_MAX + 1;

/// A complete message borrowed from received bytes, its sum checked.
#[derive(Clone, Copy, PartialEq, Eq, Debug)]
pub struct View<'a> {
    header: [u8; 3],
    data: &'a [u8],
}

/// Why bytes are no ISO 9141-2 message.
#[derive(Clone, Copy, PartialEq, Eq, Debug, thiserror::Error)]
#[non_exhaustive]
pub enum ViewError {
    /// Fewer than header, one data byte and sum.
    #[error("the message ended after {0} bytes; it has at least 5")]
    Short(usize),
    /// More than header, seven data bytes and sum.
    #[error("the message has {0} bytes; it has at most {MESSAGE_MAX}")]
    Long(usize),
    /// The sum does not fit.
    #[error("checksum {found:02X} where {expected:02X} was expected")]
    Checksum {
        /// The sum that came.
        found: u8,
        /// The sum of what came before it.
        expected: u8,
    },
}

impl<'a> View<'a> {
    /// Reads all of `bytes`, which a pause has ended, as one message.
    ///
    /// # Errors
    /// [`ViewError`]: the length is none that a message has, or the sum does not fit.
    pub fn parse(bytes: &'a [u8]) -> Result<Self, ViewError> {
        if bytes.len() > MESSAGE_MAX {
            return Err(ViewError::Long(bytes.len()));
        }
        match bytes {
            [covered @ .., found] if covered.len() > 3 => {
                let expected = sum8(covered);
                if *found != expected {
                    return Err(ViewError::Checksum { found: *found, expected });
                }
                let (header, data) = covered.split_first_chunk().ok_or(ViewError::Short(bytes.len()))?;
                Ok(Self { header: *header, data })
            }
            _ => Err(ViewError::Short(bytes.len())),
        }
    }

    /// The three header bytes.
    pub fn header(&self) -> [u8; 3] {
        self.header
    }

    /// Service identifier and parameters: 1 to 7 bytes.
    pub fn data(&self) -> &'a [u8] {
        self.data
    }
}

/// Writes a message to the start of `into` and returns how many bytes it takes: 5 to 11.
///
/// # Errors
/// [`DataLength`] if there are no data, more than seven bytes, or `into` is too short.
pub fn emit(header: [u8; 3], data: &[u8], into: &mut [u8]) -> Result<usize, DataLength> {
    let refused = DataLength { length: data.len(), limit: DATA_MAX };
    if data.is_empty() || data.len() > DATA_MAX {
        return Err(refused);
    }
    let whole = 3 + data.len() + 1;
    let into = into.get_mut(..whole).ok_or(refused)?;
    for (to, from) in into.iter_mut().zip(header.iter().chain(data)) {
        *to = *from;
    }
    if let Some((sum, covered)) = into.split_last_mut() {
        *sum = sum8(covered);
    }
    Ok(whole)
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Tutorial, blog.csdn.net article 81028777: request with one data byte.
    #[test]
    fn the_printed_request_reads_and_writes() {
        let bytes = [0x68, 0x6A, 0xF1, 0xBE, 0x81];
        let view = View::parse(&bytes).unwrap();
        assert_eq!(view.header(), [0x68, 0x6A, 0xF1]);
        assert_eq!(view.data(), [0xBE]);
        let mut out = [0; MESSAGE_MAX];
        assert_eq!(emit([0x68, 0x6A, 0xF1], &[0xBE], &mut out), Ok(5));
        assert_eq!(out[..5], bytes);
    }

    /// From memory, sums computed by hand: answer with the mask of supported identifiers, request of identifier 0C.
    #[test]
    fn sums_of_usual_messages_fit() {
        assert!(View::parse(&[0x48, 0x6B, 0x10, 0x41, 0x00, 0xBE, 0x1F, 0xA8, 0x13, 0x9C]).is_ok());
        assert!(View::parse(&[0x68, 0x6A, 0xF1, 0x01, 0x0C, 0xD0]).is_ok());
        assert_eq!(
            View::parse(&[0x68, 0x6A, 0xF1, 0x01, 0x0C, 0xD1]),
            Err(ViewError::Checksum { found: 0xD1, expected: 0xD0 })
        );
        assert_eq!(View::parse(&[0x68, 0x6A, 0xF1, 0xC3]), Err(ViewError::Short(4)));
        assert_eq!(View::parse(&[0; 12]), Err(ViewError::Long(12)));
    }
}
