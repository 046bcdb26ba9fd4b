//! One request and the data bytes of its response.

use core::fmt;
use core::time::Duration;

use tickover_framing::can::Id;

use super::{FrameRules, List, Text};
use crate::value::{ChannelId, RecordId};

/// One request and the data bytes of its response.
#[derive(Clone, PartialEq, Debug)]
pub struct Record {
    /// Place in the definition's list.
    pub id: RecordId,
    /// Its standard meaning, so that requests can be combined.
    pub read: Read,
    /// The request as sent: service identifier and parameters.
    pub request: Template,
    /// What a good response starts with, echo included; the data follow.
    pub answer: Pattern,
    /// Fewest and most data bytes; a response of another length is not decoded.
    pub length: (u16, u16),
    /// Data bytes that no channel covers, on purpose.
    pub reserved: List<(u16, u16)>,
    /// How often it is read.
    pub every: Every,
    /// Only in this session (place in the definition's list).
    pub session: Option<u16>,
    /// Channels decoded from it, in file order.
    pub channels: List<ChannelId>,
    /// Of a frame: direction, counter and checksum. `read` is then [`Read::Frame`], request and answer are empty.
    pub frame: Option<FrameRules>,
}

/// What a read asks for.
#[derive(Clone, Copy, PartialEq, Eq, Debug)]
#[non_exhaustive]
pub enum Read {
    /// ISO 14230-3 service 21.
    LocalIdentifier(u8),
    /// ISO 14230-3 service 22.
    CommonIdentifier(u16),
    /// ISO 14230-3 service 1A.
    Identification(u8),
    /// A range of memory.
    Memory {
        /// First address.
        address: u32,
        /// Bytes.
        count: u16,
    },
    /// ISO 14229-1 service 22.
    DataIdentifier(u16),
    /// SAE J1979 service 01.
    Pid(u8),
    /// SAE J1979 service 09.
    InfoType(u8),
    /// A CAN frame that is heard or sent; nothing is asked.
    Frame(Id),
    /// Bytes that the definition spells out.
    Request,
}

/// How often a record is read.
#[derive(Clone, Copy, PartialEq, Eq, Debug)]
pub enum Every {
    /// As the caller wishes.
    Wanted,
    /// At connect, and after a clear.
    Once,
    /// A frame that comes, or is sent, with this period.
    Period(Duration),
    /// A frame that comes when something happens.
    OnEvent,
}

/// Bytes to compare with: a byte, or any byte.
#[derive(Clone, PartialEq, Eq, Debug)]
pub struct Pattern(pub List<PatternByte>);

/// One byte of a pattern.
#[derive(Clone, Copy, PartialEq, Eq, Debug)]
pub enum PatternByte {
    /// This byte.
    Is(u8),
    /// `??`.
    Any,
}

impl Pattern {
    /// The bytes after this pattern, if `bytes` start with it.
    pub fn strip<'a>(&self, bytes: &'a [u8]) -> Option<&'a [u8]> {
        let (head, rest) = bytes.split_at_checked(self.0.len())?;
        let fits = self.0.iter().zip(head).all(|(want, got)| match want {
            PatternByte::Is(byte) => byte == got,
            PatternByte::Any => true,
        });
        fits.then_some(rest)
    }
}

/// As definitions write it: `61 01 ??`.
impl fmt::Display for Pattern {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        for (i, byte) in self.0.iter().enumerate() {
            let gap = if i == 0 { "" } else { " " };
            match byte {
                PatternByte::Is(byte) => write!(f, "{gap}{byte:02X}")?,
                PatternByte::Any => write!(f, "{gap}??")?,
            }
        }
        Ok(())
    }
}

/// Bytes to send, with places where a value is put in.
#[derive(Clone, PartialEq, Eq, Debug)]
pub struct Template(pub List<TemplatePart>);

/// A part of a template.
#[derive(Clone, PartialEq, Eq, Debug)]
pub enum TemplatePart {
    /// This byte.
    Byte(u8),
    /// A value by name.
    Value(Place),
}

/// A place where a value is put in: `{code:u16be}`.
#[derive(Clone, PartialEq, Eq, Debug)]
pub struct Place {
    /// `code`.
    pub name: Text,
    /// 1 to 8.
    pub bytes: u8,
    /// Least significant byte first.
    pub little_endian: bool,
}

impl Template {
    /// The bytes, if nothing has to be put in.
    pub fn constant(&self) -> Option<alloc::vec::Vec<u8>> {
        self.fill(|_| None)
    }

    /// The bytes with values put in; `None` if `value` does not know one or it does not fit.
    pub fn fill(&self, mut value: impl FnMut(&str) -> Option<u64>) -> Option<alloc::vec::Vec<u8>> {
        let mut out = alloc::vec::Vec::new();
        for part in self.0.iter() {
            match part {
                TemplatePart::Byte(byte) => out.push(*byte),
                TemplatePart::Value(place) => {
                    let value = value(&place.name)?;
                    let width = usize::from(place.bytes).min(8);
                    if width < 8 && value >> (8 * width) != 0 {
                        return None;
                    }
                    let bytes = value.to_be_bytes();
                    let start = out.len();
                    out.extend_from_slice(&bytes[8 - width..]);
                    if place.little_endian {
                        out[start..].reverse();
                    }
                }
            }
        }
        Some(out)
    }
}
