//! Freeze frames: 12 (SSF 14230-3 8.4).

use crate::ServiceId;
use crate::layout::{self, Emit, LayoutError, ResponseError, Writer};

/// Which freeze frame: 00 the first, FF what is not bound to one (SSF 14230-3 8.4).
#[derive(Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash, Debug)]
pub struct FrameNumber(pub u8);

/// How the wanted data are named (SSF 14230-3 table 8.4.3.2).
#[derive(Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash, Debug)]
pub struct Access(pub u8);

impl Access {
    /// All data; no identifier follows.
    pub const ALL: Self = Self(0x00);
    /// What a local identifier names.
    pub const LOCAL_IDENTIFIER: Self = Self(0x01);
    /// What a common identifier names.
    pub const COMMON_IDENTIFIER: Self = Self(0x02);
    /// The frame that a fault code left.
    pub const BY_FAULT_CODE: Self = Self(0x04);
    /// The fault code that left the frame.
    pub const CAUSE: Self = Self(0x80);
    /// Which identifiers the frame has.
    pub const STRUCTURE: Self = Self(0x83);
}

/// Asks for what the unit kept when a fault came: `12 frame access [identifier]`.
///
/// ```
/// use tickover_services::kwp::{Access, FrameNumber, ReadFreezeFrameData};
///
/// let read = ReadFreezeFrameData { frame: FrameNumber(0), access: Access::LOCAL_IDENTIFIER, identifier: &[0x07] };
/// assert_eq!(read.data(&[0x52, 0x00, 0x8F, 0x01, 0x07])?, [0x8F]);
/// # Ok::<(), tickover_services::ResponseError>(())
/// ```
#[derive(Clone, Copy, PartialEq, Eq, Debug)]
pub struct ReadFreezeFrameData<'a> {
    /// Which frame.
    pub frame: FrameNumber,
    /// How the data are named.
    pub access: Access,
    /// Their name: as many bytes as `access` needs.
    pub identifier: &'a [u8],
}

impl<'a> ReadFreezeFrameData<'a> {
    /// 12.
    pub const SERVICE: ServiceId = ServiceId::READ_FREEZE_FRAME_DATA;

    /// Reads a request.
    ///
    /// # Errors
    /// Another service, or no frame number or no access.
    pub fn parse(message: &'a [u8]) -> Result<Self, LayoutError> {
        match layout::parameters(message, Self::SERVICE)? {
            [frame, access, identifier @ ..] => {
                Ok(Self { frame: FrameNumber(*frame), access: Access(*access), identifier })
            }
            _ => Err(LayoutError::Short { expected: 3, found: message.len() }),
        }
    }

    /// The data in a response, `52 frame data.. access [identifier]`: access and identifier stand at the end.
    ///
    /// # Errors
    /// The unit refused, or answered to something else.
    pub fn data<'m>(&self, message: &'m [u8]) -> Result<&'m [u8], ResponseError> {
        let rest = layout::response(message, Self::SERVICE, &[self.frame.0])?;
        let tail_len = 1 + self.identifier.len();
        let Some((data, tail)) = rest.len().checked_sub(tail_len).and_then(|at| rest.split_at_checked(at)) else {
            return Err(LayoutError::Short { expected: 2 + tail_len, found: message.len() }.into());
        };
        let expected = core::iter::once(&self.access.0).chain(self.identifier);
        match tail.iter().zip(expected).enumerate().find(|(_, (found, expected))| found != expected) {
            None => Ok(data),
            Some((i, (found, expected))) => {
                let offset = 2 + data.len() + i;
                Err(LayoutError::Byte { offset, expected: *expected, found: *found }.into())
            }
        }
    }

    /// The unit's answer with these data.
    pub const fn answer<'d>(self, data: &'d [u8]) -> FreezeFrame<'d>
    where
        'a: 'd,
    {
        FreezeFrame { request: self, data }
    }
}

impl Emit for ReadFreezeFrameData<'_> {
    fn write(&self, to: &mut Writer<'_>) {
        to.bytes(&[Self::SERVICE.0, self.frame.0, self.access.0]);
        to.bytes(self.identifier);
    }
}

/// The unit's answer to [`ReadFreezeFrameData`].
#[derive(Clone, Copy, PartialEq, Eq, Debug)]
pub struct FreezeFrame<'a> {
    request: ReadFreezeFrameData<'a>,
    data: &'a [u8],
}

impl Emit for FreezeFrame<'_> {
    fn write(&self, to: &mut Writer<'_>) {
        let ReadFreezeFrameData { frame, access, identifier } = self.request;
        to.bytes(&[ReadFreezeFrameData::SERVICE.response().0, frame.0]);
        to.bytes(self.data);
        to.bytes(&[access.0]);
        to.bytes(identifier);
    }
}

#[cfg(test)]
mod tests {
    use std::vec::Vec;

    use proptest::prelude::*;

    use super::*;

    #[test]
    fn an_answer_that_names_other_data_is_none() {
        let read = ReadFreezeFrameData { frame: FrameNumber(0), access: Access::LOCAL_IDENTIFIER, identifier: &[7] };
        assert_eq!(
            read.data(&[0x52, 0x00, 0x8F, 0x01, 0x08]),
            Err(LayoutError::Byte { offset: 4, expected: 7, found: 8 }.into())
        );
        assert_eq!(read.data(&[0x52, 0x00, 0x07]), Err(LayoutError::Short { expected: 4, found: 3 }.into()));
    }

    proptest! {
        #[test]
        fn requests_and_answers_are_read_back(
            frame: u8,
            access: u8,
            identifier in proptest::collection::vec(any::<u8>(), 0..4),
            data in proptest::collection::vec(any::<u8>(), 0..64),
        ) {
            let read = ReadFreezeFrameData { frame: FrameNumber(frame), access: Access(access), identifier: &identifier };
            let mut buffer = [0; 80];
            prop_assert_eq!(ReadFreezeFrameData::parse(read.emit(&mut buffer).unwrap()), Ok(read));
            prop_assert_eq!(read.data(read.answer(&data).emit(&mut buffer).unwrap()), Ok(&data[..]));
        }

        #[test]
        fn no_bytes_make_it_panic(request: Vec<u8>, message: Vec<u8>) {
            if let Ok(read) = ReadFreezeFrameData::parse(&request) {
                let _ = read.data(&message);
            }
        }
    }
}
