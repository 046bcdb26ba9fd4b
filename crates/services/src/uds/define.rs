//! Records that the tester puts together: 2C.

use nom::Parser;
use nom::combinator::success;
use nom::number::streaming::{be_u16, u8 as byte};

use super::identifiers::DataIdentifier;
use super::memory::MemoryRange;
use super::sub_function;
use crate::ServiceId;
use crate::layout::{self, Emit, LayoutError, ResponseError, Writer};

/// Gives a dynamic data identifier a meaning, or takes it away: `2C type id ..` (layouts from tutorials and memory).
///
/// The record is then read with [`ReadDataByIdentifier`](super::ReadDataByIdentifier), its pieces in their order.
///
/// ```
/// use tickover_services::Emit;
/// use tickover_services::uds::{DataIdentifier, Definition, DynamicallyDefineDataIdentifier, Piece};
///
/// let pieces = [Piece { source: DataIdentifier(0x1234), first: 1, size: 2 }];
/// let id = DataIdentifier(0xF301);
/// let define = DynamicallyDefineDataIdentifier { definition: Definition::ById { id, pieces: &pieces }, suppress: false };
/// assert_eq!(define.emit(&mut [0; 16]).unwrap(), [0x2C, 0x01, 0xF3, 0x01, 0x12, 0x34, 0x01, 0x02]);
/// define.check(&[0x6C, 0x01, 0xF3, 0x01])?;
/// # Ok::<(), tickover_services::ResponseError>(())
/// ```
#[derive(Clone, Copy, PartialEq, Eq, Debug)]
pub struct DynamicallyDefineDataIdentifier<'a> {
    /// Which identifier, and what it means.
    pub definition: Definition<'a>,
    /// Whether the positive answer is not wanted.
    pub suppress: bool,
}

/// What a dynamic identifier shall mean.
#[derive(Clone, Copy, PartialEq, Eq, Debug)]
pub enum Definition<'a> {
    /// 01: pieces of other records. They come behind those that stand.
    ById {
        /// Which identifier.
        id: DataIdentifier,
        /// One after the other.
        pieces: &'a [Piece],
    },
    /// 02: pieces of memory, written as the format of the first says.
    ByAddress {
        /// Which identifier.
        id: DataIdentifier,
        /// One after the other, all with as many bytes of address and size.
        pieces: &'a [MemoryRange],
    },
    /// 03: nothing any more.
    Cleared {
        /// Which identifier.
        id: DataIdentifier,
    },
    /// 03 without an identifier: none means anything any more.
    AllCleared,
}

/// One piece of a dynamic record that comes from another record.
#[derive(Clone, Copy, PartialEq, Eq, Hash, Debug)]
pub struct Piece {
    /// Whose bytes.
    pub source: DataIdentifier,
    /// First byte of it, counted from 1.
    pub first: u8,
    /// How many bytes.
    pub size: u8,
}

/// A request as a unit reads it.
#[derive(Clone, Debug)]
pub struct Request<'a> {
    /// Which identifier; `None`: all.
    pub id: Option<DataIdentifier>,
    /// What it shall mean.
    pub pieces: Pieces<'a>,
    /// Whether the positive answer is not wanted.
    pub suppress: bool,
}

/// The pieces of a definition as they stand in a request; each ends after the first mistake.
#[derive(Clone, Debug)]
pub enum Pieces<'a> {
    /// Of other records.
    ById(PiecesById<'a>),
    /// Of memory.
    ByAddress(PiecesByAddress<'a>),
    /// None: the identifier is cleared.
    Cleared,
}

/// Sub-functions.
const BY_ID: u8 = 0x01;
const BY_ADDRESS: u8 = 0x02;
const CLEAR: u8 = 0x03;

impl Definition<'_> {
    const fn kind(&self) -> u8 {
        match self {
            Self::ById { .. } => BY_ID,
            Self::ByAddress { .. } => BY_ADDRESS,
            Self::Cleared { .. } | Self::AllCleared => CLEAR,
        }
    }

    const fn id(&self) -> Option<DataIdentifier> {
        match self {
            Self::ById { id, .. } | Self::ByAddress { id, .. } | Self::Cleared { id } => Some(*id),
            Self::AllCleared => None,
        }
    }
}

