//! Unlocking: 27. No seed is answered here: keys belong to the makers.

use nom::combinator::success;

use super::sub_function;
use crate::ServiceId;
use crate::layout::{self, Emit, LayoutError, ResponseError, Writer};

/// Level of access: the odd number that asks for its seed, 01 to 41 and more (notes on ISO 14229-1:2020 table 42).
#[derive(Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash, Debug)]
pub struct SecurityLevel(u8);

impl SecurityLevel {
    /// `None` unless the number is odd and below 7F.
    pub const fn new(number: u8) -> Option<Self> {
        if number % 2 == 1 && number < 0x7F { Some(Self(number)) } else { None }
    }

    /// The odd number.
    pub const fn get(self) -> u8 {
        self.0
    }
}

/// Asks for a seed, `27 level [data..]`, or sends the key to it, `27 level+1 key..`.
///
/// ```
/// use tickover_services::Emit;
/// use tickover_services::uds::{SecurityAccess, SecurityLevel};
///
/// let level = SecurityLevel::new(0x01).unwrap();
/// let seed = SecurityAccess::RequestSeed { level, data: &[] };
/// assert_eq!(seed.emit(&mut [0; 4]).unwrap(), [0x27, 0x01]);
/// assert_eq!(seed.data(&[0x67, 0x01, 0x36, 0x57])?, [0x36, 0x57]);
/// # Ok::<(), tickover_services::ResponseError>(())
/// ```
#[derive(Clone, Copy, PartialEq, Eq, Debug)]
pub enum SecurityAccess<'a> {
    /// The unit answers with a seed; all zero if it is unlocked (from memory).
    RequestSeed {
        /// Which level.
        level: SecurityLevel,
        /// What the maker wants to know with it.
        data: &'a [u8],
    },
    /// The unit unlocks if the key fits.
    SendKey {
        /// Which level.
        level: SecurityLevel,
        /// The key.
        key: &'a [u8],
    },
}

impl<'a> SecurityAccess<'a> {
    /// 27.
    pub const SERVICE: ServiceId = ServiceId::SECURITY_ACCESS;

    /// Reads a request. Whether its answer is wanted, [`is_suppressed`](super::is_suppressed) says.
    ///
    /// # Errors
    /// Another service, no level, or 00, 7F or 7E+1, which are none.
    pub fn parse(message: &'a [u8]) -> Result<Self, LayoutError> {
        let short = LayoutError::Short { expected: 2, found: message.len() };
        let (byte, rest) = layout::parameters(message, Self::SERVICE)?.split_first().ok_or(short)?;
        let number = sub_function::value(*byte);
        let none = LayoutError::Value { offset: 1, found: *byte };
        if number.is_multiple_of(2) {
            let level = number.checked_sub(1).and_then(SecurityLevel::new).ok_or(none)?;
            Ok(Self::SendKey { level, key: rest })
        } else {
            Ok(Self::RequestSeed { level: SecurityLevel::new(number).ok_or(none)?, data: rest })
        }
    }

    /// What stands after `67 level`: the seed; after a key nothing.
    ///
    /// # Errors
    /// The unit refused, or answered to something else.
    pub fn data<'m>(&self, message: &'m [u8]) -> Result<&'m [u8], ResponseError> {
        let data = layout::response(message, Self::SERVICE, &[self.number()])?;
        if let Self::SendKey { .. } = self {
            layout::whole(2, data, success(()))?;
        }
        Ok(data)
    }

    const fn number(&self) -> u8 {
        match self {
            Self::RequestSeed { level, .. } => level.0,
            Self::SendKey { level, .. } => level.0 + 1,
        }
    }
}

impl Emit for SecurityAccess<'_> {
    fn write(&self, to: &mut Writer<'_>) {
        to.bytes(&[Self::SERVICE.0, self.number()]);
        let (Self::RequestSeed { data, .. } | Self::SendKey { key: data, .. }) = self;
        to.bytes(data);
    }
}

#[cfg(test)]
mod tests {
    use std::vec::Vec;

    use proptest::prelude::*;

    use super::*;

    /// Notes on ISO 14229-1:2020 table 42: odd numbers ask, even ones send; 00 and 7F are reserved.
    #[test]
    fn levels_are_odd_and_end_below_7f() {
        assert_eq!((0..=0xFF).filter_map(SecurityLevel::new).count(), 63);
        assert_eq!(SecurityAccess::parse(&[0x27, 0x00]), Err(LayoutError::Value { offset: 1, found: 0x00 }));
        assert_eq!(SecurityAccess::parse(&[0x27, 0x7F]), Err(LayoutError::Value { offset: 1, found: 0x7F }));
        assert_eq!(SecurityAccess::parse(&[0x27]), Err(LayoutError::Short { expected: 2, found: 1 }));
    }

    /// ISO/DIS 15765-3.5 (2002-10-01) table 67: the answer to a key is `67 02`, without the status of ISO 14230-3.
    #[test]
    fn a_key_is_answered_with_nothing_more() {
        let level = SecurityLevel::new(0x01).unwrap();
        let key = SecurityAccess::SendKey { level, key: &[0x47, 0x11] };
        assert_eq!(key.emit(&mut [0; 4]).unwrap(), [0x27, 0x02, 0x47, 0x11]);
        assert_eq!(key.data(&[0x67, 0x02]), Ok(&[][..]));
        assert_eq!(key.data(&[0x67, 0x02, 0x34]), Err(LayoutError::Long { expected: 2, found: 3 }.into()));
    }

    proptest! {
        #[test]
        fn requests_are_read_back(level in 0..63u8, data in proptest::collection::vec(any::<u8>(), 0..9)) {
            let level = SecurityLevel::new(level * 2 + 1).unwrap();
            for request in [SecurityAccess::RequestSeed { level, data: &data }, SecurityAccess::SendKey { level, key: &data }] {
                let mut buffer = [0; 16];
                prop_assert_eq!(SecurityAccess::parse(request.emit(&mut buffer).unwrap()), Ok(request));
            }
        }

        #[test]
        fn no_bytes_make_it_panic(request: Vec<u8>, message: Vec<u8>) {
            let _ = SecurityAccess::parse(&request).map(|request| request.data(&message).is_ok());
        }
    }
}
