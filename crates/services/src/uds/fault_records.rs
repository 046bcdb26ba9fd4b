//! What a unit keeps about one fault: 19 with 03, 04 and 06.

use core::iter::FusedIterator;

use nom::combinator::rest;
use nom::number::streaming::u8 as byte;

use super::fault_status::FaultStatus;
use super::faults::{DtcEntry, code_bytes, parameters};
use super::identifiers::DataIdentifier;
use crate::layout::{self, Emit, LayoutError, ResponseError, Writer};
use crate::records::{Length, Records};
use crate::{FaultCode, ServiceId};

/// Length on the line of a fault code with a record's number.
const ENTRY: usize = 4;

/// Asks which snapshots there are: `19 03`.
///
/// ```
/// use tickover_services::uds::ReadDtcSnapshotIdentification;
///
/// let answer = [0x59, 0x03, 0x12, 0x34, 0x56, 0x01, 0x78, 0x9A, 0xBC, 0x01];
/// let snapshots = ReadDtcSnapshotIdentification.snapshots(&answer)?;
/// assert_eq!(snapshots.map(|snapshot| snapshot.record).collect::<Vec<_>>(), [1, 1]);
/// # Ok::<(), tickover_services::ResponseError>(())
/// ```
#[derive(Clone, Copy, PartialEq, Eq, Debug)]
pub struct ReadDtcSnapshotIdentification;

impl ReadDtcSnapshotIdentification {
    /// 19.
    pub const SERVICE: ServiceId = ServiceId::READ_DTC_INFORMATION;
    /// reportDTCSnapshotIdentification.
    pub const SUB_FUNCTION: u8 = 0x03;

    /// The snapshots in a response, `59 03 {code record}..`.
    ///
    /// # Errors
    /// The unit refused, answered to something else, or the message ends inside an entry.
    pub fn snapshots<'a>(
        &self,
        message: &'a [u8],
    ) -> Result<impl ExactSizeIterator<Item = SnapshotOf> + FusedIterator + use<'a>, ResponseError> {
        let data = layout::response(message, Self::SERVICE, &[Self::SUB_FUNCTION])?;
        let (entries, cut) = data.as_chunks::<ENTRY>();
        if !cut.is_empty() {
            let found = message.len();
            return Err(LayoutError::Short { expected: found + ENTRY - cut.len(), found }.into());
        }
        Ok(entries.iter().map(|[high, low, failure_type, record]| SnapshotOf {
            code: FaultCode::from([*high, *low, *failure_type]),
            record: *record,
        }))
    }
}

impl Emit for ReadDtcSnapshotIdentification {
    fn write(&self, to: &mut Writer<'_>) {
        to.bytes(&[Self::SERVICE.0, Self::SUB_FUNCTION]);
    }
}

/// A snapshot that a unit has.
#[derive(Clone, Copy, PartialEq, Eq, Hash, Debug)]
pub struct SnapshotOf {
    /// Of which fault.
    pub code: FaultCode,
    /// Its number.
    pub record: u8,
}

