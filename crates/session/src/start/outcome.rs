//! What a start found out: identifiers, bit rate, who answered.

use alloc::vec::Vec;
use core::fmt;

use tickover_defs::Definition;
use tickover_defs::compiled::Line;
use tickover_framing::can::{Filter, Id};
use tickover_framing::isotp::{Address, Path};

/// The tester's address in identifiers of 29 bits.
const TESTER: u8 = 0xF1;

/// Width of identifiers.
#[derive(Clone, Copy, PartialEq, Eq, Hash, Debug)]
pub enum Width {
    /// 7DF, 7E8 to 7EF.
    Bits11,
    /// 18DB33F1, 18DAF1xx.
    Bits29,
}

/// A bus on which somebody answered 01 00.
#[derive(Clone, PartialEq, Eq, Debug)]
pub struct Started {
    /// Bits per second; `None`: the port runs at a rate of its own and does not say which.
    pub bit_rate: Option<u32>,
    /// Width of the identifiers.
    pub width: Width,
    /// Others were heard on the bus before anything was asked.
    pub traffic: bool,
    /// Who answered, the lowest identifier first.
    pub responders: Vec<Path>,
}

/// A bus on which nobody answered.
#[derive(Clone, Copy, PartialEq, Eq, Debug)]
pub struct NotStarted {
    /// The last rate that was tried; `None`: one of the port's own.
    pub bit_rate: Option<u32>,
    /// Others are there at this rate: their frames were heard, or they acknowledged ours.
    pub traffic: bool,
    /// Frames were destroyed: a wrong rate, or a bad connection.
    pub errors: bool,
}

impl Width {
    /// The width of this address.
    pub const fn of(address: Address) -> Self {
        match address.id() {
            Id::Standard(_) => Self::Bits11,
            Id::Extended(_) => Self::Bits29,
        }
    }

    /// Where a request to all units goes (ISO 15765-4 tables 3 and 5).
    pub const fn functional(self) -> Address {
        match self {
            Self::Bits11 => Address::Normal(Id::Standard(0x7DF)),
            Self::Bits29 => Address::NormalFixed { target: 0x33, source: TESTER, functional: true },
        }
    }

    /// The width of a bus on which requests to all go to this address; `None`: it is not the standard's.
    pub fn standard(functional: Address) -> Option<Self> {
        [Self::Bits11, Self::Bits29].into_iter().find(|width| width.functional().id() == functional.id())
    }

    /// The filter that every answer to a request to all passes, and little else.
    pub const fn answers(self) -> Filter {
        match self {
            Self::Bits11 => Filter { id: Id::Standard(0x7E8), mask: 0x7F8 },
            Self::Bits29 => Filter { id: Id::Extended(0x18DA_F100), mask: 0x03FF_FF00 },
        }
    }

    /// The path of the unit that answers with this identifier (ISO 15765-4 tables 3 and 5).
    pub const fn path(self, answer: Id) -> Option<Path> {
        match (self, answer) {
            (Self::Bits11, Id::Standard(id @ 0x7E8..=0x7EF)) => Some(Path {
                request: Address::Normal(Id::Standard(id - 8)),
                response: Address::Normal(Id::Standard(id)),
            }),
            // The priority of what is received is not looked at (ISO 15765-2 A.2.3).
            (Self::Bits29, Id::Extended(id)) if id & 0x03FF_FF00 == 0x00DA_0000 | (TESTER as u32) << 8 => {
                let unit = (id & 0xFF) as u8;
                Some(Path {
                    request: Address::NormalFixed { target: unit, source: TESTER, functional: false },
                    response: Address::NormalFixed { target: TESTER, source: unit, functional: false },
                })
            }
            _ => None,
        }
    }
}

impl Started {
    /// The definition as it holds on this bus for the unit with this path: nothing is left to be found out.
    pub fn applied_to(&self, definition: &Definition, path: Path) -> Definition {
        let mut definition = definition.clone();
        let sessions = definition.sessions.to_mut().iter_mut().map(|state| &mut state.line);
        for line in definition.line.iter_mut().chain(sessions) {
            let Line::Can(can) = line else { continue };
            can.start = None;
            can.bit_rate = self.bit_rate.unwrap_or(can.bit_rate);
            if let Some(unit) = &mut can.unit {
                unit.path = path;
                unit.functional = unit.functional.map(|_| self.width.functional());
            }
        }
        definition
    }

    /// The path for each unit that a caller knows: its own if that unit answered, else the next of those who did.
    pub fn paths(&self, written: &[Path]) -> Vec<Option<Path>> {
        let known = |path: &&Path| written.contains(path);
        let mut others = self.responders.iter().filter(|path| !known(path));
        written
            .iter()
            .map(|path| self.responders.iter().find(|found| *found == path).or_else(|| others.next()).copied())
            .collect()
    }
}

/// `500 kbit/s`, or that the port runs at a rate of its own.
struct Rate(Option<u32>);

impl fmt::Display for Rate {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        match self.0 {
            Some(rate) => write!(f, "{} kbit/s", f64::from(rate) / 1000.0),
            None => f.write_str("the port's own bit rate, which it does not tell"),
        }
    }
}

/// `the bus runs at 500 kbit/s with identifiers of 11 bits; 2 units answer: 7E8 7E9`
impl fmt::Display for Started {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        let bits = if self.width == Width::Bits11 { 11 } else { 29 };
        let units = if self.responders.len() == 1 { "unit answers" } else { "units answer" };
        write!(f, "the bus runs at {} with identifiers of {bits} bits; ", Rate(self.bit_rate))?;
        write!(f, "{} {units} 01 00:", self.responders.len())?;
        self.responders.iter().try_for_each(|path| write!(f, " {}", path.response.id()))
    }
}

impl fmt::Display for NotStarted {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        match (self.errors, self.traffic) {
            (true, _) => write!(f, "frames are destroyed on this bus, the last at {}", Rate(self.bit_rate)),
            (false, true) => write!(f, "others are there at {}, but nobody answers 01 00", Rate(self.bit_rate)),
            (false, false) => {
                write!(
                    f,
                    "nobody speaks, and nobody acknowledges or answers 01 00, the last at {}",
                    Rate(self.bit_rate)
                )
            }
        }
    }
}

impl NotStarted {
    /// What to try.
    pub const fn advice(&self) -> &'static str {
        match (self.errors, self.traffic) {
            (true, _) => "check the bit rate of the interface, CAN-H and CAN-L, and the two terminating resistors",
            (false, true) => {
                "the bus is alive: look for the diagnostic connector's own bus, or use a definition with the unit's own identifiers"
            }
            (false, false) => {
                "switch the ignition on, and check that the adapter stands on pins 6 and 14 of the connector"
            }
        }
    }
}
