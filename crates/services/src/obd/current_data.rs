//! Current data: 01.

use super::Pid;
use crate::ServiceId;
use crate::layout::{self, Emit, LayoutError, ResponseError, Writer};
use crate::records::{Length, Records};

/// Asks for values: `01 pid..`, on CAN up to six identifiers, on the K-line one.
///
/// The answer may have them in any order and leaves out what the unit does not have (SAE J1979, as a tutorial after
/// ISO 15031-5:2015 gives it). Nothing in it says where a value ends: the caller knows how long each is.
///
/// ```
/// use tickover_services::Emit;
/// use tickover_services::obd::{Pid, ReadCurrentData};
///
/// let read = ReadCurrentData::new(&[Pid(0x0C), Pid(0x0D)]).unwrap();
/// assert_eq!(read.emit(&mut [0; 8]).unwrap(), [0x01, 0x0C, 0x0D]);
/// let length = |pid| match pid {
///     Pid(0x0C) => Some(2),
///     Pid(0x0D) => Some(1),
///     _ => None,
/// };
/// let mut values = read.records(&[0x41, 0x0D, 0x32, 0x0C, 0x1A, 0xF8], length)?;
/// assert_eq!(values.next().unwrap()?.data, [0x32]);
/// assert_eq!(values.next().unwrap()?.data, [0x1A, 0xF8]); // 1726 r/min
/// # Ok::<(), tickover_services::ResponseError>(())
/// ```
#[derive(Clone, Copy, PartialEq, Eq, Debug)]
pub struct ReadCurrentData<'p> {
    pids: &'p [Pid],
}

impl<'p> ReadCurrentData<'p> {
    /// 01.
    pub const SERVICE: ServiceId = ServiceId::CURRENT_DATA;
    /// Most identifiers in one request.
    pub const MOST: usize = 6;

    /// `None` unless there are one to six identifiers.
    pub const fn new(pids: &'p [Pid]) -> Option<Self> {
        match pids.len() {
            1..=Self::MOST => Some(Self { pids }),
            _ => None,
        }
    }

    /// Reads a request.
    ///
    /// # Errors
    /// Another service, no identifier, or more than six.
    pub fn parse(message: &[u8]) -> Result<impl ExactSizeIterator<Item = Pid> + Clone + '_, LayoutError> {
        let pids = layout::parameters(message, Self::SERVICE)?;
        match pids.len() {
            0 => Err(LayoutError::Short { expected: 2, found: message.len() }),
            1..=Self::MOST => Ok(pids.iter().map(|pid| Pid(*pid))),
            _ => Err(LayoutError::Long { expected: 1 + Self::MOST, found: message.len() }),
        }
    }

    /// The values in a response. `length` gives the bytes of one; a value that was asked for alone may have any length.
    ///
    /// # Errors
    /// The unit refused, or answered to something else. An item is an error, the last one, if its identifier was not
    /// asked for or its length is not known, or if the message ends inside it.
    pub fn records<'a, L>(
        &self,
        message: &'a [u8],
        length: L,
    ) -> Result<impl Iterator<Item = Result<PidRecord<'a>, LayoutError>> + use<'a, 'p, L>, ResponseError>
    where
        L: Fn(Pid) -> Option<usize>,
    {
        let mut rest = Records::new(layout::response(message, Self::SERVICE, &[])?, 1);
        let asked = self.pids;
        Ok(core::iter::from_fn(move || {
            let record = rest.next(|[pid]| match length(Pid(pid)) {
                _ if !asked.contains(&Pid(pid)) => Length::Unknown,
                Some(bytes) => Length::Bytes(bytes),
                None if asked.len() == 1 => Length::Rest,
                None => Length::Unknown,
            })?;
            Some(record.map(|([pid], data)| PidRecord { pid: Pid(pid), data }))
        }))
    }
}

impl Emit for ReadCurrentData<'_> {
    fn write(&self, to: &mut Writer<'_>) {
        to.bytes(&[Self::SERVICE.0]);
        self.pids.iter().for_each(|pid| to.bytes(&[pid.0]));
    }
}

/// One value of a response.
#[derive(Clone, Copy, PartialEq, Eq, Debug)]
pub struct PidRecord<'a> {
    /// Which.
    pub pid: Pid,
    /// Its bytes, A first.
    pub data: &'a [u8],
}

