//! What the vehicle is: 09.

use core::fmt;
use core::iter::FusedIterator;

use nom::Parser;
use nom::combinator::rest;
use nom::number::streaming::{be_u32, u8 as byte};
use thiserror::Error;

use super::identifiers::{InfoType, is_support_mask};
use super::support::SupportMask;
use crate::ServiceId;
use crate::layout::{self, BufferTooSmall, Emit, LayoutError, ResponseError, Writer};

/// Asks for information about the vehicle: `09 type`.
///
/// ```
/// use tickover_services::obd::{InfoType, ReadVehicleInformation, Vin};
///
/// let read = ReadVehicleInformation { info: InfoType::VIN };
/// let answer = *b"\x49\x02\x01BRAMBLE62HILLCLMB";
/// let vin = read.on_can(&answer)?.vin().unwrap();
/// assert_eq!(vin.to_string(), "BRAMBLE62HILLCLMB");
/// # Ok::<(), tickover_services::ResponseError>(())
/// ```
#[derive(Clone, Copy, PartialEq, Eq, Debug)]
pub struct ReadVehicleInformation {
    /// What.
    pub info: InfoType,
}

impl ReadVehicleInformation {
    /// 09.
    pub const SERVICE: ServiceId = ServiceId::VEHICLE_INFORMATION;

    /// Reads a request for one type.
    ///
    /// # Errors
    /// Another service, no type, or more than one.
    pub fn parse(message: &[u8]) -> Result<Self, LayoutError> {
        let info = layout::whole(1, layout::parameters(message, Self::SERVICE)?, byte)?;
        Ok(Self { info: InfoType(info) })
    }

    /// The information in a response on CAN, `49 type count data..` (count from memory).
    ///
    /// # Errors
    /// The unit refused, answered to something else, or with other than `count` items, where their length is known.
    pub fn on_can<'a>(&self, message: &'a [u8]) -> Result<VehicleInformation<'a>, ResponseError> {
        let data = layout::response(message, Self::SERVICE, &[self.info.0])?;
        let (count, data) = layout::whole(2, data, (byte, rest))?;
        if let Some(len) = self.info.item_len() {
            let (expected, found) = (3 + usize::from(count) * len, message.len());
            match data.len().cmp(&(usize::from(count) * len)) {
                core::cmp::Ordering::Less => return Err(LayoutError::Short { expected, found }.into()),
                core::cmp::Ordering::Greater => return Err(LayoutError::Long { expected, found }.into()),
                core::cmp::Ordering::Equal => {}
            }
        }
        Ok(VehicleInformation { info: self.info, data })
    }

    /// The number in a response on the K-line to 01, 03, 05, 07 or 09: how many messages the next type's answer has.
    ///
    /// # Errors
    /// The unit refused, answered to something else, or not with one byte.
    pub fn message_count(&self, message: &[u8]) -> Result<u8, ResponseError> {
        Ok(layout::whole(2, layout::response(message, Self::SERVICE, &[self.info.0])?, byte)?)
    }

    /// Adds the mask in a response to a request for 00, 20 .. E0: `49 type` and four bytes; on the K-line the number of
    /// the message stands between them (from memory).
    ///
    /// # Errors
    /// The unit refused, answered to something else, or the type asks for no mask.
    pub fn add_support(&self, message: &[u8], to: &mut SupportMask) -> Result<(), ResponseError> {
        if !is_support_mask(self.info.0) {
            return Err(LayoutError::Value { offset: 1, found: self.info.0 }.into());
        }
        let data = layout::response(message, Self::SERVICE, &[self.info.0])?;
        let data = if let [InformationMessages::FIRST, mask @ ..] = data
            && mask.len() == 4
        {
            mask
        } else {
            data
        };
        to.add(self.info.0, layout::whole(2, data, be_u32.map(u32::to_be_bytes))?);
        Ok(())
    }
}

impl Emit for ReadVehicleInformation {
    fn write(&self, to: &mut Writer<'_>) {
        to.bytes(&[Self::SERVICE.0, self.info.0]);
    }
}

/// Puts an answer together that came on the K-line in messages of four bytes each: `49 type number data` (an
/// encyclopaedia's table of SAE J1979).
///
/// ```
/// use tickover_services::obd::{InfoType, InformationMessages};
///
/// let mut buffer = [0; 20];
/// let mut answer = InformationMessages::new(InfoType::CALIBRATION_VERIFICATION, &mut buffer);
/// answer.push(&[0x49, 0x06, 0x01, 0x12, 0x34, 0x56, 0x78])?;
/// assert!(answer.information().verification_numbers().eq([0x1234_5678]));
/// # Ok::<(), tickover_services::obd::vehicle_information::MessageError>(())
/// ```
#[derive(Debug)]
pub struct InformationMessages<'b> {
    info: InfoType,
    buffer: &'b mut [u8],
    filled: usize,
    next: u8,
}

