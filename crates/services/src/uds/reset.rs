//! Resetting the unit: 11.

use core::time::Duration;

use nom::Parser;
use nom::combinator::success;
use nom::number::streaming::u8 as byte;

use super::sub_function;
use crate::ServiceId;
use crate::layout::{self, Emit, LayoutError, ResponseError, Writer};

/// How the unit resets (notes on ISO 14229-1:2020 table 34).
#[derive(Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash, Debug)]
pub struct ResetType(pub u8);

impl ResetType {
    /// As if power had been taken away.
    pub const HARD: Self = Self(0x01);
    /// As if the key had been turned off and on.
    pub const KEY_OFF_ON: Self = Self(0x02);
    /// The program begins anew.
    pub const SOFT: Self = Self(0x03);
    /// The unit may power down quickly from now on.
    pub const ENABLE_RAPID_POWER_DOWN: Self = Self(0x04);
    /// It may no longer.
    pub const DISABLE_RAPID_POWER_DOWN: Self = Self(0x05);
}

/// Resets the unit: `11 type`. The engine may stop; mind what moves with it.
///
/// ```
/// use tickover_services::Emit;
/// use tickover_services::uds::{EcuReset, ResetType};
///
/// let request = EcuReset { reset: ResetType::HARD, suppress: false };
/// assert_eq!(request.emit(&mut [0; 2]).unwrap(), [0x11, 0x01]);
/// assert_eq!(request.power_down_time(&[0x51, 0x01])?, None);
/// # Ok::<(), tickover_services::ResponseError>(())
/// ```
#[derive(Clone, Copy, PartialEq, Eq, Debug)]
pub struct EcuReset {
    /// How.
    pub reset: ResetType,
    /// Whether the positive answer is not wanted.
    pub suppress: bool,
}

impl EcuReset {
    /// 11.
    pub const SERVICE: ServiceId = ServiceId::ECU_RESET;

    /// Reads a request.
    ///
    /// # Errors
    /// Another service, or not one parameter.
    pub fn parse(message: &[u8]) -> Result<Self, LayoutError> {
        let (reset, suppress) =
            layout::whole(1, layout::parameters(message, Self::SERVICE)?, byte.map(sub_function::parts))?;
        Ok(Self { reset: ResetType(reset), suppress })
    }

    /// How long the unit stays powered down after [`ENABLE_RAPID_POWER_DOWN`](ResetType::ENABLE_RAPID_POWER_DOWN), in
    /// steps of 1 s; `None` of other resets, and if the unit does not know (FF).
    ///
    /// # Errors
    /// The unit refused, or answered to something else.
    pub fn power_down_time(&self, message: &[u8]) -> Result<Option<Duration>, ResponseError> {
        let data = layout::response(message, Self::SERVICE, &[sub_function::value(self.reset.0)])?;
        if self.reset != ResetType::ENABLE_RAPID_POWER_DOWN {
            layout::whole(2, data, success(()))?;
            return Ok(None);
        }
        let seconds = layout::whole(2, data, byte)?;
        Ok((seconds != 0xFF).then(|| Duration::from_secs(seconds.into())))
    }
}

impl Emit for EcuReset {
    fn write(&self, to: &mut Writer<'_>) {
        to.bytes(&[Self::SERVICE.0, sub_function::byte(self.reset.0, self.suppress)]);
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Notes on ISO 14229-1:2020 table 35: 1 s a step, FF is unknown.
    #[test]
    fn the_time_comes_with_rapid_power_down_only() {
        let rapid = EcuReset { reset: ResetType::ENABLE_RAPID_POWER_DOWN, suppress: false };
        assert_eq!(rapid.power_down_time(&[0x51, 0x04, 0x0F]), Ok(Some(Duration::from_secs(15))));
        assert_eq!(rapid.power_down_time(&[0x51, 0x04, 0xFF]), Ok(None));
        assert_eq!(rapid.power_down_time(&[0x51, 0x04]), Err(LayoutError::Short { expected: 3, found: 2 }.into()));
        let hard = EcuReset { reset: ResetType::HARD, suppress: false };
        assert_eq!(hard.power_down_time(&[0x51, 0x01, 0x0F]), Err(LayoutError::Long { expected: 2, found: 3 }.into()));
    }

    #[test]
    fn every_request_is_read_back() {
        for all in 0..=0xFF {
            let (reset, suppress) = sub_function::parts(all);
            let request = EcuReset { reset: ResetType(reset), suppress };
            let mut buffer = [0; 2];
            let message = request.emit(&mut buffer).unwrap();
            assert_eq!((message, EcuReset::parse(message)), (&[0x11, all][..], Ok(request)));
        }
    }
}
