//! PDUs of ISO 15765-2: single, first and consecutive frames, flow control (9.4 and table 8).
//!
//! A [`PduView`] borrows a frame's data and is made by [`Pdu::parse`], which refuses what the standard has a receiver
//! ignore. [`Pdu::emit`] puts a PDU into a frame; `parse` gives it back, a consecutive frame with its filling.

use super::{Address, FlowControl, FlowStatus, Frames, SeparationTime};
use crate::can::{Frame, FrameKind};
use crate::contract::Chunk;

/// The longest message that a first frame announces without the escape form (ISO 15765-2:2016 table 15).
pub const SHORT_LENGTH_MAX: u32 = 4095;

/// A PDU; `D` holds its data.
#[derive(Clone, Copy, PartialEq, Eq, Debug)]
pub enum Pdu<D> {
    /// A whole message.
    Single {
        /// 1 to 62 bytes.
        data: D,
    },
    /// The start of a message.
    First {
        /// FF_DL: bytes of the whole message.
        length: u32,
        /// As many as the frame holds.
        data: D,
    },
    /// A further piece.
    Consecutive {
        /// SN: 0 to 15, counted from the first frame's 0.
        sequence: u8,
        /// As many as the frame holds; behind the message's end filling.
        data: D,
    },
    /// What the receiver tells the sender.
    FlowControl(FlowControl),
}

/// A PDU borrowed from a frame.
pub type PduView<'a> = Pdu<&'a [u8]>;

/// A PDU by value.
pub type OwnedPdu = Pdu<Chunk>;

/// Why a receiver ignores a frame (ISO 15765-2:2016 9.6, 10.4.3).
#[derive(Clone, Copy, PartialEq, Eq, Hash, Debug, thiserror::Error)]
#[non_exhaustive]
pub enum PduError {
    /// The frame ends before its PDU does.
    #[error("the frame has {found} bytes where its PDU needs at least {needed}")]
    Short {
        /// Bytes of the frame.
        found: u8,
        /// Bytes that the PDU needs.
        needed: u8,
    },
    /// A single frame of another length than 8 where frames are filled (9.6.2.2).
    #[error("a single frame of {found} bytes on a line that fills its frames")]
    NotFilled {
        /// Bytes of the frame.
        found: u8,
    },
    /// SF_DL does not belong to a frame of this length (9.6.2.2, table 13).
    #[error("a single frame of {frame} bytes announces {found} data bytes")]
    SingleLength {
        /// SF_DL.
        found: u8,
        /// Bytes of the frame.
        frame: u8,
    },
    /// FF_DL would have fitted a single frame (9.6.3.2, table 14).
    #[error("a first frame announces {found} bytes; {least} are the least that need one")]
    FirstLength {
        /// FF_DL.
        found: u32,
        /// FF_DLmin.
        least: u32,
    },
    /// The escape form for a length that needs none (9.6.3.2).
    #[error("a first frame announces {0} bytes in the form for more than 4095")]
    Escape(u32),
    /// A PDU type that the standard reserves (table 8).
    #[error("first byte {0:02X} is of no PDU type")]
    Type(u8),
}

impl<'a> PduView<'a> {
    /// Reads a frame's data that came from `address`; only frames' padding is looked at in `frames`.
    ///
    /// ```
    /// use tickover_framing::can::Id;
    /// use tickover_framing::isotp::{Address, Line, Pdu};
    /// let address = Address::Normal(Id::Standard(0x7E8));
    /// let data = [0x06, 0x50, 0x02, 0x00, 0xFA, 0x0B, 0xB8, 0xCC];
    /// let pdu = Pdu::parse(&data, address, &Line::CLASSIC.frames)?;
    /// assert_eq!(pdu, Pdu::Single { data: &data[1..7] });
    /// # Ok::<(), tickover_framing::isotp::PduError>(())
    /// ```
    ///
    /// # Errors
    /// [`PduError`]: the standard has the receiver ignore this frame.
    pub fn parse(data: &'a [u8], address: Address, frames: &Frames) -> Result<Self, PduError> {
        let prefix = address.prefix();
        let reader = Reader { frame: data.len(), prefix };
        let pdu = data.get(prefix..).unwrap_or_default();
        let &[control, ref rest @ ..] = pdu else { return Err(reader.short(1)) };
        match control >> 4 {
            0 if frames.padding.is_some() && data.len() < 8 => Err(PduError::NotFilled { found: data.len() as u8 }),
            0 => reader.single(control, rest),
            1 => reader.first(control, rest),
            2 if rest.is_empty() => Err(reader.short(2)),
            2 => Ok(Pdu::Consecutive { sequence: control & 0x0F, data: rest }),
            3 => match rest {
                &[block_size, st_min, ..] => {
                    let status = FlowStatus(control & 0x0F);
                    Ok(Pdu::FlowControl(FlowControl { status, block_size, st_min: SeparationTime(st_min) }))
                }
                _ => Err(reader.short(3)),
            },
            _ => Err(PduError::Type(control)),
        }
    }
}

/// What a frame's length says about its PDU.
#[derive(Clone, Copy)]
struct Reader {
    frame: usize,
    prefix: usize,
}