impl DynamicallyDefineDataIdentifier<'_> {
    /// 2C.
    pub const SERVICE: ServiceId = ServiceId::DYNAMICALLY_DEFINE_DATA_IDENTIFIER;

    /// Reads a request.
    ///
    /// # Errors
    /// Another service, another sub-function than 01, 02 or 03, no whole identifier where one is needed, or nothing to
    /// define.
    pub fn parse(message: &[u8]) -> Result<Request<'_>, LayoutError> {
        let found = message.len();
        let (kind, rest) = layout::parameters(message, Self::SERVICE)?
            .split_first()
            .ok_or(LayoutError::Short { expected: 2, found })?;
        let (kind, suppress) = sub_function::parts(*kind);
        if kind == CLEAR && rest.is_empty() {
            return Ok(Request { id: None, pieces: Pieces::Cleared, suppress });
        }
        let (id, rest) = rest.split_first_chunk::<2>().ok_or(LayoutError::Short { expected: 4, found })?;
        let pieces = match (kind, rest) {
            (CLEAR, []) => Pieces::Cleared,
            (CLEAR, _) => return Err(LayoutError::Long { expected: 4, found }),
            (BY_ID, [_, ..]) => Pieces::ById(PiecesById { rest, offset: 4 }),
            (BY_ADDRESS, [format, rest @ ..]) if !rest.is_empty() => {
                Pieces::ByAddress(PiecesByAddress { format: *format, rest, offset: 5 })
            }
            (BY_ID | BY_ADDRESS, _) => return Err(LayoutError::Short { expected: found + 1, found }),
            _ => return Err(LayoutError::Value { offset: 1, found: kind }),
        };
        Ok(Request { id: Some(DataIdentifier::from(*id)), pieces, suppress })
    }

    /// Checks the response, which repeats sub-function and identifier.
    ///
    /// # Errors
    /// The unit refused, or answered to something else.
    pub fn check(&self, message: &[u8]) -> Result<(), ResponseError> {
        let kind = self.definition.kind();
        let (offset, data) = match self.definition.id().map(DataIdentifier::to_bytes) {
            Some([high, low]) => (4, layout::response(message, Self::SERVICE, &[kind, high, low])?),
            None => (2, layout::response(message, Self::SERVICE, &[kind])?),
        };
        Ok(layout::whole(offset, data, success(()))?)
    }
}

impl Emit for DynamicallyDefineDataIdentifier<'_> {
    fn write(&self, to: &mut Writer<'_>) {
        to.bytes(&[Self::SERVICE.0, sub_function::byte(self.definition.kind(), self.suppress)]);
        if let Some(id) = self.definition.id() {
            to.bytes(&id.to_bytes());
        }
        match self.definition {
            Definition::ById { pieces, .. } => pieces.iter().for_each(|piece| piece.write(to)),
            Definition::ByAddress { pieces, .. } => {
                if let Some(first) = pieces.first() {
                    to.bytes(&[first.format()]);
                }
                pieces.iter().for_each(|piece| piece.write_place(to));
            }
            Definition::Cleared { .. } | Definition::AllCleared => {}
        }
    }
}

impl Piece {
    const LEN: usize = 4;

    fn write(self, to: &mut Writer<'_>) {
        to.bytes(&self.source.to_bytes());
        to.bytes(&[self.first, self.size]);
    }
}

/// Pieces of other records.
#[derive(Clone, Debug)]
pub struct PiecesById<'a> {
    rest: &'a [u8],
    offset: usize,
}

impl Iterator for PiecesById<'_> {
    type Item = Result<Piece, LayoutError>;

    fn next(&mut self) -> Option<Self::Item> {
        if self.rest.is_empty() {
            return None;
        }
        let (piece, rest) = self.rest.split_at_checked(Piece::LEN).unwrap_or((self.rest, &[]));
        let piece = layout::whole(
            self.offset,
            piece,
            (be_u16.map(DataIdentifier), byte, byte).map(|(source, first, size)| Piece { source, first, size }),
        );
        self.rest = rest;
        self.offset += Piece::LEN;
        Some(piece)
    }
}

/// Pieces of memory.
#[derive(Clone, Debug)]
pub struct PiecesByAddress<'a> {
    format: u8,
    rest: &'a [u8],
    offset: usize,
}

impl Iterator for PiecesByAddress<'_> {
    type Item = Result<MemoryRange, LayoutError>;

    fn next(&mut self) -> Option<Self::Item> {
        if self.rest.is_empty() {
            return None;
        }
        match MemoryRange::parse_as(self.format, self.offset, self.rest) {
            Ok((piece, rest)) => {
                self.offset += self.rest.len() - rest.len();
                self.rest = rest;
                Some(Ok(piece))
            }
            Err(error) => {
                self.rest = &[];
                Some(Err(error))
            }
        }
    }
}

#[cfg(test)]
mod tests {
    use std::vec::Vec;

