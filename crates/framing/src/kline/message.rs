//! K-line message, ISO 14230-2: `Fmt [Tgt Src] [Len] Data.. CS`.
//!
//! A [`MessageView`] is made by [`MessageView::parse`]; after that no getter fails. A [`Message`] is what a
//! tester or a unit means to say; `emit` then `parse` gives it back. Headers of ISO 9141-2 stand in
//! [`iso9141`](super::iso9141).

use core::fmt;

use nom::IResult;
use nom::bytes::complete::take;
use nom::number::complete::u8 as byte;

use crate::contract::Hex;

/// The most data bytes that one message carries (ISO 14230-2 4.1.4).
pub const DATA_MAX: usize = 255;
/// The most bytes of a message: four of header, 255 of data, the sum (ISO 14230-2 4.1.4).
pub const MESSAGE_MAX: usize = 4 + DATA_MAX + 1;

/// Whom a header names (ISO 14230-2 4.1.1, bits A1 A0 of the format byte).
#[derive(Clone, Copy, PartialEq, Eq, Hash, Debug)]
pub enum Addressing {
    /// A1 A0 = 00: no address bytes. From memory; the free edition leaves it out.
    None,
    /// A1 A0 = 10: one unit by its physical address.
    Physical {
        /// Whom it is for.
        target: u8,
        /// Who sends: always a physical address.
        source: u8,
    },
    /// A1 A0 = 11: all units of a function. Requests only.
    Functional {
        /// The function's address.
        target: u8,
        /// Who sends: always a physical address.
        source: u8,
    },
}

impl Addressing {
    const fn bits(self) -> u8 {
        match self {
            Self::None => 0x00,
            Self::Physical { .. } => 0x80,
            Self::Functional { .. } => 0xC0,
        }
    }

    const fn len(self) -> usize {
        match self {
            Self::None => 0,
            Self::Physical { .. } | Self::Functional { .. } => 2,
        }
    }
}

/// Where a message says how long it is (ISO 14230-2 4.1.4).
#[derive(Clone, Copy, PartialEq, Eq, Hash, Debug)]
pub enum LengthForm {
    /// In the low six bits of the format byte: 1 to 63.
    InFormat,
    /// In a byte of its own: 1 to 255.
    LengthByte,
}

impl LengthForm {
    /// The most data bytes that this form can announce.
    pub const fn limit(self) -> usize {
        match self {
            Self::InFormat => 63,
            Self::LengthByte => DATA_MAX,
        }
    }
}

/// Why bytes are no message.
#[derive(Clone, Copy, PartialEq, Eq, Debug, thiserror::Error)]
#[non_exhaustive]
pub enum MessageError {
    /// At least so many bytes are missing; exact once the header is complete.
    #[error("the message is not complete: {0} more bytes are needed")]
    Incomplete(usize),
    /// The format byte has A1 A0 = 01, which ISO 14230-2 leaves to older headers.
    #[error("format byte {0:02X} starts no ISO 14230-2 message")]
    Format(u8),
    /// The length byte is 00: a message carries at least its service identifier.
    #[error("the length byte is 00; a message has 1 to 255 data bytes")]
    Empty,
    /// The sum does not fit (ISO 14230-2 4.3: sum of all bytes before it, modulo 256).
    #[error("checksum {found:02X} where {expected:02X} was expected")]
    Checksum {
        /// The sum that came.
        found: u8,
        /// The sum of what came before it.
        expected: u8,
    },
}

/// A complete message borrowed from received bytes, its sum checked.
#[derive(Clone, Copy, PartialEq, Eq, Debug)]
pub struct MessageView<'a> {
    addressing: Addressing,
    length_form: LengthForm,
    data: &'a [u8],
    checksum: u8,
}

