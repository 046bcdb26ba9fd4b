//! Reading memory: 23.

use nom::bytes::streaming::take;

use crate::ServiceId;
use crate::layout::{self, Emit, LayoutError, ResponseError, Writer};

/// Place in a unit's memory, and how its address and size are written: `format address size`.
///
/// The format byte has the number of address bytes in its low nibble and of size bytes in its high one (ISO 14229-1
/// annex H, as a tutorial gives it).
#[derive(Clone, Copy, PartialEq, Eq, Hash, Debug)]
pub struct MemoryRange {
    address: u64,
    address_len: u8,
    size: u64,
    size_len: u8,
}

impl MemoryRange {
    /// `None` if one does not fit into its bytes, or bytes are not 1 to 8.
    pub fn new(address: u64, address_len: u8, size: u64, size_len: u8) -> Option<Self> {
        let fits = |number: u64, len: u8| match len {
            1..=7 => number >> (u32::from(len) * 8) == 0,
            len => len == 8,
        };
        (fits(address, address_len) && fits(size, size_len)).then_some(Self { address, address_len, size, size_len })
    }

    /// Of the first byte.
    pub const fn address(self) -> u64 {
        self.address
    }

    /// How many bytes.
    pub const fn size(self) -> u64 {
        self.size
    }

    /// Reads format, address and size from the start of `part`, which begins at `offset` of a message, and gives what
    /// stands behind them.
    pub(crate) fn parse(offset: usize, part: &[u8]) -> Result<(Self, &[u8]), LayoutError> {
        let found = offset + part.len();
        let short = |len: usize| LayoutError::Short { expected: offset + len, found };
        let (format, rest) = part.split_first().ok_or_else(|| short(1))?;
        let (range, rest) = Self::parse_as(*format, offset + 1, rest)?;
        Ok((range, rest))
    }

    /// The same where the format is known.
    pub(crate) fn parse_as(format: u8, offset: usize, part: &[u8]) -> Result<(Self, &[u8]), LayoutError> {
        let (size_len, address_len) = (format >> 4, format & 0x0F);
        let (needed, found) = (usize::from(size_len + address_len), offset + part.len());
        let (place, rest) = part
            .split_at_checked(needed)
            .ok_or_else(|| LayoutError::Short { expected: offset.saturating_add(needed), found })?;
        let number = |bytes: &[u8]| bytes.iter().fold(0, |number: u64, byte| number << 8 | u64::from(*byte));
        let (address, size) = place.split_at_checked(address_len.into()).unwrap_or((place, &[]));
        let range = Self::new(number(address), address_len, number(size), size_len);
        Ok((range.ok_or_else(|| LayoutError::Value { offset: offset.saturating_sub(1), found: format })?, rest))
    }

    /// addressAndLengthFormatIdentifier.
    pub(crate) const fn format(self) -> u8 {
        self.size_len << 4 | self.address_len
    }

    /// Address and size.
    pub(crate) fn write_place(self, to: &mut Writer<'_>) {
        for (number, len) in [(self.address, self.address_len), (self.size, self.size_len)] {
            let bytes = number.to_be_bytes();
            to.bytes(bytes.get(bytes.len().saturating_sub(len.into())..).unwrap_or_default());
        }
    }
}

/// Asks for bytes of the unit's memory: `23 format address size`. The answer does not repeat the address.
///
/// ```
/// use tickover_services::Emit;
/// use tickover_services::uds::{MemoryRange, ReadMemoryByAddress};
///
/// let read = ReadMemoryByAddress { range: MemoryRange::new(0x2048_1392, 4, 3, 2).unwrap() };
/// assert_eq!(read.emit(&mut [0; 8]).unwrap(), [0x23, 0x24, 0x20, 0x48, 0x13, 0x92, 0x00, 0x03]);
/// assert_eq!(read.data(&[0x63, 0x00, 0x46, 0xFB])?, [0x00, 0x46, 0xFB]);
/// # Ok::<(), tickover_services::ResponseError>(())
/// ```
#[derive(Clone, Copy, PartialEq, Eq, Debug)]
pub struct ReadMemoryByAddress {
    /// Which bytes.
    pub range: MemoryRange,
}

