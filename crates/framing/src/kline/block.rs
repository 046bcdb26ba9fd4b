//! Block framing of units before the standards, declared field by field.

/// A frame's fields in order, what its length byte counts, how it is checked.
#[derive(Clone, Copy, PartialEq, Eq, Debug)]
pub struct BlockFraming {
    /// The fields in the order sent; those after `count` mean nothing.
    pub fields: [BlockField; Self::FIELDS],
    /// How many fields there are.
    pub count: u8,
    /// What the length field counts.
    pub length_counts: LengthCounts,
    /// How the checksum field is computed, over everything before it.
    pub checksum: Checksum,
}

impl BlockFraming {
    /// The most fields that a frame has.
    pub const FIELDS: usize = 8;
}

/// One field of a frame.
#[derive(Clone, Copy, PartialEq, Eq, Debug)]
pub enum BlockField {
    /// The control unit's address, in requests and in answers.
    Unit,
    /// The tester's address, in requests and in answers.
    Tester,
    /// The length byte.
    Length,
    /// The data: once.
    Data,
    /// The checksum: once, last.
    Checksum,
    /// A byte that is always the same.
    Constant(u8),
}

/// What a length field counts.
#[derive(Clone, Copy, PartialEq, Eq, Debug)]
pub enum LengthCounts {
    /// Every byte of the frame.
    WholeFrame,
    /// The bytes that come after the length byte, checksum included.
    AfterLength,
    /// The data bytes alone.
    Data,
}

/// How a declared frame is checked.
#[derive(Clone, Copy, PartialEq, Eq, Debug)]
pub enum Checksum {
    /// Exclusive or of all bytes before it.
    Xor8,
    /// Sum modulo 256 of all bytes before it.
    Sum8,
    /// The sum's two's complement: all bytes of the frame add up to zero.
    NegatedSum8,
}
