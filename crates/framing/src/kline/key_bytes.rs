//! Key bytes: what a unit announces during initialisation (ISO 14230-2 5.2.4.1).

/// The two key bytes, first sent first.
#[derive(Clone, Copy, PartialEq, Eq, Hash, Debug)]
pub struct KeyBytes(pub u8, pub u8);
