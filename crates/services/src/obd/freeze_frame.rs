//! Freeze frames: 02.

use super::Pid;
use crate::layout::{self, Emit, LayoutError, ResponseError, Writer};
use crate::records::{Length, Records};
use crate::{FaultCode, ServiceId};

/// A value of a freeze frame.
#[derive(Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash, Debug)]
pub struct FrozenPid {
    /// Which value.
    pub pid: Pid,
    /// Of which frame; 00 is the one that the law asks for.
    pub frame: u8,
}

/// Asks for what the unit kept when a fault came: `02 {pid frame}..`, on CAN up to three pairs, on the K-line one.
///
/// The answer may have them in any order and leaves out what the unit does not have (SAE J1979, as a tutorial after
/// ISO 15031-5 gives it). The caller knows how long each value is.
///
/// ```
/// use tickover_services::Emit;
/// use tickover_services::obd::{FrozenPid, Pid, ReadFreezeFrame};
///
/// let wanted = [FrozenPid { pid: Pid::FREEZE_FRAME_CAUSE, frame: 0 }];
/// let read = ReadFreezeFrame::new(&wanted).unwrap();
/// assert_eq!(read.emit(&mut [0; 8]).unwrap(), [0x02, 0x02, 0x00]);
/// let answer = [0x42, 0x02, 0x00, 0x01, 0x43];
/// let cause = read.records(&answer, |_| Some(2))?.next().unwrap()?;
/// assert_eq!(cause.cause().unwrap().to_string(), "P0143");
/// # Ok::<(), tickover_services::ResponseError>(())
/// ```
#[derive(Clone, Copy, PartialEq, Eq, Debug)]
pub struct ReadFreezeFrame<'p> {
    wanted: &'p [FrozenPid],
}

impl<'p> ReadFreezeFrame<'p> {
    /// 02.
    pub const SERVICE: ServiceId = ServiceId::FREEZE_FRAME_DATA;
    /// Most pairs in one request.
    pub const MOST: usize = 3;

    /// `None` unless there are one to three pairs.
    pub const fn new(wanted: &'p [FrozenPid]) -> Option<Self> {
        match wanted.len() {
            1..=Self::MOST => Some(Self { wanted }),
            _ => None,
        }
    }

    /// Reads a request.
    ///
    /// # Errors
    /// Another service, no whole pair, or more than three.
    pub fn parse(message: &[u8]) -> Result<impl ExactSizeIterator<Item = FrozenPid> + Clone + '_, LayoutError> {
        let found = message.len();
        let (pairs, odd) = layout::parameters(message, Self::SERVICE)?.as_chunks::<2>();
        match (pairs.len(), odd) {
            (0, _) => Err(LayoutError::Short { expected: 3, found }),
            (1..=Self::MOST, []) => Ok(pairs.iter().map(|[pid, frame]| FrozenPid { pid: Pid(*pid), frame: *frame })),
            (1..Self::MOST, _) => Err(LayoutError::Short { expected: found + 1, found }),
            _ => Err(LayoutError::Long { expected: 1 + 2 * Self::MOST, found }),
        }
    }

    /// The values in a response. `length` gives the bytes of one; a value that was asked for alone may have any length.
    ///
    /// # Errors
    /// The unit refused, or answered to something else. An item is an error, the last one, if it was not asked for or
    /// its length is not known, or if the message ends inside it.
    pub fn records<'a, L>(
        &self,
        message: &'a [u8],
        length: L,
    ) -> Result<impl Iterator<Item = Result<FrozenRecord<'a>, LayoutError>> + use<'a, 'p, L>, ResponseError>
    where
        L: Fn(Pid) -> Option<usize>,
    {
        let mut rest = Records::new(layout::response(message, Self::SERVICE, &[])?, 1);
        let asked = self.wanted;
        Ok(core::iter::from_fn(move || {
            let record = rest.next(|[pid, frame]| match length(Pid(pid)) {
                _ if !asked.contains(&FrozenPid { pid: Pid(pid), frame }) => Length::Unknown,
                Some(bytes) => Length::Bytes(bytes),
                None if asked.len() == 1 => Length::Rest,
                None => Length::Unknown,
            })?;
            Some(record.map(|([pid, frame], data)| FrozenRecord { of: FrozenPid { pid: Pid(pid), frame }, data }))
        }))
    }
}

impl Emit for ReadFreezeFrame<'_> {
    fn write(&self, to: &mut Writer<'_>) {
        to.bytes(&[Self::SERVICE.0]);
        self.wanted.iter().for_each(|FrozenPid { pid, frame }| to.bytes(&[pid.0, *frame]));
    }
}

/// One value of a freeze frame in a response.
#[derive(Clone, Copy, PartialEq, Eq, Debug)]
pub struct FrozenRecord<'a> {
    /// Which value of which frame.
    pub of: FrozenPid,
    /// Its bytes, A first.
    pub data: &'a [u8],
}