impl<'b> InformationMessages<'b> {
    const FIRST: u8 = 1;
    const LEN: usize = 4;

    /// Begins an answer in the caller's buffer.
    pub const fn new(info: InfoType, buffer: &'b mut [u8]) -> Self {
        Self { info, buffer, filled: 0, next: Self::FIRST }
    }

    /// Takes the next message; a mistake leaves what is there as it was.
    ///
    /// # Errors
    /// [`Response`](MessageError::Response) if the message is no part of this answer or not the next one,
    /// [`Full`](MessageError::Full) if the buffer cannot hold it.
    pub fn push(&mut self, message: &[u8]) -> Result<(), MessageError> {
        let data = layout::response(message, ReadVehicleInformation::SERVICE, &[self.info.0, self.next])?;
        let data = layout::whole(3, data, nom::bytes::streaming::take(Self::LEN)).map_err(ResponseError::from)?;
        let (room, needed) = (self.buffer.len(), self.filled.saturating_add(data.len()));
        let place = self.buffer.get_mut(self.filled..needed).ok_or(BufferTooSmall { needed, room })?;
        place.copy_from_slice(data);
        self.filled = needed;
        self.next = self.next.wrapping_add(1);
        Ok(())
    }

    /// How many messages there are so far.
    pub const fn count(&self) -> usize {
        self.filled / Self::LEN
    }

    /// The answer so far.
    pub fn information(&self) -> VehicleInformation<'_> {
        VehicleInformation { info: self.info, data: self.buffer.get(..self.filled).unwrap_or_default() }
    }
}

/// Why a message was not taken.
#[derive(Clone, Copy, PartialEq, Eq, Debug, Error)]
#[non_exhaustive]
pub enum MessageError {
    /// It is no part of this answer.
    #[error(transparent)]
    Response(#[from] ResponseError),
    /// The answer is longer than the buffer.
    #[error(transparent)]
    Full(#[from] BufferTooSmall),
}

/// Information about the vehicle, of either line.
#[derive(Clone, Copy, PartialEq, Eq, Debug)]
pub struct VehicleInformation<'a> {
    /// What it is.
    pub info: InfoType,
    /// Without count or number of messages.
    pub data: &'a [u8],
}

impl<'a> VehicleInformation<'a> {
    /// Its items; without a known length all data are one item. Zeros that fill the first message stand in front of it.
    pub fn items(&self) -> impl FusedIterator<Item = &'a [u8]> + use<'a> {
        let len = self.info.item_len().unwrap_or(self.data.len()).max(1);
        let filler = self.data.len() % len;
        self.data.get(filler..).unwrap_or_default().chunks_exact(len)
    }

    /// The vehicle identification number; `None` if this is something else, or none that can be read.
    pub fn vin(&self) -> Option<Vin> {
        let item = if self.info == InfoType::VIN { self.items().next()? } else { return None };
        Vin::new(item.try_into().ok()?)
    }

    /// Items as text, without the zeros that fill them; `None` in place of one that is no text. Calibration
    /// identifications and names are text.
    pub fn texts(&self) -> impl Iterator<Item = Option<&'a str>> + use<'a> {
        self.items().map(|item| {
            let last = item.iter().rposition(|byte| *byte != 0).map_or(0, |last| last + 1);
            let text = core::str::from_utf8(item.get(..last)?).ok()?;
            text.bytes().all(|byte| matches!(byte, b' '..=b'~')).then_some(text)
        })
    }

    /// Items as numbers of four bytes, most significant byte first: calibration verification numbers.
    pub fn verification_numbers(&self) -> impl Iterator<Item = u32> + use<'a> {
        self.data.as_chunks().0.iter().map(|number| u32::from_be_bytes(*number))
    }

    /// Items as numbers of two bytes: in-use performance counters.
    pub fn counters(&self) -> impl Iterator<Item = u16> + use<'a> {
        self.data.as_chunks().0.iter().map(|number| u16::from_be_bytes(*number))
    }
}

/// Vehicle identification number: 17 letters and digits. Nothing is said about what they mean.
#[derive(Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash, Debug)]
pub struct Vin([u8; 17]);

