//! Channels: from bytes to a value.

use core::time::Duration;

use super::{Expr, List, Text, UnitCode};
use crate::unit::{Quantity, Reference};
use crate::value::{ChannelId, RecordId};

/// One channel of one layout.
#[derive(Clone, PartialEq, Debug)]
pub struct Channel {
    /// Place in the definition's list.
    pub id: ChannelId,
    /// As formulas and programs name it; elements of arrays are `knock_retard.1`.
    pub name: Text,
    /// For people; the name if the file has none.
    pub label: Text,
    /// Where it comes from.
    pub origin: Origin,
    /// Has a reading only in responses where this holds.
    pub when: Option<Expr>,
    /// Raw values that mean "no value".
    pub invalid: List<Code>,
    /// Raw values that have names.
    pub states: List<State>,
    /// From raw to physical.
    pub conversion: Conversion,
    /// Of a number; states and texts have none.
    pub unit: Option<UnitCode>,
    /// What the number means where its unit leaves that open.
    pub quantity: Option<Quantity>,
    /// Of a pressure: what it is counted from.
    pub reference: Option<Reference>,
    /// Plausible physical range: reported, never clamped.
    pub range: Option<(f64, f64)>,
    /// Decimals worth showing, from the resolution.
    pub decimals: u8,
    /// Of a derived channel: oldest input allowed. `None`: twice the slowest input's period.
    pub max_age: Option<Duration>,
    /// Channels that its expressions read, each once.
    pub inputs: List<ChannelId>,
    /// Its raw value is a counter that wraps: expressions see the total since the session began.
    pub total: Option<Total>,
    /// Of a channel in a frame that we send: where its value comes from.
    pub sent: Option<Sent>,
}

/// A counter that wraps.
#[derive(Clone, Copy, PartialEq, Eq, Debug)]
pub struct Total {
    /// The last raw value before it starts from 0 again.
    pub last: u64,
    /// A larger step from one reading to the next is not believed.
    pub largest_step: u64,
}

/// What a channel of a sent frame says.
#[derive(Clone, PartialEq, Debug)]
pub struct Sent {
    /// The value, in the channel's unit.
    pub from: Expr,
    /// What becomes of a value that does not fit.
    pub outside: SentOutside,
}

/// What is sent for a value that does not fit its field.
#[derive(Clone, Copy, PartialEq, Eq, Debug)]
pub enum SentOutside {
    /// The nearest value that fits.
    Clamp,
    /// The channel's `invalid` code; without one the frame is not sent.
    Invalid,
}

/// Where a channel comes from.
#[derive(Clone, PartialEq, Debug)]
pub enum Origin {
    /// One field of a record.
    Field {
        /// The record.
        record: RecordId,
        /// The field.
        field: Field,
    },
    /// Several fields of a record; there is no single raw value.
    Parts {
        /// The record.
        record: RecordId,
        /// In file order; expressions name them by place.
        parts: List<Part>,
    },
    /// Other channels.
    Derived,
}

/// A named field of a channel of several parts.
#[derive(Clone, PartialEq, Debug)]
pub struct Part {
    /// As expressions name it.
    pub name: Text,
    /// The field.
    pub field: Field,
}

/// A field: which bytes, in which order, which bits of them.
#[derive(Clone, PartialEq, Debug)]
pub struct Field {
    /// Offsets into the record's data, most significant byte first; of text in reading order.
    pub bytes: List<u16>,
    /// How the bits are read.
    pub coding: Coding,
    /// Least significant bit used.
    pub low_bit: u8,
    /// Number of bits used, 1 to 64; of text 0.
    pub width: u8,
}

/// How the bits of a field are read.
#[derive(Clone, Copy, PartialEq, Eq, Debug)]
pub enum Coding {
    /// Unsigned.
    Unsigned,
    /// Two's complement of the field's own width.
    Signed,
    /// IEEE 754, 32 or 64 bits.
    Float,
    /// Printable ASCII; trailing 00, FF and blanks dropped.
    Ascii,
    /// Decimal digits, two a byte: a number.
    Bcd,
    /// The bytes as hex text.
    Hex,
}

/// Raw values that mean "no value".
#[derive(Clone, PartialEq, Debug)]
pub struct Code {
    /// First raw value; of a derived channel the result.
    pub first: i128,
    /// Last raw value.
    pub last: i128,
    /// What it means.
    pub meaning: Text,
}

/// Raw values that have a name.
#[derive(Clone, PartialEq, Debug)]
pub struct State {
    /// First raw value; of a derived channel the result.
    pub first: i128,
    /// Last raw value.
    pub last: i128,
    /// The state.
    pub name: Text,
}

/// From raw to physical.
#[derive(Clone, PartialEq, Debug)]
pub enum Conversion {
    /// The raw value itself.
    Identity,
    /// Exact, rounded once.
    Affine(Affine),
    /// Any expression.
    Expr(Expr),
    /// No number: only states, or text.
    None,
}

/// `(scale * raw + offset) / divisor`: exact in i128, rounded once.
#[derive(Clone, Copy, PartialEq, Eq, Debug)]
pub struct Affine {
    /// Factor of raw.
    pub scale: i64,
    /// Added.
    pub offset: i64,
    /// Greater than zero.
    pub divisor: i64,
}

/// A conversion table.
#[derive(Clone, PartialEq, Debug)]
pub struct Curve {
    /// Its name.
    pub name: Text,
    /// Argument and value, arguments rising.
    pub points: List<(f64, f64)>,
    /// Between two points.
    pub between: Between,
    /// Before the first and after the last point.
    pub outside: Outside,
}

/// What a curve gives between two points.
#[derive(Clone, Copy, PartialEq, Eq, Debug)]
pub enum Between {
    /// The straight line.
    Linear,
    /// The point at or before.
    Step,
    /// The nearer point; half-way the lower.
    Nearest,
}

/// What a curve gives outside its points.
#[derive(Clone, Copy, PartialEq, Eq, Debug)]
pub enum Outside {
    /// Nothing valid.
    Invalid,
    /// The value of the end point.
    Clamp,
    /// The last segment goes on.
    Extend,
}
