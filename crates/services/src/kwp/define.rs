//! Records that the tester puts together: 2C (SSF 14230-3 7.4).

use nom::Parser;
use nom::number::streaming::{be_u16, be_u24, u8 as byte};

use super::{Address, CommonIdentifier, LocalIdentifier};
use crate::ServiceId;
use crate::layout::{self, Emit, LayoutError, ResponseError, Writer};

/// Gives a dynamic local identifier a meaning, or takes it away: `2C id {mode position size source}..`.
///
/// A definition that stands cannot be changed: clear it first. The record is then read with
/// [`ReadDataByLocalIdentifier`](super::ReadDataByLocalIdentifier), its pieces in the order of their positions.
///
/// ```
/// use tickover_services::Emit;
/// use tickover_services::kwp::{Definition, DynamicallyDefineLocalIdentifier, LocalIdentifier, Piece, Source};
///
/// let source = Source::Local { id: LocalIdentifier(0x01), first: 7 };
/// let pieces = [Piece { position: 1, size: 1, source }];
/// let define = DynamicallyDefineLocalIdentifier { id: LocalIdentifier(0xF0), definition: Definition::Pieces(&pieces) };
/// assert_eq!(define.emit(&mut [0; 16])?, [0x2C, 0xF0, 0x01, 0x01, 0x01, 0x01, 0x07]);
/// # Ok::<(), tickover_services::BufferTooSmall>(())
/// ```
#[derive(Clone, Copy, PartialEq, Eq, Debug)]
pub struct DynamicallyDefineLocalIdentifier<'a> {
    /// F0 to F9.
    pub id: LocalIdentifier,
    /// Its meaning.
    pub definition: Definition<'a>,
}

/// What a dynamic identifier shall mean.
#[derive(Clone, Copy, PartialEq, Eq, Debug)]
pub enum Definition<'a> {
    /// These pieces, one after the other.
    Pieces(&'a [Piece]),
    /// Nothing any more (mode 04, which stands alone).
    Cleared,
}

/// One piece of a dynamic record.
#[derive(Clone, Copy, PartialEq, Eq, Hash, Debug)]
pub struct Piece {
    /// Its number in the record, from 1: an ordinal, not an offset (SSF 14230-3 7.4.3).
    pub position: u8,
    /// Bytes taken from the source.
    pub size: u8,
    /// Where they come from.
    pub source: Source,
}

/// Where a piece comes from. `first` is its first byte, counted from 1 = the byte after the identifier; of
/// input-output controls from 2 and 3, because the control parameter counts (SSF 14230-3 7.4.3).
#[derive(Clone, Copy, PartialEq, Eq, Hash, Debug)]
pub enum Source {
    /// Mode 01: the record of a local identifier.
    Local {
        /// Which.
        id: LocalIdentifier,
        /// First byte.
        first: u8,
    },
    /// Mode 02: the record of a common identifier.
    Common {
        /// Which.
        id: CommonIdentifier,
        /// First byte.
        first: u8,
    },
    /// Mode 03: memory.
    Memory(Address),
    /// Mode 81: an input or output by local identifier.
    LocalControl {
        /// Which.
        id: LocalIdentifier,
        /// Control parameter.
        control: u8,
        /// First byte.
        first: u8,
    },
    /// Mode 82: an input or output by common identifier.
    CommonControl {
        /// Which.
        id: CommonIdentifier,
        /// Control parameter.
        control: u8,
        /// First byte.
        first: u8,
    },
}

impl DynamicallyDefineLocalIdentifier<'_> {
    /// 2C.
    pub const SERVICE: ServiceId = ServiceId::DYNAMICALLY_DEFINE_LOCAL_IDENTIFIER;
    const CLEAR: u8 = 0x04;

    /// Reads a request: the identifier, then its pieces; no piece at all clears the definition.
    ///
    /// # Errors
    /// Another service, no identifier, or nothing to define.
    pub fn parse(message: &[u8]) -> Result<(LocalIdentifier, Pieces<'_>), LayoutError> {
        let parameters = layout::parameters(message, Self::SERVICE)?;
        match parameters {
            [] | [_] => Err(LayoutError::Short { expected: 3, found: message.len() }),
            [id, Self::CLEAR] => Ok((LocalIdentifier(*id), Pieces { rest: &[], offset: 2 })),
            [id, rest @ ..] => Ok((LocalIdentifier(*id), Pieces { rest, offset: 2 })),
        }
    }

    /// Checks the response, which repeats the identifier and adds nothing.
    ///
    /// # Errors
    /// The unit refused, or answered to something else.
    pub fn check(&self, message: &[u8]) -> Result<(), ResponseError> {
        let data = layout::response(message, Self::SERVICE, &[self.id.0])?;
        Ok(layout::whole(2, data, nom::combinator::success(()))?)
    }
}

impl Emit for DynamicallyDefineLocalIdentifier<'_> {
    fn write(&self, to: &mut Writer<'_>) {
        to.bytes(&[Self::SERVICE.0, self.id.0]);
        match self.definition {
            Definition::Cleared => to.bytes(&[Self::CLEAR]),
            Definition::Pieces(pieces) => pieces.iter().for_each(|piece| piece.write(to)),
        }
    }
}

impl Piece {
    fn write(self, to: &mut Writer<'_>) {
        let Self { position, size, source } = self;
        match source {
            Source::Local { id, first } => to.bytes(&[0x01, position, size, id.0, first]),
            Source::Common { id, first } => {
                let [high, low] = id.0.to_be_bytes();
                to.bytes(&[0x02, position, size, high, low, first]);
            }
            Source::Memory(address) => {
                to.bytes(&[0x03, position, size]);
                to.bytes(&address.to_bytes());
            }
            Source::LocalControl { id, control, first } => {
                to.bytes(&[0x81, position, size, id.0, control, first]);
            }
            Source::CommonControl { id, control, first } => {
                let [high, low] = id.0.to_be_bytes();
                to.bytes(&[0x82, position, size, high, low, control, first]);
            }
        }
    }
}

