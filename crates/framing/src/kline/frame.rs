//! One door to all framings: when a frame is whole, what it says, how one is written.

use super::block::BlockError;
use super::iso9141::{self, ViewError};
use super::message::{self, Addressing, LengthForm, Message, MessageError, MessageView};
use super::{BlockFraming, Framing, HeaderForms, Line};
use crate::transport::Noise;

/// The most bytes of a frame in any framing.
pub(crate) const FRAME_MAX: usize = super::block::FRAME_MAX;

/// What is known of a frame after some of its bytes.
#[derive(Clone, Copy, PartialEq, Eq, Debug)]
pub(crate) enum Progress {
    /// Bytes are missing.
    More,
    /// Only a pause can end it.
    UntilSilence,
    /// It is complete.
    Whole,
    /// It starts no frame.
    Unusable(Noise),
}

/// What a good frame says.
#[derive(Clone, Copy, PartialEq, Eq, Debug)]
pub(crate) struct Content {
    /// To whom and from whom, as far as the header says.
    pub(crate) target: Option<u8>,
    pub(crate) source: Option<u8>,
    /// For all units of a function.
    pub(crate) functional: bool,
    /// Where the header said the length (ISO 14230-2 only).
    pub(crate) length_form: Option<LengthForm>,
    /// Where the data stand in the frame.
    pub(crate) data_at: usize,
    pub(crate) data_len: usize,
}

/// Which way a frame goes: ISO 9141-2 headers and declared addresses differ.
#[derive(Clone, Copy, PartialEq, Eq, Debug)]
pub(crate) enum Way {
    Request,
    Answer,
}

impl Framing {
    pub(crate) fn progress(&self, bytes: &[u8]) -> Progress {
        match self {
            Self::Iso14230 => match message::whole_len(bytes) {
                Ok(whole) if bytes.len() < whole => Progress::More,
                Ok(_) => Progress::Whole,
                Err(MessageError::Format(byte)) => Progress::Unusable(Noise::Header { byte }),
                Err(MessageError::Empty) => Progress::Unusable(Noise::Header { byte: 0 }),
                Err(_) => Progress::More,
            },
            Self::Iso9141 if bytes.len() > iso9141::MESSAGE_MAX => Progress::Unusable(Noise::TooLong),
            Self::Iso9141 => Progress::UntilSilence,
            Self::Declared(block) => match block.whole_len(bytes) {
                Ok(Some(whole)) if bytes.len() < whole => Progress::More,
                Ok(Some(_)) => Progress::Whole,
                Ok(None) if bytes.len() > block.overhead() + block.longest() => Progress::Unusable(Noise::TooLong),
                Ok(None) => Progress::UntilSilence,
                Err(BlockError::Constant { found, .. } | BlockError::Length { found }) => {
                    Progress::Unusable(Noise::Header { byte: found })
                }
                Err(_) => Progress::More,
            },
        }
    }

    /// Reads a frame that is complete.
    pub(crate) fn open(&self, way: Way, bytes: &[u8]) -> Result<Content, Noise> {
        let cut = Noise::Cut { bytes: bytes.len() as u16 };
        match self {
            Self::Iso14230 => match MessageView::parse(bytes) {
                Ok((view, _)) => Ok(of_iso14230(&view)),
                Err(MessageError::Checksum { found, expected }) => Err(Noise::Checksum { found, expected }),
                Err(MessageError::Format(byte)) => Err(Noise::Header { byte }),
                Err(_) => Err(cut),
            },
            Self::Iso9141 => match iso9141::View::parse(bytes) {
                Ok(view) => of_iso9141(&view, way),
                Err(ViewError::Checksum { found, expected }) => Err(Noise::Checksum { found, expected }),
                Err(ViewError::Long(_)) => Err(Noise::TooLong),
                Err(ViewError::Short(_)) => Err(cut),
            },
            Self::Declared(block) => match block.parse(bytes) {
                Ok((view, _)) => {
                    let (target, source) = match way {
                        Way::Request => (view.unit(), view.tester()),
                        Way::Answer => (view.tester(), view.unit()),
                    };
                    let data_at = block.fields().iter().position(|f| *f == super::BlockField::Data).unwrap_or(0);
                    let data_len = view.data().len();
                    Ok(Content { target, source, functional: false, length_form: None, data_at, data_len })
                }
                Err(BlockError::Checksum { found, expected }) => Err(Noise::Checksum { found, expected }),
                Err(BlockError::Constant { found, .. } | BlockError::Length { found }) => {
                    Err(Noise::Header { byte: found })
                }
                Err(BlockError::Incomplete(_)) => Err(cut),
            },
        }
    }

    /// Whether only a pause ends a message.
    pub fn ends_by_pause(&self) -> bool {
        match self {
            Self::Iso14230 => false,
            Self::Iso9141 => true,
            Self::Declared(block) => !block.has_length(),
        }
    }

