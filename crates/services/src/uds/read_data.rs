//! Reading by identifier: 22, and what a unit sends on its own: 2A.

use nom::combinator::success;

use super::identifiers::{DataIdentifier, PeriodicIdentifier};
use crate::ServiceId;
use crate::layout::{self, Emit, LayoutError, ResponseError, Writer};
use crate::records::{Length, Records};

/// Asks for records: `22 id..`. How many at once the unit decides; it leaves out what it does not have, as long as it
/// has one of them (notes on ISO 14229-1:2013 10.2).
///
/// Nothing in the answer says where a record ends: the caller knows how long each is.
///
/// ```
/// use tickover_services::Emit;
/// use tickover_services::uds::{DataIdentifier, ReadDataByIdentifier};
///
/// let (a, b) = (DataIdentifier(0x010A), DataIdentifier(0x0110));
/// let ids = [a, b];
/// let read = ReadDataByIdentifier::new(&ids).unwrap();
/// assert_eq!(read.emit(&mut [0; 8]).unwrap(), [0x22, 0x01, 0x0A, 0x01, 0x10]);
/// let answer = [0x62, 0x01, 0x0A, 0xA6, 0x66, 0x01, 0x10, 0x8C];
/// let mut records = read.records(&answer, |id| Some(if id == a { 2 } else { 1 }))?;
/// assert_eq!(records.next().unwrap()?.data, [0xA6, 0x66]);
/// assert_eq!(records.next().unwrap()?.data, [0x8C]);
/// # Ok::<(), tickover_services::ResponseError>(())
/// ```
#[derive(Clone, Copy, PartialEq, Eq, Debug)]
pub struct ReadDataByIdentifier<'i> {
    ids: &'i [DataIdentifier],
}

impl<'i> ReadDataByIdentifier<'i> {
    /// 22.
    pub const SERVICE: ServiceId = ServiceId::READ_DATA_BY_IDENTIFIER;

    /// `None` without an identifier.
    pub const fn new(ids: &'i [DataIdentifier]) -> Option<Self> {
        if ids.is_empty() { None } else { Some(Self { ids }) }
    }

    /// Reads a request.
    ///
    /// # Errors
    /// Another service, no identifier, or not whole ones.
    pub fn parse(message: &[u8]) -> Result<impl ExactSizeIterator<Item = DataIdentifier> + Clone + '_, LayoutError> {
        let (ids, odd) = layout::parameters(message, Self::SERVICE)?.as_chunks::<2>();
        let found = message.len();
        match (ids.len(), odd) {
            (0, _) => Err(LayoutError::Short { expected: 3, found }),
            (_, []) => Ok(ids.iter().map(|id| DataIdentifier::from(*id))),
            _ => Err(LayoutError::Short { expected: found + 1, found }),
        }
    }

    /// The records in a response. `length` gives the bytes of one; a record that was asked for alone may have any
    /// length.
    ///
    /// # Errors
    /// The unit refused, or answered to something else. An item is an error, the last one, if its identifier was not
    /// asked for or its length is not known, or if the message ends inside it.
    pub fn records<'a, L>(
        &self,
        message: &'a [u8],
        length: L,
    ) -> Result<impl Iterator<Item = Result<DataRecord<'a>, LayoutError>> + use<'a, 'i, L>, ResponseError>
    where
        L: Fn(DataIdentifier) -> Option<usize>,
    {
        let mut rest = Records::new(layout::response(message, Self::SERVICE, &[])?, 1);
        let asked = self.ids;
        Ok(core::iter::from_fn(move || {
            let record = rest.next(|id| match length(DataIdentifier::from(id)) {
                _ if !asked.contains(&DataIdentifier::from(id)) => Length::Unknown,
                Some(bytes) => Length::Bytes(bytes),
                None if asked.len() == 1 => Length::Rest,
                None => Length::Unknown,
            })?;
            Some(record.map(|(id, data)| DataRecord { id: DataIdentifier::from(id), data }))
        }))
    }
}

impl Emit for ReadDataByIdentifier<'_> {
    fn write(&self, to: &mut Writer<'_>) {
        to.bytes(&[Self::SERVICE.0]);
        self.ids.iter().for_each(|id| to.bytes(&id.to_bytes()));
    }
}

/// One record of a response.
#[derive(Clone, Copy, PartialEq, Eq, Debug)]
pub struct DataRecord<'a> {
    /// Which.
    pub id: DataIdentifier,
    /// Its bytes.
    pub data: &'a [u8],
}