/// The pieces of a definition as they stand in a request; ends after the first mistake.
#[derive(Clone, Debug)]
pub struct Pieces<'a> {
    rest: &'a [u8],
    offset: usize,
}

impl Iterator for Pieces<'_> {
    type Item = Result<Piece, LayoutError>;

    fn next(&mut self) -> Option<Self::Item> {
        let (mode, rest) = self.rest.split_first()?;
        let source_len = match mode {
            0x01 => 2,
            0x02 | 0x03 | 0x81 => 3,
            0x82 => 4,
            _ => {
                self.rest = &[];
                return Some(Err(LayoutError::Value { offset: self.offset, found: *mode }));
            }
        };
        let (piece, rest) = rest.split_at_checked(2 + source_len).unwrap_or((rest, &[]));
        self.rest = rest;
        let at = self.offset + 1;
        self.offset = at + piece.len();
        Some(read_piece(*mode, at, piece).inspect_err(|_| self.rest = &[]))
    }
}

fn read_piece(mode: u8, offset: usize, piece: &[u8]) -> Result<Piece, LayoutError> {
    let place = || (byte::<&[u8], _>, byte);
    let local = || byte.map(LocalIdentifier);
    let common = || be_u16.map(CommonIdentifier);
    let ((position, size), source) = match mode {
        0x01 => layout::whole(offset, piece, (place(), (local(), byte).map(|(id, first)| Source::Local { id, first }))),
        0x02 => {
            layout::whole(offset, piece, (place(), (common(), byte).map(|(id, first)| Source::Common { id, first })))
        }
        0x03 => layout::whole(offset, piece, (place(), be_u24.map(|a| Source::Memory(Address::of_24_bits(a))))),
        0x81 => layout::whole(
            offset,
            piece,
            (place(), (local(), byte, byte).map(|(id, control, first)| Source::LocalControl { id, control, first })),
        ),
        _ => layout::whole(
            offset,
            piece,
            (place(), (common(), byte, byte).map(|(id, control, first)| Source::CommonControl { id, control, first })),
        ),
    }?;
    Ok(Piece { position, size, source })
}

#[cfg(test)]
mod tests {
    use std::vec::Vec;

    use proptest::prelude::*;

    use super::*;

    fn any_source() -> impl Strategy<Value = Source> {
        let (local, common) = (any::<u8>().prop_map(LocalIdentifier), any::<u16>().prop_map(CommonIdentifier));
        prop_oneof![
            (local.clone(), any::<u8>()).prop_map(|(id, first)| Source::Local { id, first }),
            (common.clone(), any::<u8>()).prop_map(|(id, first)| Source::Common { id, first }),
            (0..=0xFF_FFFFu32).prop_map(|address| Source::Memory(Address::of_24_bits(address))),
            (local, any::<u8>(), any::<u8>()).prop_map(|(id, control, first)| Source::LocalControl {
                id,
                control,
                first
            }),
            (common, any::<u8>(), any::<u8>()).prop_map(|(id, control, first)| Source::CommonControl {
                id,
                control,
                first
            }),
        ]
    }

    proptest! {
        /// Modes may be mixed in one request (SSF 14230-3 7.4.3).
        #[test]
        fn a_definition_is_read_back(
            id in 0xF0..=0xF9u8,
            pieces in proptest::collection::vec(
                (any::<u8>(), any::<u8>(), any_source()).prop_map(|(position, size, source)| Piece { position, size, source }),
                1..20,
            ),
        ) {
            let mut buffer = [0; 255];
            let definition = Definition::Pieces(&pieces);
            let request = DynamicallyDefineLocalIdentifier { id: LocalIdentifier(id), definition };
            let (read, found) = DynamicallyDefineLocalIdentifier::parse(request.emit(&mut buffer).unwrap()).unwrap();
            prop_assert_eq!(read, LocalIdentifier(id));
            prop_assert_eq!(found.collect::<Result<Vec<_>, _>>(), Ok(pieces.clone()));
        }

        #[test]
        fn no_bytes_make_it_panic_or_loop(message: Vec<u8>) {
            if let Ok((_, pieces)) = DynamicallyDefineLocalIdentifier::parse(&message) {
                prop_assert!(pieces.count() <= message.len());
            }
        }
    }

    #[test]
    fn a_mistake_has_its_place_and_ends_the_list() {
        let found =
            |message: &'static [u8]| DynamicallyDefineLocalIdentifier::parse(message).unwrap().1.collect::<Vec<_>>();
        assert_eq!(
            found(&[0x2C, 0xF0, 0x01, 1, 1, 1, 7, 0x05, 2, 2, 2, 2])[1..],
            [Err(LayoutError::Value { offset: 7, found: 0x05 })]
        );
        assert_eq!(found(&[0x2C, 0xF0, 0x02, 1, 1, 0]), [Err(LayoutError::Short { expected: 7, found: 6 })]);
    }

    #[test]
    fn clearing_stands_alone() {
        let (_, mut pieces) = DynamicallyDefineLocalIdentifier::parse(&[0x2C, 0xF2, 0x04]).unwrap();
        assert_eq!(pieces.next(), None);
        let (_, mut pieces) = DynamicallyDefineLocalIdentifier::parse(&[0x2C, 0xF2, 0x04, 0x01]).unwrap();
        assert_eq!(pieces.next(), Some(Err(LayoutError::Value { offset: 2, found: 0x04 })));
    }
}