    use proptest::prelude::*;

    use super::*;

    fn parse(message: &[u8]) -> Result<Option<DataIdentifier>, LayoutError> {
        DynamicallyDefineDataIdentifier::parse(message).map(|request| request.id)
    }

    #[test]
    fn clearing_one_or_all_stands_alone() {
        assert_eq!(parse(&[0x2C, 0x03]), Ok(None));
        assert_eq!(parse(&[0x2C, 0x83, 0xF3, 0x01]), Ok(Some(DataIdentifier(0xF301))));
        assert_eq!(parse(&[0x2C, 0x03, 0xF3]), Err(LayoutError::Short { expected: 4, found: 3 }));
        assert_eq!(parse(&[0x2C, 0x03, 0xF3, 0x01, 0x00]), Err(LayoutError::Long { expected: 4, found: 5 }));
        let all = DynamicallyDefineDataIdentifier { definition: Definition::AllCleared, suppress: false };
        assert_eq!(all.check(&[0x6C, 0x03]), Ok(()));
        assert_eq!(all.check(&[0x6C, 0x03, 0xF3, 0x01]), Err(LayoutError::Long { expected: 2, found: 4 }.into()));
    }

    #[test]
    fn a_definition_of_nothing_is_refused_with_its_place() {
        assert_eq!(parse(&[0x2C, 0x01, 0xF3, 0x01]), Err(LayoutError::Short { expected: 5, found: 4 }));
        assert_eq!(parse(&[0x2C, 0x02, 0xF3, 0x01, 0x14]), Err(LayoutError::Short { expected: 6, found: 5 }));
        assert_eq!(parse(&[0x2C, 0x04, 0xF3, 0x01, 0x14]), Err(LayoutError::Value { offset: 1, found: 4 }));
        let request = DynamicallyDefineDataIdentifier::parse(&[0x2C, 0x01, 0xF3, 0x01, 0x12, 0x34, 0x01]).unwrap();
        let Pieces::ById(mut pieces) = request.pieces else { panic!("{request:?}") };
        assert_eq!(pieces.next(), Some(Err(LayoutError::Short { expected: 8, found: 7 })));
        assert_eq!(pieces.next(), None);
    }

    proptest! {
        #[test]
        fn a_definition_of_records_is_read_back(
            id in 0xF300..=0xF3FFu16,
            suppress: bool,
            pieces in proptest::collection::vec(
                any::<(u16, u8, u8)>().prop_map(|(source, first, size)| Piece { source: DataIdentifier(source), first, size }),
                1..20,
            ),
        ) {
            let id = DataIdentifier(id);
            let define = DynamicallyDefineDataIdentifier { definition: Definition::ById { id, pieces: &pieces }, suppress };
            let mut buffer = [0; 255];
            let request = DynamicallyDefineDataIdentifier::parse(define.emit(&mut buffer).unwrap()).unwrap();
            prop_assert_eq!((request.id, request.suppress), (Some(id), suppress));
            let Pieces::ById(found) = request.pieces else { panic!("other pieces") };
            prop_assert_eq!(found.collect::<Result<Vec<_>, _>>(), Ok(pieces.clone()));
        }

        #[test]
        fn a_definition_of_memory_is_read_back(
            places in proptest::collection::vec(any::<(u32, u16)>(), 1..20),
        ) {
            let place = |(address, size): &(u32, u16)| MemoryRange::new((*address).into(), 4, (*size).into(), 2).unwrap();
            let pieces: Vec<_> = places.iter().map(place).collect();
            let definition = Definition::ByAddress { id: DataIdentifier(0xF302), pieces: &pieces };
            let define = DynamicallyDefineDataIdentifier { definition, suppress: false };
            let mut buffer = [0; 255];
            let request = DynamicallyDefineDataIdentifier::parse(define.emit(&mut buffer).unwrap()).unwrap();
            let Pieces::ByAddress(found) = request.pieces else { panic!("other pieces") };
            prop_assert_eq!(found.collect::<Result<Vec<_>, _>>(), Ok(pieces.clone()));
        }

        #[test]
        fn no_bytes_make_it_panic_or_loop(message: Vec<u8>) {
            match DynamicallyDefineDataIdentifier::parse(&message).map(|request| request.pieces) {
                Ok(Pieces::ById(pieces)) => prop_assert!(pieces.count() <= message.len()),
                Ok(Pieces::ByAddress(pieces)) => prop_assert!(pieces.count() <= message.len()),
                Ok(Pieces::Cleared) | Err(_) => {}
            }
        }
    }
}