impl ReadMemoryByAddress {
    /// 23.
    pub const SERVICE: ServiceId = ServiceId::READ_MEMORY_BY_ADDRESS;

    /// Reads a request.
    ///
    /// # Errors
    /// Another service, a format without address or size or with more than eight bytes of either, or another length
    /// than the format says.
    pub fn parse(message: &[u8]) -> Result<Self, LayoutError> {
        let (range, rest) = MemoryRange::parse(1, layout::parameters(message, Self::SERVICE)?)?;
        match (rest, message.len()) {
            ([], _) => Ok(Self { range }),
            (rest, found) => Err(LayoutError::Long { expected: found - rest.len(), found }),
        }
    }

    /// The bytes in a response: exactly as many as were asked for.
    ///
    /// # Errors
    /// The unit refused, answered to something else, or with another number of bytes.
    pub fn data<'a>(&self, message: &'a [u8]) -> Result<&'a [u8], ResponseError> {
        let data = layout::response(message, Self::SERVICE, &[])?;
        let size = usize::try_from(self.range.size).unwrap_or(usize::MAX);
        let short = LayoutError::Short { expected: size.saturating_add(1), found: message.len() };
        if data.len() < size { Err(short.into()) } else { Ok(layout::whole(1, data, take(size))?) }
    }
}

impl Emit for ReadMemoryByAddress {
    fn write(&self, to: &mut Writer<'_>) {
        to.bytes(&[Self::SERVICE.0, self.range.format()]);
        self.range.write_place(to);
    }
}

#[cfg(test)]
mod tests {
    use std::vec::Vec;

    use proptest::prelude::*;

    use super::*;

    #[test]
    fn address_and_size_fit_into_their_bytes() {
        assert_eq!(MemoryRange::new(0x100, 1, 1, 1), None);
        assert_eq!(MemoryRange::new(0x100, 2, 0x100, 1), None);
        assert_eq!(MemoryRange::new(0, 0, 1, 1), None);
        assert_eq!(MemoryRange::new(0, 1, 1, 9), None);
        assert!(MemoryRange::new(u64::MAX, 8, u64::MAX, 8).is_some());
    }

    #[test]
    fn a_format_that_says_nothing_has_its_place() {
        assert_eq!(
            ReadMemoryByAddress::parse(&[0x23, 0x04, 0, 0, 0, 0]),
            Err(LayoutError::Value { offset: 1, found: 4 })
        );
        assert_eq!(ReadMemoryByAddress::parse(&[0x23, 0x11, 0]), Err(LayoutError::Short { expected: 4, found: 3 }));
        assert_eq!(
            ReadMemoryByAddress::parse(&[0x23, 0x11, 0, 1, 2]),
            Err(LayoutError::Long { expected: 4, found: 5 })
        );
    }

    #[test]
    fn fewer_or_more_bytes_than_asked_for_are_no_answer() {
        let read = ReadMemoryByAddress { range: MemoryRange::new(0x400, 2, 2, 1).unwrap() };
        assert_eq!(read.data(&[0x63, 1]), Err(LayoutError::Short { expected: 3, found: 2 }.into()));
        assert_eq!(read.data(&[0x63, 1, 2, 3]), Err(LayoutError::Long { expected: 3, found: 4 }.into()));
        let all = ReadMemoryByAddress { range: MemoryRange::new(0, 1, u64::MAX, 8).unwrap() };
        assert_eq!(all.data(&[0x63]), Err(LayoutError::Short { expected: usize::MAX, found: 1 }.into()));
    }

    proptest! {
        #[test]
        fn a_memory_request_is_read_back(address: u64, address_len in 1..=8u8, size: u64, size_len in 1..=8u8) {
            let cut = |number: u64, len: u8| number >> (64 - u32::from(len) * 8);
            let range = MemoryRange::new(cut(address, address_len), address_len, cut(size, size_len), size_len).unwrap();
            let request = ReadMemoryByAddress { range };
            prop_assert_eq!(ReadMemoryByAddress::parse(request.emit(&mut [0; 18]).unwrap()), Ok(request));
        }

        #[test]
        fn no_bytes_make_it_panic(request: Vec<u8>, message: Vec<u8>) {
            let _ = ReadMemoryByAddress::parse(&request).map(|read| read.data(&message).is_ok());
        }
    }
}