impl FrozenRecord<'_> {
    /// The fault code that the frame belongs to; `None` if this is another value, or if there is no frame (0000).
    pub fn cause(&self) -> Option<FaultCode> {
        match *self.data {
            [0, 0] => None,
            [high, low] if self.of.pid == Pid::FREEZE_FRAME_CAUSE => Some(FaultCode::from([high, low])),
            _ => None,
        }
    }
}

/// The unit's answer: `42 {pid frame data}..`, without what it does not have.
#[derive(Clone, Copy, PartialEq, Eq, Debug)]
pub struct FreezeFrame<'a>(pub &'a [FrozenRecord<'a>]);

impl Emit for FreezeFrame<'_> {
    fn write(&self, to: &mut Writer<'_>) {
        to.bytes(&[ReadFreezeFrame::SERVICE.response().0]);
        for FrozenRecord { of: FrozenPid { pid, frame }, data } in self.0 {
            to.bytes(&[pid.0, *frame]);
            to.bytes(data);
        }
    }
}

#[cfg(test)]
mod tests {
    use std::vec::Vec;

    use proptest::prelude::*;

    use super::*;

    #[test]
    fn a_request_has_one_to_three_whole_pairs() {
        let count = |message: &[u8]| ReadFreezeFrame::parse(message).map(|pairs| pairs.len());
        assert_eq!(count(&[2]), Err(LayoutError::Short { expected: 3, found: 1 }));
        assert_eq!(count(&[2, 0x0C]), Err(LayoutError::Short { expected: 3, found: 2 }));
        assert_eq!(count(&[2, 0x0C, 0, 0x0D]), Err(LayoutError::Short { expected: 5, found: 4 }));
        assert_eq!(count(&[2, 0x0C, 0, 0x0D, 0, 0x05, 0]), Ok(3));
        assert_eq!(count(&[2, 0x0C, 0, 0x0D, 0, 0x05, 0, 0x04]), Err(LayoutError::Long { expected: 7, found: 8 }));
        assert_eq!(ReadFreezeFrame::new(&[FrozenPid { pid: Pid(0), frame: 0 }; 4]), None);
    }

    /// SAE J1979, as a tutorial after ISO 15031-5 gives it: PID 02 is 0000 where no frame is stored.
    #[test]
    fn no_frame_has_no_cause() {
        let of = FrozenPid { pid: Pid::FREEZE_FRAME_CAUSE, frame: 0 };
        assert_eq!(FrozenRecord { of, data: &[0, 0] }.cause(), None);
        assert_eq!(FrozenRecord { of, data: &[0x01, 0x43] }.cause(), Some(FaultCode::from([0x01, 0x43])));
        let speed = FrozenPid { pid: Pid(0x0C), frame: 0 };
        assert_eq!(FrozenRecord { of: speed, data: &[0x01, 0x43] }.cause(), None);
    }

    #[test]
    fn another_frame_is_no_answer() {
        let read = ReadFreezeFrame::new(&[FrozenPid { pid: Pid(0x0C), frame: 0 }]).unwrap();
        let found: Vec<_> = read.records(&[0x42, 0x0C, 0x01, 0x1A, 0xF8], |_| Some(2)).unwrap().collect();
        assert_eq!(found, [Err(LayoutError::Value { offset: 1, found: 0x0C })]);
    }

    proptest! {
        #[test]
        fn requests_and_answers_are_read_back(
            values in proptest::collection::btree_map(any::<(u8, u8)>(), any::<u8>(), 1..=3),
            len in 0..5usize,
        ) {
            let wanted: Vec<_> = values.keys().map(|(pid, frame)| FrozenPid { pid: Pid(*pid), frame: *frame }).collect();
            let data: Vec<Vec<u8>> = values.values().map(|byte| std::vec![*byte; len]).collect();
            let read = ReadFreezeFrame::new(&wanted).unwrap();
            let mut buffer = [0; 64];
            prop_assert!(ReadFreezeFrame::parse(read.emit(&mut buffer).unwrap()).unwrap().eq(wanted.iter().copied()));
            let sent: Vec<_> = wanted.iter().zip(&data).map(|(of, data)| FrozenRecord { of: *of, data }).collect();
            let message = FreezeFrame(&sent).emit(&mut buffer).unwrap();
            prop_assert!(read.records(message, |_| Some(len)).unwrap().eq(sent.iter().copied().map(Ok)));
        }

        #[test]
        fn no_bytes_make_it_panic(request: Vec<u8>, message: Vec<u8>, length in any::<Option<usize>>()) {
            let wanted: Vec<_> = ReadFreezeFrame::parse(&request).into_iter().flatten().collect();
            if let Some(records) = ReadFreezeFrame::new(&wanted).and_then(|read| read.records(&message, |_| length).ok()) {
                prop_assert!(records.flatten().filter_map(|record| record.cause()).count() <= message.len());
            }
        }
    }
}
