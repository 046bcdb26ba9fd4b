//! Results of the vehicle's own tests: 06 on both lines, 05 on the K-line. All layouts from memory.

use core::fmt;
use core::iter::FusedIterator;

use nom::Parser;
use nom::combinator::rest;
use nom::number::streaming::{be_u16, be_u32, u8 as byte};

use super::identifiers::{MonitorId, TestId, is_support_mask};
use super::support::SupportMask;
use crate::ServiceId;
use crate::layout::{self, Emit, LayoutError, ResponseError, Writer};

/// Asks for the results of a monitor: `06 id`. On CAN the identifier is a monitor's, on the K-line a test's.
///
/// ```
/// use tickover_services::obd::ReadMonitorResults;
///
/// let read = ReadMonitorResults { id: 0x01 };
/// let answer = [0x46, 0x01, 0x83, 0x0A, 0x02, 0x58, 0x01, 0x00, 0x03, 0x00];
/// let result = read.results_on_can(&answer)?.iter().next().unwrap();
/// assert_eq!((result.value, result.minimum, result.maximum), (0x0258, 0x0100, 0x0300));
/// assert!(result.has_passed());
/// # Ok::<(), tickover_services::ResponseError>(())
/// ```
#[derive(Clone, Copy, PartialEq, Eq, Debug)]
pub struct ReadMonitorResults {
    /// [`MonitorId`] on CAN, [`TestId`] on the K-line; 00, 20 .. E0 ask for support masks.
    pub id: u8,
}

impl ReadMonitorResults {
    /// 06.
    pub const SERVICE: ServiceId = ServiceId::MONITOR_TEST_RESULTS;

    /// Reads a request for one identifier.
    ///
    /// # Errors
    /// Another service, no identifier, or more than one.
    pub fn parse(message: &[u8]) -> Result<Self, LayoutError> {
        layout::whole(1, layout::parameters(message, Self::SERVICE)?, byte.map(|id| Self { id }))
    }

    /// Adds the mask in a response to a request for 00, 20 .. E0: `46 id` and four bytes; on the K-line a filler stands
    /// between them.
    ///
    /// # Errors
    /// The unit refused, or answered to something else; [`Value`](LayoutError::Value) if the identifier asks for no
    /// mask.
    pub fn add_support(&self, message: &[u8], to: &mut SupportMask) -> Result<(), ResponseError> {
        let data = layout::response(message, Self::SERVICE, &[self.id])?;
        let mask = match *data {
            [_, a, b, c, d] | [a, b, c, d] => [a, b, c, d],
            _ if data.len() < 4 => return Err(LayoutError::Short { expected: 6, found: message.len() }.into()),
            _ => return Err(LayoutError::Long { expected: 6, found: message.len() }.into()),
        };
        let taken = to.add(self.id, mask);
        if taken { Ok(()) } else { Err(LayoutError::Value { offset: 1, found: self.id }.into()) }
    }

    /// The results in a response on CAN, `46 {monitor test unit value minimum maximum}..`.
    ///
    /// # Errors
    /// The unit refused, answered to something else, not with whole results, or of another monitor.
    pub fn results_on_can<'a>(&self, message: &'a [u8]) -> Result<MonitorResults<'a>, ResponseError> {
        let data = layout::response(message, Self::SERVICE, &[])?;
        let (results, cut) = data.as_chunks::<{ MonitorResult::LEN }>();
        let found = message.len();
        if !cut.is_empty() || results.is_empty() {
            let lacking = MonitorResult::LEN - cut.len();
            return Err(LayoutError::Short { expected: found + lacking, found }.into());
        }
        match results.iter().zip(0..).find(|([monitor, ..], _)| *monitor != self.id) {
            Some(([found, ..], i)) => {
                let offset = 1 + MonitorResult::LEN * i;
                Err(LayoutError::Byte { offset, expected: self.id, found: *found }.into())
            }
            None => Ok(MonitorResults { results }),
        }
    }

    /// The result in one message on the K-line, `46 test component value limit`: a test of several components is
    /// answered with several messages.
    ///
    /// # Errors
    /// The unit refused, answered to something else, or not with seven bytes.
    pub fn result_on_k_line(&self, message: &[u8]) -> Result<ComponentResult, ResponseError> {
        let data = layout::response(message, Self::SERVICE, &[self.id])?;
        let (component, value, limit) = layout::whole(2, data, (byte, be_u16, be_u16))?;
        let is_minimum = component & ComponentResult::IS_MINIMUM != 0;
        let component = component & !ComponentResult::IS_MINIMUM;
        Ok(ComponentResult { test: TestId(self.id), component, is_minimum, value, limit })
    }
}