/// The unit's answer: `41 {pid data}..`, without what it does not have.
#[derive(Clone, Copy, PartialEq, Eq, Debug)]
pub struct CurrentData<'a>(pub &'a [PidRecord<'a>]);

impl Emit for CurrentData<'_> {
    fn write(&self, to: &mut Writer<'_>) {
        to.bytes(&[ReadCurrentData::SERVICE.response().0]);
        for record in self.0 {
            to.bytes(&[record.pid.0]);
            to.bytes(record.data);
        }
    }
}

#[cfg(test)]
mod tests {
    use std::vec::Vec;

    use proptest::prelude::*;

    use super::*;

    #[test]
    fn one_to_six_identifiers_are_asked_for() {
        let pids = [Pid(0); 7];
        assert_eq!(ReadCurrentData::new(&[]), None);
        assert!(ReadCurrentData::new(&pids[..6]).is_some());
        assert_eq!(ReadCurrentData::new(&pids), None);
        let long = LayoutError::Long { expected: 7, found: 8 };
        assert_eq!(ReadCurrentData::parse(&[1; 8]).map(|pids| pids.len()), Err(long));
        let short = LayoutError::Short { expected: 2, found: 1 };
        assert_eq!(ReadCurrentData::parse(&[1]).map(|pids| pids.len()), Err(short));
    }

    #[test]
    fn what_was_not_asked_for_ends_the_answer() {
        let read = ReadCurrentData::new(&[Pid(0x0C), Pid(0x0D)]).unwrap();
        let found: Vec<_> = read.records(&[0x41, 0x0D, 0x32, 0x0F, 0x40], |_| Some(1)).unwrap().collect();
        assert_eq!(
            found,
            [Ok(PidRecord { pid: Pid(0x0D), data: &[0x32] }), Err(LayoutError::Value { offset: 3, found: 0x0F })]
        );
    }

    #[test]
    fn a_value_cut_short_is_told() {
        let read = ReadCurrentData::new(&[Pid(0x0C)]).unwrap();
        let found: Vec<_> = read.records(&[0x41, 0x0C, 0x1A], |_| Some(2)).unwrap().collect();
        assert_eq!(found, [Err(LayoutError::Short { expected: 4, found: 3 })]);
    }

    #[test]
    fn a_value_asked_for_alone_may_have_any_length() {
        let read = ReadCurrentData::new(&[Pid(0x64)]).unwrap();
        let found: Vec<_> = read.records(&[0x41, 0x64, 1, 2, 3, 4, 5], |_| None).unwrap().collect();
        assert_eq!(found, [Ok(PidRecord { pid: Pid(0x64), data: &[1, 2, 3, 4, 5] })]);
    }

    proptest! {
        #[test]
        fn requests_and_answers_are_read_back(
            values in proptest::collection::btree_map(any::<u8>(), proptest::collection::vec(any::<u8>(), 0..6), 1..=6),
            order in Just((0..6usize).collect::<Vec<_>>()).prop_shuffle(),
            left_out in 0..6usize,
        ) {
            let pids: Vec<Pid> = values.keys().map(|pid| Pid(*pid)).collect();
            let read = ReadCurrentData::new(&pids).unwrap();
            let mut buffer = [0; 64];
            prop_assert!(ReadCurrentData::parse(read.emit(&mut buffer).unwrap()).unwrap().eq(pids.iter().copied()));
            let all: Vec<_> = values.iter().map(|(pid, data)| PidRecord { pid: Pid(*pid), data }).collect();
            let sent: Vec<_> = order.iter().filter(|i| **i != left_out).filter_map(|i| all.get(*i).copied()).collect();
            let message = CurrentData(&sent).emit(&mut buffer).unwrap();
            let length = |pid: Pid| values.get(&pid.0).map(Vec::len);
            prop_assert!(read.records(message, length).unwrap().eq(sent.iter().copied().map(Ok)));
        }

        #[test]
        fn no_bytes_make_it_panic_or_loop(request: Vec<u8>, message: Vec<u8>, length in any::<Option<usize>>()) {
            let _ = ReadCurrentData::parse(&request);
            let pids: Vec<Pid> = request.iter().map(|pid| Pid(*pid)).collect();
            if let Some(records) = ReadCurrentData::new(&pids).and_then(|read| read.records(&message, |_| length).ok()) {
                prop_assert!(records.count() <= message.len());
            }
        }
    }
}