/// Declares a request for what is kept about one fault, by the number of a record.
macro_rules! by_record {
    ($(#[$doc:meta])* $name:ident $sub_function:literal $standard_name:literal) => {
        $(#[$doc])*
        #[derive(Clone, Copy, PartialEq, Eq, Debug)]
        pub struct $name {
            /// Of which fault.
            pub code: FaultCode,
            /// Number of the record; FF is all of them.
            pub record: u8,
        }

        impl $name {
            /// 19.
            pub const SERVICE: ServiceId = ServiceId::READ_DTC_INFORMATION;
            #[doc = concat!($standard_name, ".")]
            pub const SUB_FUNCTION: u8 = $sub_function;

            /// Reads a request.
            ///
            /// # Errors
            /// Another service or sub-function, or not three bytes of code and one of record.
            pub fn parse(message: &[u8]) -> Result<Self, LayoutError> {
                let (high, low, failure_type, record) =
                    layout::whole(2, parameters(message, Self::SUB_FUNCTION)?, (byte, byte, byte, byte))?;
                Ok(Self { code: FaultCode::from([high, low, failure_type]), record })
            }

            /// The state of the fault, and the records behind it, in a response to this request.
            fn kept<'a>(&self, message: &'a [u8]) -> Result<(DtcEntry, Records<'a>), ResponseError> {
                let [high, low, failure_type] = code_bytes(self.code);
                let echo = [Self::SUB_FUNCTION, high, low, failure_type];
                let (status, records) = layout::whole(5, layout::response(message, Self::SERVICE, &echo)?, (byte, rest))?;
                let status = FaultStatus::from_bits_retain(status);
                let code = FaultCode::from([high, low, failure_type]);
                Ok((DtcEntry { code, status }, Records::new(records, 6)))
            }
        }

        impl Emit for $name {
            fn write(&self, to: &mut Writer<'_>) {
                to.bytes(&[Self::SERVICE.0, Self::SUB_FUNCTION]);
                to.bytes(&code_bytes(self.code));
                to.bytes(&[self.record]);
            }
        }
    };
}

by_record! {
    /// Asks for what a unit measured when a fault came: `19 04 code record`.
    ///
    /// ```
    /// use tickover_services::FaultCode;
    /// use tickover_services::uds::ReadDtcSnapshot;
    ///
    /// let read = ReadDtcSnapshot { code: FaultCode::from([0x12, 0x34, 0x56]), record: 0x02 };
    /// let answer = [0x59, 0x04, 0x12, 0x34, 0x56, 0x24, 0x02, 0x01, 0x47, 0x11, 0xA6, 0x66, 0x07, 0x50, 0x20];
    /// let (fault, mut items) = read.items(&answer, |_| Some(5))?;
    /// assert_eq!(fault.status.to_string(), "pending, test failed since the last clear");
    /// assert_eq!(items.next().unwrap()?.data, [0xA6, 0x66, 0x07, 0x50, 0x20]);
    /// # Ok::<(), tickover_services::ResponseError>(())
    /// ```
    ReadDtcSnapshot 0x04 "reportDTCSnapshotRecordByDTCNumber"
}

by_record! {
    /// Asks for what a unit counts about a fault: `19 06 code record`; FE is all that the law asks for.
    ///
    /// ```
    /// use tickover_services::FaultCode;
    /// use tickover_services::uds::ReadDtcExtendedData;
    ///
    /// let read = ReadDtcExtendedData { code: FaultCode::from([0x12, 0x34, 0x56]), record: 0x05 };
    /// let (_, mut records) = read.records(&[0x59, 0x06, 0x12, 0x34, 0x56, 0x24, 0x05, 0x17], |_| Some(1))?;
    /// assert_eq!(records.next().unwrap()?.data, [0x17]);
    /// # Ok::<(), tickover_services::ResponseError>(())
    /// ```
    ReadDtcExtendedData 0x06 "reportDTCExtDataRecordByDTCNumber"
}

impl ReadDtcSnapshot {
    /// State of the fault and the items in a response, `59 04 code status {record count {id data}..}..`. `length` gives
    /// the bytes of one; if nobody knows it, the item ends the message.
    ///
    /// # Errors
    /// The unit refused, or answered to something else. An item is an error, the last one, if the message ends inside
    /// it or a record has fewer items than it counts.
    pub fn items<'a, L>(
        &self,
        message: &'a [u8],
        length: L,
    ) -> Result<(DtcEntry, impl Iterator<Item = Result<SnapshotItem<'a>, LayoutError>> + use<'a, L>), ResponseError>
    where
        L: Fn(DataIdentifier) -> Option<usize>,
    {
        let (fault, mut rest) = self.kept(message)?;
        let (mut record, mut left) = (0, 0);
        let items = core::iter::from_fn(move || {
            while left == 0 {
                match rest.next(|[_]| Length::Bytes(1))? {
                    Ok(([number], count)) => (record, left) = (number, count.first().copied().unwrap_or_default()),
                    Err(error) => return Some(Err(error)),
                }
            }
            let lacking = rest.lacks(DataIdentifier::LEN);
            let item = rest.next(|id| length(DataIdentifier::from(id)).map_or(Length::Rest, Length::Bytes));
            left = if item.is_some() { left - 1 } else { 0 };
            let item = item.unwrap_or(Err(lacking));
            Some(item.map(|(id, data)| SnapshotItem { record, id: DataIdentifier::from(id), data }))
        });
        Ok((fault, items))
    }
}

/// One value of a snapshot.
#[derive(Clone, Copy, PartialEq, Eq, Debug)]
pub struct SnapshotItem<'a> {
    /// Number of the snapshot.
    pub record: u8,
    /// What it is.
    pub id: DataIdentifier,
    /// Its bytes.
    pub data: &'a [u8],
}