impl Vin {
    /// `None` if a byte is no letter or digit.
    pub fn new(characters: [u8; 17]) -> Option<Self> {
        characters.iter().all(u8::is_ascii_alphanumeric).then_some(Self(characters))
    }

    /// As text.
    pub fn as_str(&self) -> &str {
        core::str::from_utf8(&self.0).unwrap_or_default()
    }
}

impl fmt::Display for Vin {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str(self.as_str())
    }
}

/// The unit's answer on CAN, `49 type count data..`.
#[derive(Clone, Copy, PartialEq, Eq, Debug)]
pub struct InformationOnCan<'a> {
    info: InfoType,
    count: u8,
    data: &'a [u8],
}

impl<'a> InformationOnCan<'a> {
    /// `None` for data that are no whole items, or more than 255 of them.
    pub fn new(information: VehicleInformation<'a>) -> Option<Self> {
        let VehicleInformation { info, data } = information;
        let len = info.item_len().unwrap_or(data.len()).max(1);
        let count = u8::try_from(data.len() / len).ok()?;
        data.len().is_multiple_of(len).then_some(Self { info, count, data })
    }
}

impl Emit for InformationOnCan<'_> {
    fn write(&self, to: &mut Writer<'_>) {
        to.bytes(&[ReadVehicleInformation::SERVICE.response().0, self.info.0, self.count]);
        to.bytes(self.data);
    }
}

/// One message of the unit's answer on the K-line.
#[derive(Clone, Copy, PartialEq, Eq, Debug)]
pub struct InformationOnKLine {
    info: InfoType,
    number: u8,
    data: [u8; InformationMessages::LEN],
}

impl InformationOnKLine {
    /// All messages, zeros in front where the data do not fill the first one; no more than 255.
    pub fn messages(information: VehicleInformation<'_>) -> impl Iterator<Item = Self> {
        let VehicleInformation { info, data } = information;
        let fill = data.len().next_multiple_of(InformationMessages::LEN) - data.len();
        let (first, rest) =
            data.split_at_checked((InformationMessages::LEN - fill) % InformationMessages::LEN).unwrap_or((data, &[]));
        let padded = (!first.is_empty()).then(|| {
            let mut padded = [0; InformationMessages::LEN];
            padded.iter_mut().rev().zip(first.iter().rev()).for_each(|(to, from)| *to = *from);
            padded
        });
        let whole = rest.as_chunks().0.iter().copied();
        (1..=u8::MAX).zip(padded.into_iter().chain(whole)).map(move |(number, data)| Self { info, number, data })
    }
}

impl Emit for InformationOnKLine {
    fn write(&self, to: &mut Writer<'_>) {
        to.bytes(&[ReadVehicleInformation::SERVICE.response().0, self.info.0, self.number]);
        to.bytes(&self.data);
    }
}

#[cfg(test)]
mod tests {
    use std::string::ToString;
    use std::vec::Vec;

    use proptest::prelude::*;

    use super::*;

    const VIN: &[u8; 17] = b"THISTLE9WORKSHOP1";

    /// SAE J1979, an encyclopaedia's table: five messages of four bytes; the arrangement, three zeros in front, is
    /// computed from that.
    #[test]
    fn a_vin_on_the_k_line_has_three_zeros_in_front() {
        let vin = VehicleInformation { info: InfoType::VIN, data: VIN };
        let (mut sent, mut buffer) = ([0; 8], [0; 20]);
        let mut answer = InformationMessages::new(InfoType::VIN, &mut buffer);
        for message in InformationOnKLine::messages(vin) {
            answer.push(message.emit(&mut sent).unwrap()).unwrap();
        }
        assert_eq!(answer.count(), 5);
        assert_eq!(answer.information().data[..4], [0, 0, 0, b'T']);
        assert_eq!(answer.information().vin(), Vin::new(*VIN));
        assert_eq!(answer.information().vin().unwrap().to_string(), "THISTLE9WORKSHOP1");
    }

    #[test]
    fn messages_come_in_their_order() {
        let mut buffer = [0; 4];
        let mut answer = InformationMessages::new(InfoType::VIN, &mut buffer);
        let second = LayoutError::Byte { offset: 2, expected: 1, found: 2 };
        assert_eq!(answer.push(&[0x49, 0x02, 0x02, 1, 2, 3, 4]), Err(MessageError::Response(second.into())));
        answer.push(&[0x49, 0x02, 0x01, 1, 2, 3, 4]).unwrap();
        let full = BufferTooSmall { needed: 8, room: 4 };
        assert_eq!(answer.push(&[0x49, 0x02, 0x02, 1, 2, 3, 4]), Err(MessageError::Full(full)));
        assert_eq!((answer.count(), answer.information().data), (1, &[1, 2, 3, 4][..]));
    }