impl Emit for ReadMonitorResults {
    fn write(&self, to: &mut Writer<'_>) {
        to.bytes(&[Self::SERVICE.0, self.id]);
    }
}

/// Results of a monitor on CAN, in the unit's order.
#[derive(Clone, Copy, PartialEq, Eq, Debug)]
pub struct MonitorResults<'a> {
    results: &'a [[u8; MonitorResult::LEN]],
}

impl<'a> MonitorResults<'a> {
    /// One after the other.
    pub fn iter(&self) -> impl ExactSizeIterator<Item = MonitorResult> + FusedIterator + use<'a> {
        self.results.iter().map(|[monitor, test, unit, v1, v0, low1, low0, high1, high0]| MonitorResult {
            monitor: MonitorId(*monitor),
            test: TestId(*test),
            unit: UnitAndScaling(*unit),
            value: u16::from_be_bytes([*v1, *v0]),
            minimum: u16::from_be_bytes([*low1, *low0]),
            maximum: u16::from_be_bytes([*high1, *high0]),
        })
    }
}

/// What a value of a monitor is counted in: its number in the standard's table, which was not at hand.
#[derive(Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash, Debug)]
pub struct UnitAndScaling(pub u8);

impl UnitAndScaling {
    /// Whether values are signed: 80 and above.
    pub const fn is_signed(self) -> bool {
        self.0 >= 0x80
    }
}

/// Two hex digits.
impl fmt::Display for UnitAndScaling {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        write!(f, "{:02X}", self.0)
    }
}

/// Result of one test of a monitor on CAN.
#[derive(Clone, Copy, PartialEq, Eq, Debug)]
pub struct MonitorResult {
    /// Whose.
    pub monitor: MonitorId,
    /// Of which test.
    pub test: TestId,
    /// What the three numbers are counted in.
    pub unit: UnitAndScaling,
    /// As it was measured; all zero, with both limits, if the test has not run since the codes were cleared.
    pub value: u16,
    /// Least that passes.
    pub minimum: u16,
    /// Most that passes.
    pub maximum: u16,
}

impl MonitorResult {
    /// Bytes in a message.
    const LEN: usize = 9;

    /// Whether the value lies within its limits, both included.
    pub fn has_passed(&self) -> bool {
        let Self { unit, value, minimum, maximum, .. } = *self;
        if unit.is_signed() {
            (minimum.cast_signed()..=maximum.cast_signed()).contains(&value.cast_signed())
        } else {
            (minimum..=maximum).contains(&value)
        }
    }
}

/// The unit's answer on CAN.
impl Emit for [MonitorResult] {
    fn write(&self, to: &mut Writer<'_>) {
        to.bytes(&[ReadMonitorResults::SERVICE.response().0]);
        for MonitorResult { monitor, test, unit, value, minimum, maximum } in self {
            to.bytes(&[monitor.0, test.0, unit.0]);
            [value, minimum, maximum].into_iter().for_each(|number| to.bytes(&number.to_be_bytes()));
        }
    }
}

/// Result of a test of one component on the K-line. Its unit is the maker's.
#[derive(Clone, Copy, PartialEq, Eq, Debug)]
pub struct ComponentResult {
    /// Which test.
    pub test: TestId,
    /// Of which component: 0 to 127.
    pub component: u8,
    /// Whether the limit is the least value that passes, not the most.
    pub is_minimum: bool,
    /// As it was measured.
    pub value: u16,
    /// What it is compared with.
    pub limit: u16,
}

impl ComponentResult {
    const IS_MINIMUM: u8 = 0x80;

    /// Whether the value keeps its limit, which itself passes.
    pub const fn has_passed(&self) -> bool {
        if self.is_minimum { self.value >= self.limit } else { self.value <= self.limit }
    }
}

impl Emit for ComponentResult {
    fn write(&self, to: &mut Writer<'_>) {
        let component = self.component & !Self::IS_MINIMUM | if self.is_minimum { Self::IS_MINIMUM } else { 0 };
        to.bytes(&[ReadMonitorResults::SERVICE.response().0, self.test.0, component]);
        to.bytes(&self.value.to_be_bytes());
        to.bytes(&self.limit.to_be_bytes());
    }
}

/// Asks for the test results of an oxygen sensor: `05 test sensor`, on the K-line only.
#[derive(Clone, Copy, PartialEq, Eq, Debug)]
pub struct ReadOxygenSensorResults {
    /// Which test; 00, 20 .. E0 ask for support masks.
    pub test: TestId,
    /// Which sensor: the bit of PID 13 or 1D.
    pub sensor: u8,
}

