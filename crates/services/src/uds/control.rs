//! What changes the unit: writing records (2E), inputs and outputs (2F), routines (31).
//!
//! Mind what moves: an engine that runs, a fan, a throttle. None of these is ever polled, except a routine's results.

use core::fmt;

use nom::combinator::success;

use super::identifiers::DataIdentifier;
use super::sub_function;
use crate::ServiceId;
use crate::layout::{self, Emit, LayoutError, ResponseError, Writer};

/// Writes one record: `2E id data..` (notes on ISO 14229-1:2013 10.7).
///
/// ```
/// use tickover_services::Emit;
/// use tickover_services::uds::{DataIdentifier, WriteDataByIdentifier};
///
/// let write = WriteDataByIdentifier::new(DataIdentifier(0x0110), &[0x8C]).unwrap();
/// assert_eq!(write.emit(&mut [0; 8]).unwrap(), [0x2E, 0x01, 0x10, 0x8C]);
/// write.check(&[0x6E, 0x01, 0x10])?;
/// # Ok::<(), tickover_services::ResponseError>(())
/// ```
#[derive(Clone, Copy, PartialEq, Eq, Debug)]
pub struct WriteDataByIdentifier<'a> {
    id: DataIdentifier,
    data: &'a [u8],
}

impl<'a> WriteDataByIdentifier<'a> {
    /// 2E.
    pub const SERVICE: ServiceId = ServiceId::WRITE_DATA_BY_IDENTIFIER;

    /// `None` without data.
    pub const fn new(id: DataIdentifier, data: &'a [u8]) -> Option<Self> {
        if data.is_empty() { None } else { Some(Self { id, data }) }
    }

    /// Which record.
    pub const fn id(&self) -> DataIdentifier {
        self.id
    }

    /// What to write.
    pub const fn data(&self) -> &'a [u8] {
        self.data
    }

    /// Reads a request.
    ///
    /// # Errors
    /// Another service, no whole identifier, or no data.
    pub fn parse(message: &'a [u8]) -> Result<Self, LayoutError> {
        let short = LayoutError::Short { expected: 4, found: message.len() };
        let (id, data) = layout::parameters(message, Self::SERVICE)?.split_first_chunk::<2>().ok_or(short)?;
        Self::new(DataIdentifier::from(*id), data).ok_or(short)
    }

    /// Checks the response, which repeats the identifier and adds nothing.
    ///
    /// # Errors
    /// The unit refused, or answered to something else.
    pub fn check(&self, message: &[u8]) -> Result<(), ResponseError> {
        let data = layout::response(message, Self::SERVICE, &self.id.to_bytes())?;
        Ok(layout::whole(3, data, success(()))?)
    }
}

impl Emit for WriteDataByIdentifier<'_> {
    fn write(&self, to: &mut Writer<'_>) {
        to.bytes(&[Self::SERVICE.0]);
        to.bytes(&self.id.to_bytes());
        to.bytes(self.data);
    }
}

/// What is done with an input or output (notes on ISO 14229-1:2020 table E.1). Another numbering than ISO 14230-3's:
/// nothing here only reports.
#[derive(Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash, Debug)]
pub struct ControlParameter(pub u8);

impl ControlParameter {
    /// The unit has it again.
    pub const RETURN_CONTROL: Self = Self(0x00);
    /// Its default.
    pub const RESET_TO_DEFAULT: Self = Self(0x01);
    /// It stays as it is.
    pub const FREEZE_CURRENT_STATE: Self = Self(0x02);
    /// The state that follows.
    pub const SHORT_TERM_ADJUSTMENT: Self = Self(0x03);
}

/// Takes an input or output from the unit, or gives it back: `2F id parameter [state..] [mask..]`.
///
/// ```
/// use tickover_services::Emit;
/// use tickover_services::uds::{ControlParameter, DataIdentifier, InputOutputControl};
///
/// let control = ControlParameter::SHORT_TERM_ADJUSTMENT;
/// let adjust = InputOutputControl { id: DataIdentifier(0x9B00), control, state: &[0x3C] };
/// assert_eq!(adjust.emit(&mut [0; 8]).unwrap(), [0x2F, 0x9B, 0x00, 0x03, 0x3C]);
/// assert_eq!(adjust.data(&[0x6F, 0x9B, 0x00, 0x03, 0x0C])?, [0x0C]);
/// # Ok::<(), tickover_services::ResponseError>(())
/// ```
#[derive(Clone, Copy, PartialEq, Eq, Debug)]
pub struct InputOutputControl<'a> {
    /// Which.
    pub id: DataIdentifier,
    /// What is done.
    pub control: ControlParameter,
    /// Its state, as service 22 writes it, and which parts of it are meant: only the maker knows where the one ends.
    pub state: &'a [u8],
}