    #[test]
    fn on_can_count_and_items_must_agree() {
        let read = ReadVehicleInformation { info: InfoType::CALIBRATION_VERIFICATION };
        let numbers = |answer: &[u8]| read.on_can(answer).map(|all| all.verification_numbers().collect::<Vec<_>>());
        assert_eq!(numbers(&[0x49, 0x06, 2, 0, 0, 0, 1, 0, 0, 0, 2]), Ok(std::vec![1, 2]));
        assert_eq!(numbers(&[0x49, 0x06, 2, 0, 0, 0, 1]), Err(LayoutError::Short { expected: 11, found: 7 }.into()));
        assert_eq!(numbers(&[0x49, 0x06, 0, 0]), Err(LayoutError::Long { expected: 3, found: 4 }.into()));
    }

    #[test]
    fn a_mask_of_either_line_is_taken() {
        let read = ReadVehicleInformation { info: InfoType(0x00) };
        let (mut on_can, mut on_k_line) = (SupportMask::default(), SupportMask::default());
        read.add_support(&[0x49, 0x00, 0x55, 0x40, 0x00, 0x00], &mut on_can).unwrap();
        read.add_support(&[0x49, 0x00, 0x01, 0x55, 0x40, 0x00, 0x00], &mut on_k_line).unwrap();
        assert_eq!(on_can, on_k_line);
        assert!(on_can.iter().eq([0x02, 0x04, 0x06, 0x08, 0x0A]));
        assert_eq!(
            read.add_support(&[0x49, 0x00, 0x55], &mut on_can),
            Err(LayoutError::Short { expected: 6, found: 3 }.into())
        );
    }

    #[test]
    fn text_ends_where_its_filler_begins() {
        let data = b"BR62-0417\0\0\0\0\0\0\0BR62\xFF\0\0\0\0\0\0\0\0\0\0\0";
        let ids = VehicleInformation { info: InfoType::CALIBRATION_ID, data };
        assert!(ids.texts().eq([Some("BR62-0417"), None]));
        assert_eq!(VehicleInformation { info: InfoType::VIN, data: &[0; 17] }.vin(), None);
    }

    proptest! {
        #[test]
        fn answers_of_both_lines_are_read_back(
            info in (0..=0x0Fu8).prop_map(InfoType),
            items in 1..4usize,
            seed in proptest::collection::vec(any::<u8>(), 60),
        ) {
            let data = &seed[..items * info.item_len().unwrap_or(5)];
            let information = VehicleInformation { info, data };
            let read = ReadVehicleInformation { info };
            let (mut buffer, mut joined) = ([0; 80], [0; 80]);
            prop_assert_eq!(ReadVehicleInformation::parse(read.emit(&mut buffer).unwrap()), Ok(read));
            let message = InformationOnCan::new(information).unwrap().emit(&mut buffer).unwrap();
            prop_assert_eq!(read.on_can(message), Ok(information));
            let mut answer = InformationMessages::new(info, &mut joined);
            for message in InformationOnKLine::messages(information) {
                let message = message.emit(&mut buffer).unwrap();
                prop_assert_eq!(message.len(), 7);
                answer.push(message).unwrap();
            }
            let (fill, read) = answer.information().data.split_at(answer.count() * 4 - data.len());
            prop_assert_eq!(read, data);
            prop_assert!(fill.iter().all(|byte| *byte == 0));
        }

        #[test]
        fn no_bytes_make_it_panic(info: u8, message: Vec<u8>) {
            let info = InfoType(info);
            let read = ReadVehicleInformation { info };
            if let Ok(all) = read.on_can(&message) {
                let _ = (all.vin(), all.texts().count(), all.verification_numbers().count(), all.counters().count());
            }
            let _ = read.message_count(&message);
            let _ = read.add_support(&message, &mut SupportMask::default());
            let mut buffer = [0; 16];
            let mut answer = InformationMessages::new(info, &mut buffer);
            let _ = answer.push(&message);
            let _ = answer.information().items().count();
            let all = VehicleInformation { info, data: &message };
            prop_assert!(InformationOnKLine::messages(all).count() <= message.len());
        }
    }
}