impl<'a> MessageView<'a> {
    /// Reads one message from the start of `bytes` and returns the bytes behind it.
    ///
    /// ```
    /// use tickover_framing::kline::MessageView;
    /// let (message, rest) = MessageView::parse(&[0x81, 0x1C, 0xF1, 0x81, 0x0F])?;
    /// assert_eq!(message.data(), [0x81]);
    /// assert!(rest.is_empty());
    /// # Ok::<(), tickover_framing::kline::MessageError>(())
    /// ```
    ///
    /// # Errors
    /// [`Incomplete`](MessageError::Incomplete) says how many more bytes are needed;
    /// [`Format`](MessageError::Format) and [`Empty`](MessageError::Empty) name a header that starts no message;
    /// [`Checksum`](MessageError::Checksum) carries both sums.
    pub fn parse(bytes: &'a [u8]) -> Result<(Self, &'a [u8]), MessageError> {
        let whole = whole_len(bytes)?;
        if bytes.len() < whole {
            return Err(MessageError::Incomplete(whole - bytes.len()));
        }
        // The length is known, so the grammar cannot run short.
        let (rest, message) = message(bytes).map_err(|_| MessageError::Incomplete(1))?;
        let covered = bytes.get(..whole.saturating_sub(1)).unwrap_or_default();
        let expected = sum8(covered);
        if message.checksum != expected {
            return Err(MessageError::Checksum { found: message.checksum, expected });
        }
        Ok((message, rest))
    }

    /// Whom the header names.
    pub fn addressing(&self) -> Addressing {
        self.addressing
    }

    /// Where the header says how long the message is.
    pub fn length_form(&self) -> LengthForm {
        self.length_form
    }

    /// Service identifier and parameters: 1 to 255 bytes.
    pub fn data(&self) -> &'a [u8] {
        self.data
    }

    /// The sum at its end.
    pub fn checksum(&self) -> u8 {
        self.checksum
    }

    /// Bytes on the wire: 3 to 260.
    pub fn wire_len(&self) -> usize {
        wire_len(self.addressing, self.length_form, self.data.len())
    }
}

/// `1C <- F1: 21 01`, target first, as on the wire.
impl fmt::Display for MessageView<'_> {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        show(f, self.addressing, self.data)
    }
}

/// Bytes on the wire for `data` data bytes: header, data, sum.
pub const fn wire_len(addressing: Addressing, length_form: LengthForm, data: usize) -> usize {
    let length_byte = matches!(length_form, LengthForm::LengthByte) as usize;
    1 + addressing.len() + length_byte + data + 1
}

/// How long the message that starts with `bytes` is, as soon as its header tells.
///
/// # Errors
/// [`MessageError::Incomplete`] while the header does not tell, and the header's own mistakes.
pub fn whole_len(bytes: &[u8]) -> Result<usize, MessageError> {
    const SHORTEST: usize = 3; // Fmt, one data byte, sum
    let Some(&format) = bytes.first() else {
        return Err(MessageError::Incomplete(SHORTEST));
    };
    let addresses = match format >> 6 {
        0b00 => 0,
        0b01 => return Err(MessageError::Format(format)),
        _ => 2,
    };
    match usize::from(format & 0x3F) {
        0 => match bytes.get(1 + addresses) {
            Some(0) => Err(MessageError::Empty),
            Some(&length) => Ok(1 + addresses + 1 + usize::from(length) + 1),
            None => Err(MessageError::Incomplete(SHORTEST + addresses + 1 - bytes.len())),
        },
        length => Ok(1 + addresses + length + 1),
    }
}

fn message(input: &[u8]) -> IResult<&[u8], MessageView<'_>> {
    let (input, format) = byte(input)?;
    let (input, addressing) = addressing(input, format)?;
    let (input, length_form, length) = match format & 0x3F {
        0 => {
            let (input, length) = byte(input)?;
            (input, LengthForm::LengthByte, length)
        }
        length => (input, LengthForm::InFormat, length),
    };
    let (input, data) = take(length)(input)?;
    let (input, checksum) = byte(input)?;
    Ok((input, MessageView { addressing, length_form, data, checksum }))
}

fn addressing(input: &[u8], format: u8) -> IResult<&[u8], Addressing> {
    if format & 0x80 == 0 {
        return Ok((input, Addressing::None));
    }
    let (input, target) = byte(input)?;
    let (input, source) = byte(input)?;
    let functional = format & 0x40 != 0;
    let named =
        if functional { Addressing::Functional { target, source } } else { Addressing::Physical { target, source } };
    Ok((input, named))
}

pub(crate) fn sum8(bytes: &[u8]) -> u8 {
    bytes.iter().fold(0, |sum, byte| sum.wrapping_add(*byte))
}