    /// The most data bytes of one message when the unit has announced `headers`.
    pub fn longest(&self, headers: HeaderForms) -> usize {
        match self {
            Self::Iso14230 => headers.longest(),
            Self::Iso9141 => iso9141::DATA_MAX,
            Self::Declared(block) => block.longest(),
        }
    }

    /// Bytes on the wire for `data` data bytes when the unit has announced `headers`.
    pub fn wire_len(&self, headers: HeaderForms, data: usize) -> usize {
        match self {
            Self::Iso14230 => {
                let form = headers.length_form(data).unwrap_or(LengthForm::LengthByte);
                let addressing = if headers.uses_addresses() {
                    Addressing::Physical { target: 0, source: 0 }
                } else {
                    Addressing::None
                };
                message::wire_len(addressing, form, data)
            }
            Self::Iso9141 => 3 + data + 1,
            Self::Declared(block) => block.overhead() + data,
        }
    }
}

fn of_iso14230(view: &MessageView<'_>) -> Content {
    let (target, source, functional) = match view.addressing() {
        Addressing::None => (None, None, false),
        Addressing::Physical { target, source } => (Some(target), Some(source), false),
        Addressing::Functional { target, source } => (Some(target), Some(source), true),
    };
    let data_len = view.data().len();
    let data_at = view.wire_len() - 1 - data_len;
    Content { target, source, functional, length_form: Some(view.length_form()), data_at, data_len }
}

fn of_iso9141(view: &iso9141::View<'_>, way: Way) -> Result<Content, Noise> {
    let [first, second, source] = view.header();
    let fixed = match way {
        Way::Request => iso9141::REQUEST,
        Way::Answer => iso9141::ANSWER,
    };
    if [first, second] != fixed {
        return Err(Noise::Header { byte: first });
    }
    Ok(Content {
        target: None,
        source: Some(source),
        functional: true,
        length_form: None,
        data_at: 3,
        data_len: view.data().len(),
    })
}

/// One frame to be sent.
#[derive(Clone, Copy)]
pub(crate) struct Frame {
    bytes: [u8; FRAME_MAX],
    len: usize,
}

impl Frame {
    pub(crate) const EMPTY: Self = Self { bytes: [0; FRAME_MAX], len: 0 };

    pub(crate) fn as_slice(&self) -> &[u8] {
        self.bytes.get(..self.len).unwrap_or_default()
    }

    /// A frame of these bytes, as they are.
    pub(crate) fn raw(bytes: &[u8]) -> Self {
        let mut frame = Self::EMPTY;
        for (to, from) in frame.bytes.iter_mut().zip(bytes) {
            *to = *from;
        }
        frame.len = bytes.len().min(FRAME_MAX);
        frame
    }

    /// An ISO 14230-2 message; `None` if the data do not fit.
    pub(crate) fn iso14230(addressing: Addressing, length_form: LengthForm, data: &[u8]) -> Option<Self> {
        let mut frame = Self::EMPTY;
        frame.len = Message::new(addressing, length_form, data).ok()?.emit(&mut frame.bytes)?;
        Some(frame)
    }

    /// An ISO 9141-2 message; `None` if the data do not fit.
    pub(crate) fn iso9141(header: [u8; 3], data: &[u8]) -> Option<Self> {
        let mut frame = Self::EMPTY;
        frame.len = iso9141::emit(header, data, &mut frame.bytes).ok()?;
        Some(frame)
    }

    /// A declared frame; `None` if the data do not fit.
    pub(crate) fn declared(block: &BlockFraming, unit: u8, tester: u8, data: &[u8]) -> Option<Self> {
        let mut frame = Self::EMPTY;
        frame.len = block.emit(unit, tester, data, &mut frame.bytes).ok()?;
        Some(frame)
    }

    /// A request on `line`; `None` if the data do not fit.
    pub(crate) fn request(line: &Line, headers: HeaderForms, target: Target, data: &[u8]) -> Option<Self> {
        let source = line.tester;
        match line.framing {
            Framing::Iso14230 => {
                let addressing = match target {
                    _ if !headers.uses_addresses() => Addressing::None,
                    Target::Unit(target) => Addressing::Physical { target, source },
                    Target::Function(target) => Addressing::Functional { target, source },
                };
                Self::iso14230(addressing, headers.length_form(data.len())?, data)
            }
            Framing::Iso9141 => {
                let [first, second] = iso9141::REQUEST;
                Self::iso9141([first, second, source], data)
            }
            Framing::Declared(block) => {
                let (Target::Unit(unit) | Target::Function(unit)) = target;
                Self::declared(&block, unit, source, data)
            }
        }
    }
}

/// Whom a request names.
#[derive(Clone, Copy, PartialEq, Eq, Debug)]
pub(crate) enum Target {
    Unit(u8),
    Function(u8),
}