/// The unit's answer: `62 {id data}..`, without what it does not have.
#[derive(Clone, Copy, PartialEq, Eq, Debug)]
pub struct RecordReport<'a>(pub &'a [DataRecord<'a>]);

impl Emit for RecordReport<'_> {
    fn write(&self, to: &mut Writer<'_>) {
        to.bytes(&[ReadDataByIdentifier::SERVICE.response().0]);
        for record in self.0 {
            to.bytes(&record.id.to_bytes());
            to.bytes(record.data);
        }
    }
}

/// How often a unit sends a record on its own (notes on ISO 14229-1:2020 table C.10).
#[derive(Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash, Debug)]
pub struct TransmissionMode(pub u8);

impl TransmissionMode {
    /// As slowly as the maker says.
    pub const SLOW: Self = Self(0x01);
    /// In between.
    pub const MEDIUM: Self = Self(0x02);
    /// As fast as the maker says.
    pub const FAST: Self = Self(0x03);
    /// No longer; without an identifier nothing at all.
    pub const STOP: Self = Self(0x04);
}

/// Makes the unit send records on its own: `2A mode id..`. It goes on until stopped, or until the session ends.
///
/// ```
/// use tickover_services::Emit;
/// use tickover_services::uds::{PeriodicIdentifier, ReadDataByPeriodicIdentifier, TransmissionMode};
///
/// let ids = [PeriodicIdentifier(0x01)];
/// let fast = ReadDataByPeriodicIdentifier { mode: TransmissionMode::FAST, ids: &ids };
/// assert_eq!(fast.emit(&mut [0; 8]).unwrap(), [0x2A, 0x03, 0x01]);
/// fast.check(&[0x6A])?;
/// # Ok::<(), tickover_services::ResponseError>(())
/// ```
#[derive(Clone, Copy, PartialEq, Eq, Debug)]
pub struct ReadDataByPeriodicIdentifier<'i> {
    /// How often.
    pub mode: TransmissionMode,
    /// Which.
    pub ids: &'i [PeriodicIdentifier],
}

impl ReadDataByPeriodicIdentifier<'_> {
    /// 2A.
    pub const SERVICE: ServiceId = ServiceId::READ_DATA_BY_PERIODIC_IDENTIFIER;

    /// Reads a request.
    ///
    /// # Errors
    /// Another service, no mode, or no identifier where the mode is another than "stop".
    pub fn parse(
        message: &[u8],
    ) -> Result<(TransmissionMode, impl ExactSizeIterator<Item = PeriodicIdentifier> + Clone + '_), LayoutError> {
        match layout::parameters(message, Self::SERVICE)? {
            [mode, ids @ ..] if !ids.is_empty() || TransmissionMode(*mode) == TransmissionMode::STOP => {
                Ok((TransmissionMode(*mode), ids.iter().map(|id| PeriodicIdentifier(*id))))
            }
            parameters => {
                Err(LayoutError::Short { expected: if parameters.is_empty() { 2 } else { 3 }, found: message.len() })
            }
        }
    }

    /// Checks the response, which has nothing after its service identifier; the records come on their own.
    ///
    /// # Errors
    /// The unit refused, or answered to something else.
    pub fn check(&self, message: &[u8]) -> Result<(), ResponseError> {
        Ok(layout::whole(1, layout::response(message, Self::SERVICE, &[])?, success(()))?)
    }
}

impl Emit for ReadDataByPeriodicIdentifier<'_> {
    fn write(&self, to: &mut Writer<'_>) {
        to.bytes(&[Self::SERVICE.0, self.mode.0]);
        self.ids.iter().for_each(|id| to.bytes(&[id.0]));
    }
}

/// What a frame carries that a unit sends on its own: `id data..` without service or length, in a CAN identifier of its
/// own (ISO 14229-3:2012 6.4.3.4).
#[derive(Clone, Copy, PartialEq, Eq, Debug)]
pub struct PeriodicData<'a> {
    /// Which record.
    pub id: PeriodicIdentifier,
    /// Its bytes, up to seven in a classic frame.
    pub data: &'a [u8],
}

impl<'a> PeriodicData<'a> {
    /// Reads the data of a frame.
    ///
    /// # Errors
    /// A frame without data.
    pub fn parse(frame: &'a [u8]) -> Result<Self, LayoutError> {
        let (id, data) = frame.split_first().ok_or(LayoutError::Short { expected: 1, found: 0 })?;
        Ok(Self { id: PeriodicIdentifier(*id), data })
    }
}

impl Emit for PeriodicData<'_> {
    fn write(&self, to: &mut Writer<'_>) {
        to.bytes(&[self.id.0]);
        to.bytes(self.data);
    }
}

#[cfg(test)]
mod tests {
    use std::vec::Vec;

    use proptest::prelude::*;

    use super::*;