fn show(f: &mut fmt::Formatter<'_>, addressing: Addressing, data: &[u8]) -> fmt::Result {
    match addressing {
        Addressing::None => write!(f, "{}", Hex(data)),
        Addressing::Physical { target, source } => write!(f, "{target:02X} <- {source:02X}: {}", Hex(data)),
        Addressing::Functional { target, source } => write!(f, "all {target:02X} <- {source:02X}: {}", Hex(data)),
    }
}

/// A message that a tester or a unit means to say.
#[derive(Clone, Copy)]
pub struct Message {
    addressing: Addressing,
    length_form: LengthForm,
    len: u8,
    data: [u8; DATA_MAX],
}

/// Why data do not make a message.
#[derive(Clone, Copy, PartialEq, Eq, Debug, thiserror::Error)]
#[error("{length} data bytes do not fit; this header announces 1 to {limit}")]
pub struct DataLength {
    /// Data bytes given.
    pub length: usize,
    /// The most that this header form carries.
    pub limit: usize,
}

impl Message {
    /// A message with this header around `data` (service identifier and parameters).
    ///
    /// # Errors
    /// [`DataLength`] if there are no data or more than the form announces.
    pub fn new(addressing: Addressing, length_form: LengthForm, data: &[u8]) -> Result<Self, DataLength> {
        let refused = DataLength { length: data.len(), limit: length_form.limit() };
        if data.is_empty() || data.len() > length_form.limit() {
            return Err(refused);
        }
        let mut held = [0; DATA_MAX];
        held.get_mut(..data.len()).ok_or(refused)?.copy_from_slice(data);
        Ok(Self { addressing, length_form, len: data.len() as u8, data: held })
    }

    /// Service identifier and parameters: 1 to 255 bytes.
    pub fn data(&self) -> &[u8] {
        self.data.get(..usize::from(self.len)).unwrap_or_default()
    }

    /// Whom the header names.
    pub fn addressing(&self) -> Addressing {
        self.addressing
    }

    /// Where the header says how long the message is.
    pub fn length_form(&self) -> LengthForm {
        self.length_form
    }

    /// Writes the message to the start of `into` and returns how many bytes it takes: 3 to 260.
    ///
    /// `None` if `into` is too short; [`MESSAGE_MAX`] bytes are always enough.
    pub fn emit(&self, into: &mut [u8]) -> Option<usize> {
        let whole = wire_len(self.addressing, self.length_form, self.data().len());
        let into = into.get_mut(..whole)?;
        let mut header = [0; 4];
        let header = self.header(&mut header)?;
        into.get_mut(..header.len())?.copy_from_slice(header);
        into.get_mut(header.len()..whole - 1)?.copy_from_slice(self.data());
        let (sum, covered) = into.split_last_mut()?;
        *sum = sum8(covered);
        Some(whole)
    }

    fn header<'h>(&self, header: &'h mut [u8; 4]) -> Option<&'h [u8]> {
        let in_format = match self.length_form {
            LengthForm::InFormat => self.len,
            LengthForm::LengthByte => 0,
        };
        let mut used = 1;
        header[0] = self.addressing.bits() | in_format;
        if let Addressing::Physical { target, source } | Addressing::Functional { target, source } = self.addressing {
            header[1] = target;
            header[2] = source;
            used = 3;
        }
        if matches!(self.length_form, LengthForm::LengthByte) {
            *header.get_mut(used)? = self.len;
            used += 1;
        }
        header.get(..used)
    }
}

impl PartialEq for Message {
    fn eq(&self, other: &Self) -> bool {
        self.addressing == other.addressing && self.length_form == other.length_form && self.data() == other.data()
    }
}

impl Eq for Message {}

impl From<MessageView<'_>> for Message {
    fn from(view: MessageView<'_>) -> Self {
        let mut data = [0; DATA_MAX];
        for (to, from) in data.iter_mut().zip(view.data) {
            *to = *from;
        }
        let len = view.data.len().min(DATA_MAX) as u8;
        Self { addressing: view.addressing, length_form: view.length_form, len, data }
    }
}

impl fmt::Debug for Message {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        write!(f, "Message({:?}, {self})", self.length_form)
    }
}

/// `1C <- F1: 21 01`, target first, as on the wire.
impl fmt::Display for Message {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        show(f, self.addressing, self.data())
    }
}
