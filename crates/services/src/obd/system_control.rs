//! Control of a system: 08.

use crate::ServiceId;
use crate::layout::{self, Emit, LayoutError, ResponseError, Writer};
use crate::obd::TestId;

/// Makes the unit test or move something, for instance close a valve for a leak test: `08 test data..`.
///
/// Layout from memory. Its effect is that of an actuator: it is never polled.
#[derive(Clone, Copy, PartialEq, Eq, Debug)]
pub struct ControlSystem<'a> {
    /// Which test.
    pub test: TestId,
    /// What the test needs; five bytes on the K-line, zero filled.
    pub data: &'a [u8],
}

impl<'a> ControlSystem<'a> {
    /// 08.
    pub const SERVICE: ServiceId = ServiceId::CONTROL_OF_SYSTEM;
    /// Most bytes of data.
    pub const MOST: usize = 5;

    /// `None` for more than five bytes of data.
    pub const fn new(test: TestId, data: &'a [u8]) -> Option<Self> {
        if data.len() <= Self::MOST { Some(Self { test, data }) } else { None }
    }

    /// Reads a request.
    ///
    /// # Errors
    /// Another service, no test, or more than five bytes of data.
    pub fn parse(message: &'a [u8]) -> Result<Self, LayoutError> {
        let found = message.len();
        let (test, data) = layout::parameters(message, Self::SERVICE)?
            .split_first()
            .ok_or(LayoutError::Short { expected: 2, found })?;
        Self::new(TestId(*test), data).ok_or(LayoutError::Long { expected: 2 + Self::MOST, found })
    }

    /// What the unit says about the test: the bytes after `48 test`.
    ///
    /// # Errors
    /// The unit refused, or answered to something else.
    pub fn data<'m>(&self, message: &'m [u8]) -> Result<&'m [u8], ResponseError> {
        layout::response(message, Self::SERVICE, &[self.test.0])
    }
}

impl Emit for ControlSystem<'_> {
    fn write(&self, to: &mut Writer<'_>) {
        to.bytes(&[Self::SERVICE.0, self.test.0]);
        to.bytes(self.data);
    }
}

#[cfg(test)]
mod tests {
    use std::vec::Vec;

    use proptest::prelude::*;

    use super::*;

    #[test]
    fn the_answer_must_be_about_the_same_test() {
        let control = ControlSystem::new(TestId(0x01), &[0; 5]).unwrap();
        assert_eq!(control.data(&[0x48, 0x01, 0, 0, 0, 0, 0]), Ok(&[0; 5][..]));
        assert_eq!(control.data(&[0x48, 0x02]), Err(LayoutError::Byte { offset: 1, expected: 1, found: 2 }.into()));
        assert_eq!(ControlSystem::new(TestId(0x01), &[0; 6]), None);
    }

    proptest! {
        #[test]
        fn a_request_is_read_back(test: u8, data in proptest::collection::vec(any::<u8>(), 0..=5)) {
            let control = ControlSystem::new(TestId(test), &data).unwrap();
            let mut buffer = [0; 7];
            prop_assert_eq!(ControlSystem::parse(control.emit(&mut buffer).unwrap()), Ok(control));
        }

        #[test]
        fn no_bytes_make_it_panic(message: Vec<u8>) {
            let _ = ControlSystem::parse(&message).map(|control| control.data(&message).is_ok());
        }
    }
}