    #[test]
    fn a_request_has_whole_identifiers() {
        let count = |message: &[u8]| ReadDataByIdentifier::parse(message).map(|ids| ids.len());
        assert_eq!(count(&[0x22]), Err(LayoutError::Short { expected: 3, found: 1 }));
        assert_eq!(count(&[0x22, 0xF1]), Err(LayoutError::Short { expected: 3, found: 2 }));
        assert_eq!(count(&[0x22, 0xF1, 0x90, 0xF1]), Err(LayoutError::Short { expected: 5, found: 4 }));
        assert_eq!(count(&[0x22, 0xF1, 0x90, 0xF1, 0x91]), Ok(2));
        assert_eq!(ReadDataByIdentifier::new(&[]), None);
    }

    #[test]
    fn what_was_not_asked_for_ends_the_answer() {
        let ids = [DataIdentifier(0x010A), DataIdentifier(0x0110)];
        let read = ReadDataByIdentifier::new(&ids).unwrap();
        let found: Vec<_> = read.records(&[0x62, 0x01, 0x0A, 7, 0x01, 0x11, 8], |_| Some(1)).unwrap().collect();
        let record = DataRecord { id: DataIdentifier(0x010A), data: &[7] };
        assert_eq!(found, [Ok(record), Err(LayoutError::Value { offset: 4, found: 0x01 })]);
        let cut: Vec<_> = read.records(&[0x62, 0x01], |_| Some(1)).unwrap().collect();
        assert_eq!(cut, [Err(LayoutError::Short { expected: 3, found: 2 })]);
    }

    /// Notes on ISO 14229-1:2020 C.10: without an identifier only "stop" has a meaning, of all.
    #[test]
    fn only_stopping_needs_no_identifier() {
        let parse = |message: &[u8]| ReadDataByPeriodicIdentifier::parse(message).map(|(mode, ids)| (mode, ids.len()));
        assert_eq!(parse(&[0x2A, 0x04]), Ok((TransmissionMode::STOP, 0)));
        assert_eq!(parse(&[0x2A, 0x01]), Err(LayoutError::Short { expected: 3, found: 2 }));
        assert_eq!(parse(&[0x2A]), Err(LayoutError::Short { expected: 2, found: 1 }));
        assert_eq!(PeriodicData::parse(&[]), Err(LayoutError::Short { expected: 1, found: 0 }));
    }

    proptest! {
        #[test]
        fn requests_and_answers_are_read_back(
            values in proptest::collection::btree_map(any::<u16>(), proptest::collection::vec(any::<u8>(), 0..9), 1..8),
            left_out in 0..8usize,
        ) {
            let ids: Vec<_> = values.keys().map(|id| DataIdentifier(*id)).collect();
            let read = ReadDataByIdentifier::new(&ids).unwrap();
            let mut buffer = [0; 120];
            prop_assert!(ReadDataByIdentifier::parse(read.emit(&mut buffer).unwrap()).unwrap().eq(ids.iter().copied()));
            let all = values.iter().enumerate().filter(|(i, _)| *i != left_out).rev();
            let sent: Vec<_> = all.map(|(_, (id, data))| DataRecord { id: DataIdentifier(*id), data }).collect();
            let message = RecordReport(&sent).emit(&mut buffer).unwrap();
            let length = |id: DataIdentifier| values.get(&id.0).map(Vec::len);
            prop_assert!(read.records(message, length).unwrap().eq(sent.iter().copied().map(Ok)));
        }

        #[test]
        fn periodic_requests_and_frames_are_read_back(mode: u8, ids in proptest::collection::vec(any::<u8>(), 1..8)) {
            let (mode, ids) = (TransmissionMode(mode), ids.into_iter().map(PeriodicIdentifier).collect::<Vec<_>>());
            let mut buffer = [0; 16];
            let request = ReadDataByPeriodicIdentifier { mode, ids: &ids };
            let (found, read) = ReadDataByPeriodicIdentifier::parse(request.emit(&mut buffer).unwrap()).unwrap();
            prop_assert_eq!(found, mode);
            prop_assert!(read.eq(ids.iter().copied()));
            let data = PeriodicData { id: ids[0], data: &[1, 2, 3] };
            prop_assert_eq!(PeriodicData::parse(data.emit(&mut buffer).unwrap()), Ok(data));
        }

        #[test]
        fn no_bytes_make_it_panic_or_loop(request: Vec<u8>, message: Vec<u8>, length in any::<Option<usize>>()) {
            let _ = ReadDataByPeriodicIdentifier::parse(&request).map(|(_, ids)| ids.len());
            let ids: Vec<_> = ReadDataByIdentifier::parse(&request).into_iter().flatten().collect();
            if let Some(records) = ReadDataByIdentifier::new(&ids).and_then(|read| read.records(&message, |_| length).ok()) {
                prop_assert!(records.count() <= message.len());
            }
        }
    }
}
