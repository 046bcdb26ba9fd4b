//! Everything a tester or a unit must know about a K-line before it speaks.

use super::{BlockFraming, KeyBytes, Timing};
use crate::contract::{Parity, Speed};
use crate::time::CharTime;

/// A K-line and the unit on it: speed, initialisation, addresses, framing, timing.
#[derive(Clone, Copy, PartialEq, Eq, Debug)]
pub struct Line {
    /// Bits per second after initialisation.
    pub baud: u32,
    /// Parity bit of a character; data bits are always eight.
    pub parity: Parity,
    /// 1 or 2.
    pub stop_bits: u8,
    /// How communication starts.
    pub init: Init,
    /// Physical address of the control unit.
    pub unit: u8,
    /// Functional address for requests that the standard sends to all.
    pub functional: Option<u8>,
    /// The tester's own address.
    pub tester: u8,
    /// How messages are delimited and checked.
    pub framing: Framing,
    /// Limits that hold from the end of initialisation.
    pub timing: Timing,
}

impl Line {
    /// The speed as an act sets it.
    pub const fn speed(&self) -> Speed {
        Speed::Serial { baud: self.baud, parity: self.parity, stop_bits: self.stop_bits }
    }

    /// The time of characters at this speed: start, eight data, parity and stop bits.
    pub const fn char_time(&self) -> CharTime {
        let parity = !matches!(self.parity, Parity::None) as u8;
        CharTime::new(1 + 8 + parity + self.stop_bits, self.baud)
    }
}

/// How communication starts (ISO 14230-2 5.1, ISO 9141-2).
#[derive(Clone, Copy, PartialEq, Eq, Debug)]
pub enum Init {
    /// No pattern: the unit answers at once.
    None,
    /// TiniL low, TWup, StartCommunication.
    Fast,
    /// An address at 5 Bd, then key bytes.
    FiveBaud(FiveBaud),
}

/// A five-baud initialisation.
#[derive(Clone, Copy, PartialEq, Eq, Debug)]
pub struct FiveBaud {
    /// The byte as it goes over the line, least significant bit first.
    pub address: u8,
    /// Key bytes expected; others end the attempt. `None`: any are taken.
    pub key_bytes: Option<KeyBytes>,
    /// Whether the unit returns its inverted address.
    pub unit_confirms: bool,
}

/// How messages are delimited and checked.
#[derive(Clone, Copy, PartialEq, Eq, Debug)]
pub enum Framing {
    /// ISO 14230-2: format byte, addresses, length, sum.
    Iso14230,
    /// ISO 9141-2: three header bytes, no length, sum; a message ends by silence.
    Iso9141,
    /// Blocks of a unit before the standards, declared field by field.
    Declared(BlockFraming),
}