impl Reader {
    fn short(self, needed: usize) -> PduError {
        PduError::Short { found: self.frame as u8, needed: (self.prefix + needed) as u8 }
    }

    fn single(self, control: u8, rest: &[u8]) -> Result<PduView<'_>, PduError> {
        let (length, data, least) = match (self.frame, rest) {
            (..=8, _) => (control & 0x0F, rest, 1),
            (_, &[length, ref data @ ..]) if control & 0x0F == 0 => (length, data, self.least_escaped()),
            _ => (control & 0x0F, &[][..], 1),
        };
        let found = PduError::SingleLength { found: length, frame: self.frame as u8 };
        let data = data.get(..usize::from(length)).ok_or(found)?;
        if data.len() < least { Err(found) } else { Ok(Pdu::Single { data }) }
    }

    /// The least SF_DL that needs a frame as long as this one (table 13).
    fn least_escaped(self) -> usize {
        const LENGTHS: [usize; 8] = [8, 12, 16, 20, 24, 32, 48, 64];
        let shorter = LENGTHS.into_iter().rev().find(|length| *length < self.frame).unwrap_or(8);
        (shorter - 1).max(8) - self.prefix
    }

    fn first(self, control: u8, rest: &[u8]) -> Result<PduView<'_>, PduError> {
        if self.frame < 8 {
            return Err(PduError::Short { found: self.frame as u8, needed: 8 });
        }
        let (length, data) = match (control & 0x0F, rest) {
            (0, &[0, a, b, c, d, ref data @ ..]) => {
                let length = u32::from_be_bytes([a, b, c, d]);
                if length <= SHORT_LENGTH_MAX {
                    return Err(PduError::Escape(length));
                }
                (length, data)
            }
            (high, &[low, ref data @ ..]) => (u32::from(high) << 8 | u32::from(low), data),
            _ => return Err(self.short(2)),
        };
        // Table 14: one more than a single frame of this length holds.
        let least = if self.frame == 8 { 8 - self.prefix } else { self.frame - 1 - self.prefix } as u32;
        if length < least {
            Err(PduError::FirstLength { found: length, least })
        } else {
            Ok(Pdu::First { length, data })
        }
    }
}

impl<D: AsRef<[u8]>> Pdu<D> {
    /// The frame that carries this PDU to `address`, filled as `frames` says.
    ///
    /// `None` if the data are not what such a frame carries: none at all, too many, a first frame that is not full.
    pub fn emit(&self, address: Address, frames: &Frames) -> Option<Frame> {
        let mut out = Writer { bytes: [0; Chunk::CAPACITY], len: 0, limit: frames.tx_dl() };
        if let Some(byte) = address.first_byte() {
            out.push(byte)?;
        }
        match self {
            Self::Single { data } => {
                let data = data.as_ref();
                let short = data.len() <= 7 - address.prefix();
                if data.is_empty() || data.len() > frames.single_max(address) {
                    return None;
                }
                if short {
                    out.push(data.len() as u8)?;
                } else {
                    out.push(0)?;
                    out.push(data.len() as u8)?;
                }
                out.extend(data)?;
            }
            Self::First { length, data } => {
                let bytes = length.to_be_bytes();
                if *length <= SHORT_LENGTH_MAX {
                    out.push(0x10 | bytes[2])?;
                    out.push(bytes[3])?;
                } else {
                    out.extend(&[0x10, 0])?;
                    out.extend(&bytes)?;
                }
                out.extend(data.as_ref())?;
                (out.len == out.limit).then_some(())?;
            }
            Self::Consecutive { sequence, data } => {
                (!data.as_ref().is_empty()).then_some(())?;
                out.push(0x20 | sequence & 0x0F)?;
                out.extend(data.as_ref())?;
            }
            Self::FlowControl(flow) => {
                out.extend(&[0x30 | flow.status.0 & 0x0F, flow.block_size, flow.st_min.0])?;
            }
        }
        out.frame(address, frames)
    }
}

struct Writer {
    bytes: [u8; Chunk::CAPACITY],
    len: usize,
    limit: usize,
}

impl Writer {
    fn push(&mut self, byte: u8) -> Option<()> {
        self.extend(&[byte])
    }

    fn extend(&mut self, bytes: &[u8]) -> Option<()> {
        let end = self.len + bytes.len();
        (end <= self.limit).then_some(())?;
        self.bytes.get_mut(self.len..end)?.copy_from_slice(bytes);
        self.len = end;
        Some(())
    }

    fn frame(mut self, address: Address, frames: &Frames) -> Option<Frame> {
        let length = Frame::length_for(if frames.padding.is_some() { self.len.max(8) } else { self.len })?;
        self.bytes.get_mut(self.len..length)?.fill(frames.padding.unwrap_or(Frames::FILLING));
        let kind = match frames.fd {
            Some(fd) => FrameKind::Fd { switch_rate: fd.switch_rate },
            None => FrameKind::Classic,
        };
        Some(Frame { id: address.id(), kind, data: Chunk::new(self.bytes.get(..length)?)? })
    }
}
