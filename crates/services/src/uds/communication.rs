//! The conversation itself: 3E keeps a session alive, 28 silences frames, 85 stops the keeping of faults.

use nom::Parser;
use nom::combinator::success;
use nom::number::streaming::u8 as byte;

use super::sub_function;
use crate::ServiceId;
use crate::layout::{self, Emit, LayoutError, ResponseError, Writer};

/// Says that the tester is still there: `3E 00`, or `3E 80` where no answer is wanted.
///
/// ```
/// use tickover_services::Emit;
/// use tickover_services::uds::TesterPresent;
///
/// assert_eq!(TesterPresent { suppress: true }.emit(&mut [0; 2]).unwrap(), [0x3E, 0x80]);
/// TesterPresent { suppress: false }.check(&[0x7E, 0x00])?;
/// # Ok::<(), tickover_services::ResponseError>(())
/// ```
#[derive(Clone, Copy, PartialEq, Eq, Hash, Debug)]
pub struct TesterPresent {
    /// Whether the answer is not wanted.
    pub suppress: bool,
}

impl TesterPresent {
    /// 3E.
    pub const SERVICE: ServiceId = ServiceId::TESTER_PRESENT;

    /// Reads a request.
    ///
    /// # Errors
    /// Another service, or another parameter than 00 or 80.
    pub fn parse(message: &[u8]) -> Result<Self, LayoutError> {
        let found = layout::whole(1, layout::parameters(message, Self::SERVICE)?, byte)?;
        match sub_function::parts(found) {
            (0x00, suppress) => Ok(Self { suppress }),
            _ => Err(LayoutError::Value { offset: 1, found }),
        }
    }

    /// Checks the response, `7E 00`.
    ///
    /// # Errors
    /// The unit refused, or answered to something else.
    pub fn check(&self, message: &[u8]) -> Result<(), ResponseError> {
        Ok(layout::whole(2, layout::response(message, Self::SERVICE, &[0x00])?, success(()))?)
    }
}

impl Emit for TesterPresent {
    fn write(&self, to: &mut Writer<'_>) {
        to.bytes(&[Self::SERVICE.0, sub_function::byte(0x00, self.suppress)]);
    }
}

/// What happens to a unit's frames (ISO 14229-1 table 54, from memory).
#[derive(Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash, Debug)]
pub struct ControlType(pub u8);

impl ControlType {
    /// It hears and speaks.
    pub const ENABLE_RX_AND_TX: Self = Self(0x00);
    /// It hears.
    pub const ENABLE_RX_AND_DISABLE_TX: Self = Self(0x01);
    /// It speaks.
    pub const DISABLE_RX_AND_ENABLE_TX: Self = Self(0x02);
    /// Neither.
    pub const DISABLE_RX_AND_TX: Self = Self(0x03);

    /// Whether a node is named behind the kind of frames: 04 and 05.
    const fn names_a_node(self) -> bool {
        matches!(self.0, 0x04 | 0x05)
    }
}

/// Silences frames of a unit, or lets them through again: `28 type frames [node]`. Other units may live on them: not
/// for a vehicle that moves.
#[derive(Clone, Copy, PartialEq, Eq, Debug)]
pub struct CommunicationControl {
    /// What happens.
    pub control: ControlType,
    /// To which frames: bit 0 those of normal operation, bit 1 network management (from memory).
    pub frames: u8,
    /// Of which node behind the unit; with types 04 and 05, and only with these.
    pub node: Option<u16>,
    /// Whether the positive answer is not wanted.
    pub suppress: bool,
}

impl CommunicationControl {
    /// 28.
    pub const SERVICE: ServiceId = ServiceId::COMMUNICATION_CONTROL;

    /// Reads a request.
    ///
    /// # Errors
    /// Another service, or not one byte of type and one of frames, with 04 and 05 two more of node.
    pub fn parse(message: &[u8]) -> Result<Self, LayoutError> {
        let found = message.len();
        let [control, rest @ ..] = layout::parameters(message, Self::SERVICE)? else {
            return Err(LayoutError::Short { expected: 3, found });
        };
        let (control, suppress) = sub_function::parts(*control);
        let control = ControlType(control);
        let (frames, node) = if control.names_a_node() {
            layout::whole(2, rest, (byte, nom::number::streaming::be_u16).map(|(frames, node)| (frames, Some(node))))?
        } else {
            layout::whole(2, rest, byte.map(|frames| (frames, None)))?
        };
        Ok(Self { control, frames, node, suppress })
    }

    /// Checks the response, which repeats the type.
    ///
    /// # Errors
    /// The unit refused, or answered to something else.
    pub fn check(&self, message: &[u8]) -> Result<(), ResponseError> {
        let data = layout::response(message, Self::SERVICE, &[sub_function::value(self.control.0)])?;
        Ok(layout::whole(2, data, success(()))?)
    }
}