impl<'a> InputOutputControl<'a> {
    /// 2F.
    pub const SERVICE: ServiceId = ServiceId::INPUT_OUTPUT_CONTROL_BY_IDENTIFIER;

    /// Reads a request.
    ///
    /// # Errors
    /// Another service, no whole identifier, or no parameter.
    pub fn parse(message: &'a [u8]) -> Result<Self, LayoutError> {
        match layout::parameters(message, Self::SERVICE)? {
            [high, low, control, state @ ..] => {
                Ok(Self { id: DataIdentifier::from([*high, *low]), control: ControlParameter(*control), state })
            }
            _ => Err(LayoutError::Short { expected: 4, found: message.len() }),
        }
    }

    /// The state in a response: what stands after `6F id parameter`.
    ///
    /// # Errors
    /// The unit refused, or answered to something else.
    pub fn data<'m>(&self, message: &'m [u8]) -> Result<&'m [u8], ResponseError> {
        let [high, low] = self.id.to_bytes();
        layout::response(message, Self::SERVICE, &[high, low, self.control.0])
    }
}

impl Emit for InputOutputControl<'_> {
    fn write(&self, to: &mut Writer<'_>) {
        to.bytes(&[Self::SERVICE.0]);
        to.bytes(&self.id.to_bytes());
        to.bytes(&[self.control.0]);
        to.bytes(self.state);
    }
}

/// Names a routine of a unit.
#[derive(Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash, Debug)]
pub struct RoutineId(pub u16);

impl RoutineId {
    /// Erases memory.
    pub const ERASE_MEMORY: Self = Self(0xFF00);
    /// Checks whether what was programmed goes together.
    pub const CHECK_PROGRAMMING_DEPENDENCIES: Self = Self(0xFF01);
}

/// Four hex digits.
impl fmt::Display for RoutineId {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        write!(f, "{:04X}", self.0)
    }
}

/// What is done with a routine (notes on ISO 14229-1:2020 table 426).
#[derive(Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash, Debug)]
pub struct RoutineAction(pub u8);

impl RoutineAction {
    /// It begins.
    pub const START: Self = Self(0x01);
    /// It ends.
    pub const STOP: Self = Self(0x02);
    /// What it found; changes nothing.
    pub const RESULTS: Self = Self(0x03);
}

/// Starts or stops a routine, or asks what it found: `31 action id [options..]`.
///
/// ```
/// use tickover_services::uds::{RoutineAction, RoutineControl, RoutineId};
/// use tickover_services::{Effect, Emit, effect};
///
/// let id = RoutineId::CHECK_PROGRAMMING_DEPENDENCIES;
/// let results = RoutineControl { action: RoutineAction::RESULTS, id, options: &[], suppress: false };
/// let mut buffer = [0; 8];
/// let request = results.emit(&mut buffer).unwrap();
/// assert_eq!((request, effect::of_iso14229(request)), (&[0x31, 0x03, 0xFF, 0x01][..], Some(Effect::Reads)));
/// assert_eq!(results.data(&[0x71, 0x03, 0xFF, 0x01, 0x00])?, [0x00]);
/// # Ok::<(), tickover_services::ResponseError>(())
/// ```
#[derive(Clone, Copy, PartialEq, Eq, Debug)]
pub struct RoutineControl<'a> {
    /// What is done.
    pub action: RoutineAction,
    /// With which routine.
    pub id: RoutineId,
    /// What the routine needs; the maker defines it.
    pub options: &'a [u8],
    /// Whether the positive answer is not wanted.
    pub suppress: bool,
}

impl<'a> RoutineControl<'a> {
    /// 31.
    pub const SERVICE: ServiceId = ServiceId::ROUTINE_CONTROL;

    /// Reads a request.
    ///
    /// # Errors
    /// Another service, no action, or no whole identifier.
    pub fn parse(message: &'a [u8]) -> Result<Self, LayoutError> {
        match layout::parameters(message, Self::SERVICE)? {
            [action, high, low, options @ ..] => {
                let (action, suppress) = sub_function::parts(*action);
                let id = RoutineId(u16::from_be_bytes([*high, *low]));
                Ok(Self { action: RoutineAction(action), id, options, suppress })
            }
            _ => Err(LayoutError::Short { expected: 4, found: message.len() }),
        }
    }