impl ReadOxygenSensorResults {
    /// 05.
    pub const SERVICE: ServiceId = ServiceId::OXYGEN_SENSOR_TEST_RESULTS;

    /// Reads a request.
    ///
    /// # Errors
    /// Another service, or not two parameters.
    pub fn parse(message: &[u8]) -> Result<Self, LayoutError> {
        let (test, sensor) = layout::whole(1, layout::parameters(message, Self::SERVICE)?, (byte, byte))?;
        Ok(Self { test: TestId(test), sensor })
    }

    /// The result in a response, `45 test sensor value [minimum maximum]`.
    ///
    /// # Errors
    /// The unit refused, answered to something else, or with one limit.
    pub fn result(&self, message: &[u8]) -> Result<OxygenSensorResult, ResponseError> {
        let data = layout::response(message, Self::SERVICE, &[self.test.0, self.sensor])?;
        let (value, limits) = layout::whole(3, data, (byte, rest))?;
        match *limits {
            [] => Ok(OxygenSensorResult { value, limits: None }),
            [minimum, maximum] => Ok(OxygenSensorResult { value, limits: Some((minimum, maximum)) }),
            [_] => Err(LayoutError::Short { expected: 6, found: message.len() }.into()),
            _ => Err(LayoutError::Long { expected: 6, found: message.len() }.into()),
        }
    }

    /// Adds the mask in a response to a request for 00, 20 .. E0: `45 test sensor` and four bytes.
    ///
    /// # Errors
    /// The unit refused, answered to something else, or the identifier asks for no mask.
    pub fn add_support(&self, message: &[u8], to: &mut SupportMask) -> Result<(), ResponseError> {
        if !is_support_mask(self.test.0) {
            return Err(LayoutError::Value { offset: 1, found: self.test.0 }.into());
        }
        let data = layout::response(message, Self::SERVICE, &[self.test.0, self.sensor])?;
        to.add(self.test.0, layout::whole(3, data, be_u32.map(u32::to_be_bytes))?);
        Ok(())
    }
}

impl Emit for ReadOxygenSensorResults {
    fn write(&self, to: &mut Writer<'_>) {
        to.bytes(&[Self::SERVICE.0, self.test.0, self.sensor]);
    }
}

/// Test result of an oxygen sensor.
#[derive(Clone, Copy, PartialEq, Eq, Debug)]
pub struct OxygenSensorResult {
    /// As it was measured; of tests 01 to 04 in 0.005 V.
    pub value: u8,
    /// Least and most that pass; constants come without.
    pub limits: Option<(u8, u8)>,
}

impl OxygenSensorResult {
    /// Whether the value lies within its limits; `None` if it has none.
    pub fn has_passed(&self) -> Option<bool> {
        self.limits.map(|(minimum, maximum)| (minimum..=maximum).contains(&self.value))
    }
}

#[cfg(test)]
mod tests {
    use std::vec::Vec;

    use proptest::prelude::*;

    use super::*;

    fn result(unit: u8, value: u16, minimum: u16, maximum: u16) -> MonitorResult {
        let (monitor, test, unit) = (MonitorId(1), TestId(0x83), UnitAndScaling(unit));
        MonitorResult { monitor, test, unit, value, minimum, maximum }
    }

    /// SAE J1979, from memory: numbers of unit-and-scaling 80 and above are two's complement.
    #[test]
    fn limits_are_included_and_signs_kept() {
        assert!(result(0x0A, 0x0300, 0x0100, 0x0300).has_passed());
        assert!(!result(0x0A, 0x0301, 0x0100, 0x0300).has_passed());
        assert!(!result(0x0A, 0xFFFF, 0xFF00, 0x0100).has_passed());
        assert!(result(0x8A, 0xFFFF, 0xFF00, 0x0100).has_passed());
        let at_least = ComponentResult { test: TestId(1), component: 2, is_minimum: true, value: 9, limit: 9 };
        assert!(at_least.has_passed() && !ComponentResult { value: 8, ..at_least }.has_passed());
        assert!(!ComponentResult { is_minimum: false, value: 10, ..at_least }.has_passed());
    }

