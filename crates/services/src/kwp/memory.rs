//! Reading memory: 23 (SSF 14230-3 7.3).

use nom::bytes::streaming::take;
use nom::number::streaming::{be_u24, u8 as byte};

use crate::ServiceId;
use crate::layout::{self, Emit, LayoutError, ResponseError, Writer};

/// A memory address of 24 bits (SSF 14230-3 5.1).
#[derive(Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash, Debug)]
pub struct Address(u32);

impl Address {
    /// The last address.
    pub const MAX: Self = Self(0xFF_FFFF);

    /// `None` if the address does not fit into 24 bits.
    pub const fn new(address: u32) -> Option<Self> {
        if address <= Self::MAX.0 { Some(Self(address)) } else { None }
    }

    /// As a number.
    pub const fn get(self) -> u32 {
        self.0
    }

    /// Most significant byte first, as on the line.
    pub const fn to_bytes(self) -> [u8; 3] {
        let [_, high, middle, low] = self.0.to_be_bytes();
        [high, middle, low]
    }

    pub(crate) const fn of_24_bits(address: u32) -> Self {
        Self(address & Self::MAX.0)
    }
}

/// Asks for bytes of the unit's memory: `23 address size`. The answer does not repeat the address.
///
/// ```
/// use tickover_services::Emit;
/// use tickover_services::kwp::{Address, ReadMemoryByAddress};
///
/// let read = ReadMemoryByAddress { address: Address::new(0x204813).unwrap(), size: 3 };
/// assert_eq!(read.emit(&mut [0; 8]).unwrap(), [0x23, 0x20, 0x48, 0x13, 0x03]);
/// assert_eq!(read.data(&[0x63, 0x00, 0x46, 0xFB])?, [0x00, 0x46, 0xFB]);
/// # Ok::<(), tickover_services::ResponseError>(())
/// ```
#[derive(Clone, Copy, PartialEq, Eq, Debug)]
pub struct ReadMemoryByAddress {
    /// Of the first byte.
    pub address: Address,
    /// How many bytes.
    pub size: u8,
}

impl ReadMemoryByAddress {
    /// 23.
    pub const SERVICE: ServiceId = ServiceId::READ_MEMORY_BY_ADDRESS;

    /// Reads a request for one answer.
    ///
    /// # Errors
    /// Another service, or not three bytes of address and one of size.
    pub fn parse(message: &[u8]) -> Result<Self, LayoutError> {
        let (address, size) = layout::whole(1, layout::parameters(message, Self::SERVICE)?, (be_u24, byte))?;
        Ok(Self { address: Address::of_24_bits(address), size })
    }

    /// The bytes in a response: exactly as many as were asked for.
    ///
    /// # Errors
    /// The unit refused, answered to something else, or with another number of bytes.
    pub fn data<'a>(&self, message: &'a [u8]) -> Result<&'a [u8], ResponseError> {
        let data = layout::response(message, Self::SERVICE, &[])?;
        Ok(layout::whole(1, data, take(self.size))?)
    }
}

impl Emit for ReadMemoryByAddress {
    fn write(&self, to: &mut Writer<'_>) {
        to.bytes(&[Self::SERVICE.0]);
        to.bytes(&self.address.to_bytes());
        to.bytes(&[self.size]);
    }
}

#[cfg(test)]
mod tests {
    use proptest::prelude::*;

    use super::*;

    #[test]
    fn an_address_has_24_bits() {
        assert_eq!(Address::new(0x100_0000), None);
        assert_eq!(Address::new(0xFF_FFFF), Some(Address::MAX));
    }

    #[test]
    fn fewer_or_more_bytes_than_asked_for_are_no_answer() {
        let read = ReadMemoryByAddress { address: Address::of_24_bits(0x400), size: 2 };
        assert_eq!(read.data(&[0x63, 1]), Err(LayoutError::Short { expected: 3, found: 2 }.into()));
        assert_eq!(read.data(&[0x63, 1, 2, 3]), Err(LayoutError::Long { expected: 3, found: 4 }.into()));
    }

    proptest! {
        #[test]
        fn a_memory_request_is_read_back(address in 0..=0xFF_FFFFu32, size: u8) {
            let request = ReadMemoryByAddress { address: Address::of_24_bits(address), size };
            prop_assert_eq!(ReadMemoryByAddress::parse(request.emit(&mut [0; 5]).unwrap()), Ok(request));
        }
    }
}