    /// What the routine says: the bytes after `71 action id`.
    ///
    /// # Errors
    /// The unit refused, or answered to something else.
    pub fn data<'m>(&self, message: &'m [u8]) -> Result<&'m [u8], ResponseError> {
        let [high, low] = self.id.0.to_be_bytes();
        layout::response(message, Self::SERVICE, &[sub_function::value(self.action.0), high, low])
    }
}

impl Emit for RoutineControl<'_> {
    fn write(&self, to: &mut Writer<'_>) {
        to.bytes(&[Self::SERVICE.0, sub_function::byte(self.action.0, self.suppress)]);
        to.bytes(&self.id.0.to_be_bytes());
        to.bytes(self.options);
    }
}

#[cfg(test)]
mod tests {
    use std::vec::Vec;

    use proptest::prelude::*;

    use super::*;
    use crate::{Effect, effect};

    /// Notes on ISO 14229-1:2013 10.7: at least four bytes.
    #[test]
    fn nothing_is_no_record() {
        assert_eq!(WriteDataByIdentifier::new(DataIdentifier::VIN, &[]), None);
        let short = LayoutError::Short { expected: 4, found: 3 };
        assert_eq!(WriteDataByIdentifier::parse(&[0x2E, 0xF1, 0x90]), Err(short));
        assert_eq!(InputOutputControl::parse(&[0x2F, 0x9B, 0x00]), Err(short));
        assert_eq!(RoutineControl::parse(&[0x31, 0x01, 0xFF]), Err(short));
    }

    #[test]
    fn the_answer_must_be_about_what_was_asked() {
        let (id, action) = (RoutineId(0x0203), RoutineAction::START);
        let start = RoutineControl { action, id, options: &[], suppress: true };
        assert_eq!(start.data(&[0x71, 0x01, 0x02, 0x03]), Ok(&[][..]));
        let other = LayoutError::Byte { offset: 1, expected: 0x01, found: 0x02 };
        assert_eq!(start.data(&[0x71, 0x02, 0x02, 0x03]), Err(other.into()));
        let (id, control) = (DataIdentifier(0x9B00), ControlParameter::RETURN_CONTROL);
        let back = InputOutputControl { id, control, state: &[] };
        let other = LayoutError::Byte { offset: 3, expected: 0x00, found: 0x03 };
        assert_eq!(back.data(&[0x6F, 0x9B, 0x00, 0x03]), Err(other.into()));
    }

    proptest! {
        #[test]
        fn requests_are_read_back_and_none_of_them_reads_but_results(
            id: u16,
            control: u8,
            action in 1..=3u8,
            suppress: bool,
            data in proptest::collection::vec(any::<u8>(), 1..20),
        ) {
            let mut buffer = [0; 40];
            let write = WriteDataByIdentifier::new(DataIdentifier(id), &data).unwrap();
            let message = write.emit(&mut buffer).unwrap();
            prop_assert_eq!((WriteDataByIdentifier::parse(message), effect::of_iso14229(message)), (Ok(write), Some(Effect::Writes)));
            let control = InputOutputControl { id: DataIdentifier(id), control: ControlParameter(control), state: &data };
            let message = control.emit(&mut buffer).unwrap();
            prop_assert_eq!((InputOutputControl::parse(message), effect::of_iso14229(message)), (Ok(control), Some(Effect::Actuates)));
            let routine = RoutineControl { action: RoutineAction(action), id: RoutineId(id), options: &data, suppress };
            let message = routine.emit(&mut buffer).unwrap();
            let expected = if action == 3 { Effect::Reads } else { Effect::Actuates };
            prop_assert_eq!((RoutineControl::parse(message), effect::of_iso14229(message)), (Ok(routine), Some(expected)));
        }

        #[test]
        fn no_bytes_make_it_panic(request: Vec<u8>, message: Vec<u8>) {
            let _ = WriteDataByIdentifier::parse(&request).map(|request| request.check(&message).is_ok());
            let _ = InputOutputControl::parse(&request).map(|request| request.data(&message).is_ok());
            let _ = RoutineControl::parse(&request).map(|request| request.data(&message).is_ok());
        }
    }
}