    #[test]
    fn a_mask_may_have_a_filler_in_front() {
        let read = ReadMonitorResults { id: 0x00 };
        let (mut on_can, mut on_k_line) = (SupportMask::default(), SupportMask::default());
        read.add_support(&[0x46, 0x00, 0xC0, 0, 0, 0x01], &mut on_can).unwrap();
        read.add_support(&[0x46, 0x00, 0xFF, 0xC0, 0, 0, 0x01], &mut on_k_line).unwrap();
        assert_eq!(on_can, on_k_line);
        assert!(on_can.iter().eq([0x01, 0x02, 0x20]));
        let short = LayoutError::Short { expected: 6, found: 4 };
        assert_eq!(read.add_support(&[0x46, 0x00, 0xC0, 0], &mut on_can), Err(short.into()));
        let no_mask = LayoutError::Value { offset: 1, found: 0x01 };
        assert_eq!(
            ReadMonitorResults { id: 0x01 }.add_support(&[0x46, 0x01, 0, 0, 0, 0], &mut on_can),
            Err(no_mask.into())
        );
    }

    #[test]
    fn results_of_another_monitor_or_cut_ones_are_no_answer() {
        let read = ReadMonitorResults { id: 0x01 };
        let mut message = [0x46, 0x01, 0x83, 0x0A, 2, 0x58, 1, 0, 3, 0, 0x02, 0x83, 0x0A, 2, 0x58, 1, 0, 3, 0];
        let other = LayoutError::Byte { offset: 10, expected: 1, found: 2 };
        assert_eq!(read.results_on_can(&message), Err(other.into()));
        message[10] = 0x01;
        assert_eq!(read.results_on_can(&message).map(|results| results.iter().len()), Ok(2));
        let cut = LayoutError::Short { expected: 19, found: 18 };
        assert_eq!(read.results_on_can(&message[..18]), Err(cut.into()));
        assert_eq!(read.results_on_can(&[0x46]), Err(LayoutError::Short { expected: 10, found: 1 }.into()));
    }

    #[test]
    fn an_oxygen_sensor_has_two_limits_or_none() {
        let read = ReadOxygenSensorResults { test: TestId(0x01), sensor: 0x01 };
        let limits = |answer: &[u8]| read.result(answer).map(|result| (result.limits, result.has_passed()));
        assert_eq!(limits(&[0x45, 0x01, 0x01, 0x5A]), Ok((None, None)));
        assert_eq!(limits(&[0x45, 0x01, 0x01, 0x5A, 0x00, 0x5A]), Ok((Some((0, 0x5A)), Some(true))));
        assert_eq!(limits(&[0x45, 0x01, 0x01, 0x5A, 0]), Err(LayoutError::Short { expected: 6, found: 5 }.into()));
    }

    proptest! {
        #[test]
        fn requests_and_results_are_read_back(
            id: u8,
            test: u8,
            results in proptest::collection::vec((any::<u8>(), any::<u8>(), any::<[u16; 3]>()), 1..8),
            (component, is_minimum, value, limit) in (0..0x80u8, any::<bool>(), any::<u16>(), any::<u16>()),
        ) {
            let mut buffer = [0; 80];
            let read = ReadMonitorResults { id };
            prop_assert_eq!(ReadMonitorResults::parse(read.emit(&mut buffer).unwrap()), Ok(read));
            let results: Vec<_> = results
                .into_iter()
                .map(|(test, unit, [value, minimum, maximum])| {
                    let (monitor, test, unit) = (MonitorId(id), TestId(test), UnitAndScaling(unit));
                    MonitorResult { monitor, test, unit, value, minimum, maximum }
                })
                .collect();
            let message = results.emit(&mut buffer).unwrap();
            prop_assert!(read.results_on_can(message).unwrap().iter().eq(results.iter().copied()));
            let component = ComponentResult { test: TestId(id), component, is_minimum, value, limit };
            let message = component.emit(&mut buffer).unwrap();
            prop_assert_eq!(message.len(), 7);
            prop_assert_eq!(read.result_on_k_line(message), Ok(component));
            let oxygen = ReadOxygenSensorResults { test: TestId(test), sensor: id };
            prop_assert_eq!(ReadOxygenSensorResults::parse(oxygen.emit(&mut buffer).unwrap()), Ok(oxygen));
        }

        #[test]
        fn no_bytes_make_it_panic(id: u8, message: Vec<u8>) {
            let (read, mut mask) = (ReadMonitorResults { id }, SupportMask::default());
            let _ = read.results_on_can(&message).map(|results| results.iter().filter(MonitorResult::has_passed).count());
            let _ = read.result_on_k_line(&message).map(|result| result.has_passed());
            let _ = read.add_support(&message, &mut mask);
            let oxygen = ReadOxygenSensorResults { test: TestId(id), sensor: 1 };
            let _ = oxygen.result(&message).map(|result| result.has_passed());
            let _ = oxygen.add_support(&message, &mut mask);
        }
    }
}