impl ReadDtcExtendedData {
    /// State of the fault and the records in a response, `59 06 code status {record data}..`. `length` gives the bytes
    /// of one; if nobody knows it, the record ends the message.
    ///
    /// # Errors
    /// The unit refused, or answered to something else. An item is an error, the last one, if the message ends inside
    /// it.
    pub fn records<'a, L>(
        &self,
        message: &'a [u8],
        length: L,
    ) -> Result<(DtcEntry, impl Iterator<Item = Result<ExtendedRecord<'a>, LayoutError>> + use<'a, L>), ResponseError>
    where
        L: Fn(u8) -> Option<usize>,
    {
        let (fault, mut rest) = self.kept(message)?;
        let records = core::iter::from_fn(move || {
            let record = rest.next(|[number]| length(number).map_or(Length::Rest, Length::Bytes))?;
            Some(record.map(|([record], data)| ExtendedRecord { record, data }))
        });
        Ok((fault, records))
    }
}

/// One record of what is counted about a fault.
#[derive(Clone, Copy, PartialEq, Eq, Debug)]
pub struct ExtendedRecord<'a> {
    /// Its number (notes on ISO 14229-1:2013 table 276): 01 to 8F the maker's, 90 to EF those of the law.
    pub record: u8,
    /// Its bytes.
    pub data: &'a [u8],
}

#[cfg(test)]
mod tests {
    use std::vec::Vec;

    use proptest::prelude::*;

    use super::*;

    const CODE: FaultCode = FaultCode { code: 0x0102, failure_type: Some(0x11) };
    const READ: ReadDtcSnapshot = ReadDtcSnapshot { code: CODE, record: 0xFF };

    #[test]
    fn snapshots_follow_one_another() {
        let answer = [0x59, 0x04, 1, 2, 0x11, 0x08, 1, 2, 0x01, 0x0A, 7, 0x01, 0x10, 8, 2, 0, 3, 1, 0x01, 0x0A, 9];
        let (fault, items) = READ.items(&answer, |_| Some(1)).unwrap();
        assert_eq!(fault, DtcEntry { code: CODE, status: FaultStatus::CONFIRMED });
        let items: Vec<_> = items.map(|item| item.map(|item| (item.record, item.id.0, item.data.to_vec()))).collect();
        let expected = [(1, 0x010A, std::vec![7]), (1, 0x0110, std::vec![8]), (3, 0x010A, std::vec![9])];
        assert_eq!(items, expected.map(Ok));
    }

    #[test]
    fn a_snapshot_with_fewer_items_than_it_counts_is_told() {
        let answer = [0x59, 0x04, 1, 2, 0x11, 0x08, 1, 2, 0x01, 0x0A, 7];
        let items: Vec<_> = READ.items(&answer, |_| Some(1)).unwrap().1.collect();
        assert_eq!(items[1..], [Err(LayoutError::Short { expected: 13, found: 11 })]);
    }

    #[test]
    fn another_fault_is_no_answer() {
        let answer = [0x59, 0x04, 1, 3, 0x11, 0x08];
        let other = LayoutError::Byte { offset: 3, expected: 2, found: 3 };
        assert_eq!(READ.items(&answer, |_| None).map(|_| ()), Err(other.into()));
        let cut = LayoutError::Short { expected: 6, found: 5 };
        assert_eq!(ReadDtcSnapshotIdentification.snapshots(&[0x59, 0x03, 1, 2, 3]).map(|_| ()), Err(cut.into()));
    }

    proptest! {
        #[test]
        fn requests_are_read_back(code: [u8; 3], record: u8) {
            let (code, mut buffer) = (FaultCode::from(code), [0; 6]);
            let snapshot = ReadDtcSnapshot { code, record };
            prop_assert_eq!(ReadDtcSnapshot::parse(snapshot.emit(&mut buffer).unwrap()), Ok(snapshot));
            let extended = ReadDtcExtendedData { code, record };
            prop_assert_eq!(ReadDtcExtendedData::parse(extended.emit(&mut buffer).unwrap()), Ok(extended));
        }

        #[test]
        fn no_bytes_make_it_panic_or_loop(kept: Vec<u8>, message: Vec<u8>, length in any::<Option<usize>>()) {
            for sub_function in [0x03, 0x04, 0x06] {
                let answer = [&[0x59, sub_function, 1, 2, 0x11][..], &kept].concat();
                for message in [&answer, &message] {
                    let _ = ReadDtcSnapshotIdentification.snapshots(message).map(|all| all.len());
                    if let Ok((_, items)) = READ.items(message, |_| length) {
                        prop_assert!(items.count() <= message.len());
                    }
                    let read = ReadDtcExtendedData { code: CODE, record: 0xFF };
                    if let Ok((_, records)) = read.records(message, |_| length) {
                        prop_assert!(records.count() <= message.len());
                    }
                }
            }
        }
    }
}