impl Emit for CommunicationControl {
    fn write(&self, to: &mut Writer<'_>) {
        to.bytes(&[Self::SERVICE.0, sub_function::byte(self.control.0, self.suppress), self.frames]);
        if let Some(node) = self.node {
            to.bytes(&node.to_be_bytes());
        }
    }
}

/// Stops the unit from keeping faults, or lets it again: `85 02`, `85 01` (notes on ISO 14229-1:2020 table 128).
#[derive(Clone, Copy, PartialEq, Eq, Debug)]
pub struct ControlDtcSetting<'a> {
    /// Whether faults are kept.
    pub on: bool,
    /// What the maker wants to know with it.
    pub options: &'a [u8],
    /// Whether the positive answer is not wanted.
    pub suppress: bool,
}

impl<'a> ControlDtcSetting<'a> {
    /// 85.
    pub const SERVICE: ServiceId = ServiceId::CONTROL_DTC_SETTING;

    /// Reads a request.
    ///
    /// # Errors
    /// Another service, no setting, or another than 01 or 02.
    pub fn parse(message: &'a [u8]) -> Result<Self, LayoutError> {
        let [setting, options @ ..] = layout::parameters(message, Self::SERVICE)? else {
            return Err(LayoutError::Short { expected: 2, found: message.len() });
        };
        match sub_function::parts(*setting) {
            (0x01, suppress) => Ok(Self { on: true, options, suppress }),
            (0x02, suppress) => Ok(Self { on: false, options, suppress }),
            _ => Err(LayoutError::Value { offset: 1, found: *setting }),
        }
    }

    /// Checks the response, which repeats the setting.
    ///
    /// # Errors
    /// The unit refused, or answered to something else.
    pub fn check(&self, message: &[u8]) -> Result<(), ResponseError> {
        Ok(layout::whole(2, layout::response(message, Self::SERVICE, &[self.setting()])?, success(()))?)
    }

    const fn setting(&self) -> u8 {
        if self.on { 0x01 } else { 0x02 }
    }
}

impl Emit for ControlDtcSetting<'_> {
    fn write(&self, to: &mut Writer<'_>) {
        to.bytes(&[Self::SERVICE.0, sub_function::byte(self.setting(), self.suppress)]);
        to.bytes(self.options);
    }
}

#[cfg(test)]
mod tests {
    use std::vec::Vec;

    use proptest::prelude::*;

    use super::*;

    /// Notes on ISO 14229-1:2020: only 00 is defined besides the suppress bit; `3E` alone is ISO 14230-3's.
    #[test]
    fn the_older_standards_form_is_not_taken_for_ours() {
        assert_eq!(TesterPresent::parse(&[0x3E]), Err(LayoutError::Short { expected: 2, found: 1 }));
        assert_eq!(TesterPresent::parse(&[0x3E, 0x01]), Err(LayoutError::Value { offset: 1, found: 0x01 }));
        for suppress in [false, true] {
            let request = TesterPresent { suppress };
            assert_eq!(TesterPresent::parse(request.emit(&mut [0; 2]).unwrap()), Ok(request));
        }
    }

    #[test]
    fn a_node_stands_with_two_types_only() {
        assert_eq!(CommunicationControl::parse(&[0x28, 0x04, 1]), Err(LayoutError::Short { expected: 5, found: 3 }));
        assert_eq!(
            CommunicationControl::parse(&[0x28, 0x03, 1, 0, 1]),
            Err(LayoutError::Long { expected: 3, found: 5 })
        );
        assert_eq!(CommunicationControl::parse(&[0x28]), Err(LayoutError::Short { expected: 3, found: 1 }));
    }

    proptest! {
        #[test]
        fn requests_are_read_back(control in 0..0x80u8, frames: u8, node: u16, on: bool, suppress: bool, options: [u8; 3]) {
            let mut buffer = [0; 8];
            let control = ControlType(control);
            let node = control.names_a_node().then_some(node);
            let request = CommunicationControl { control, frames, node, suppress };
            prop_assert_eq!(CommunicationControl::parse(request.emit(&mut buffer).unwrap()), Ok(request));
            let request = ControlDtcSetting { on, options: &options, suppress };
            prop_assert_eq!(ControlDtcSetting::parse(request.emit(&mut buffer).unwrap()), Ok(request));
        }

        #[test]
        fn no_bytes_make_it_panic(request: Vec<u8>, message: Vec<u8>) {
            let _ = TesterPresent::parse(&request).map(|request| request.check(&message).is_ok());
            let _ = CommunicationControl::parse(&request).map(|request| request.check(&message).is_ok());
            let _ = ControlDtcSetting::parse(&request).map(|request| request.check(&message).is_ok());
        }
    }
}
