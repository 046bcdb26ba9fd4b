//! The sans-IO contract: what goes into a machine, what comes out, and in which order.
//!
//! ```text
//! loop {
//!     handle one input, or call one command (connect, request, ...)
//!     drain poll_output() until WaitUntil or Idle:
//!         Act       do it, report it (`Sent`, `LineIs`, `SpeedIs` or `Lost`), then poll on
//!         Event     take it
//!     wait for input, or for the deadline; hand in all that is readable before `Timeout`
//! }
//! ```
//!
//! [`drive::turn`](crate::drive::turn) is this loop for any [`Port`](crate::drive::Port).
//!
//! All times are those of the wire: a start is the edge of a start bit, an end is the end of the
//! last stop bit. A port hears of a byte only at its stop bit, so a machine judges a limit on a
//! *start* (P1, P2, W1 to W4) on the byte's end less one character.

use core::fmt;
use core::time::Duration;

use crate::can::{Condition, Frame};
use crate::time::Instant;

/// Up to 64 bytes by value: a piece of a K-line message, or the data of a CAN FD frame.
#[derive(Clone, Copy, PartialEq, Eq)]
pub struct Chunk {
    len: u8,
    bytes: [u8; Self::CAPACITY],
}

impl Chunk {
    /// The most bytes that one chunk holds.
    pub const CAPACITY: usize = 64;
    /// No bytes.
    pub const EMPTY: Self = Self { len: 0, bytes: [0; Self::CAPACITY] };

    /// The first bytes of `bytes`, as many as fit, and the rest.
    pub fn split_from(bytes: &[u8]) -> (Self, &[u8]) {
        let (head, rest) = bytes.split_at(bytes.len().min(Self::CAPACITY));
        let mut chunk = Self { len: head.len() as u8, bytes: [0; Self::CAPACITY] };
        chunk.bytes[..head.len()].copy_from_slice(head);
        (chunk, rest)
    }

    /// All of `bytes`; `None` if they are more than 64.
    pub fn new(bytes: &[u8]) -> Option<Self> {
        let (chunk, rest) = Self::split_from(bytes);
        rest.is_empty().then_some(chunk)
    }

    /// The bytes held.
    pub fn as_slice(&self) -> &[u8] {
        &self.bytes[..usize::from(self.len)]
    }
}

impl AsRef<[u8]> for Chunk {
    fn as_ref(&self) -> &[u8] {
        self.as_slice()
    }
}

impl fmt::Debug for Chunk {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        write!(f, "{}", Hex(self.as_slice()))
    }
}

/// Shows bytes as `81 1C F1`.
#[derive(Clone, Copy, PartialEq, Eq, Debug)]
pub struct Hex<'a>(pub &'a [u8]);

impl fmt::Display for Hex<'_> {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        for (i, byte) in self.0.iter().enumerate() {
            write!(f, "{}{byte:02X}", if i == 0 { "" } else { " " })?;
        }
        Ok(())
    }
}

/// What is put on the wire.
#[derive(Clone, Copy, PartialEq, Eq, Debug)]
pub enum Wire {
    /// Characters of a serial line, without gaps.
    Bytes(Chunk),
    /// One CAN frame.
    Frame(Frame),
}

/// Parity of a serial character.
#[derive(Clone, Copy, PartialEq, Eq, Hash, Debug)]
pub enum Parity {
    /// No parity bit.
    None,
    /// Even number of ones.
    Even,
    /// Odd number of ones.
    Odd,
}

/// How fast the line runs and what a character looks like.
#[derive(Clone, Copy, PartialEq, Eq, Debug)]
pub enum Speed {
    /// Asynchronous characters of eight data bits.
    Serial {
        /// Bits per second.
        baud: u32,
        /// Parity bit.
        parity: Parity,
        /// 1 or 2.
        stop_bits: u8,
    },
    /// A CAN bus.
    Can {
        /// Bits per second in the arbitration phase.
        bit_rate: u32,
        /// Bits per second in the data phase of FD frames.
        data_rate: Option<u32>,
        /// Never sends, not even acknowledgements.
        listen_only: bool,
    },
}

/// Level of a single-wire line. `High` means released: the pull-up holds it.
#[derive(Clone, Copy, PartialEq, Eq, Debug)]
pub enum Level {
    /// Driven low (a break).
    Low,
    /// Released.
    High,
}

/// Pairs an act with its report; several frames may be under way on CAN.
#[derive(Clone, Copy, PartialEq, Eq, Hash, Debug)]
pub struct Tag(pub u16);

/// What the driver must do. Each act is answered by one report: `Sent`, `LineIs`, `SpeedIs` or `Lost`.
#[derive(Clone, Copy, PartialEq, Eq, Debug)]
pub enum Act {
    /// Put it on the wire now, without gaps. P4, W4 and STmin are the machine's waits.
    Transmit {
        /// Comes back in `Sent`.
        tag: Tag,
        /// What to send.
        wire: Wire,
    },
    /// Hold the line low or release it.
    Line {
        /// The level from now on.
        level: Level,
        /// How long it is planned to stay: a port may let its UART time it.
        hold: Duration,
    },
    /// Set the speed. The first act of every connection: no port is opened "with a baud rate".
    Speed(Speed),
}

/// Name and clause of a deadline, whatever layer armed it: `P2max`, `ISO 14230-2 table 1a`.
#[derive(Clone, Copy, PartialEq, Eq, Debug)]
pub struct Why {
    /// The standard's name of the limit, or ours.
    pub name: &'static str,
    /// Where it is written.
    pub clause: &'static str,
}

/// What a machine wants next. It owns everything, so a machine can stand inside a machine.
#[derive(Clone, Copy, PartialEq, Eq, Debug)]
pub enum Output<E> {
    /// Do this and report it before polling on.
    Act(Act),
    /// Something happened.
    Event(E),
    /// Nothing until input comes or this instant passes: then hand in `Timeout`.
    WaitUntil {
        /// The instant.
        at: Instant,
        /// What is waited for.
        why: Why,
    },
    /// Nothing until input comes.
    Idle,
}

/// How the driver knows when something was sent.
#[derive(Clone, Copy, PartialEq, Eq, Debug)]
pub enum Known {
    /// Seen on the wire (a CAN confirmation).
    Measured,
    /// From the number of characters and the baud rate.
    Computed,
}

/// Why a line ended.
#[derive(Clone, Copy, PartialEq, Eq, Debug)]
pub enum Lost {
    /// The port is gone: unplugged, hung up.
    Gone,
    /// The port refused what it was asked to do.
    Refused,
    /// The caller ended it.
    Stopped,
}

/// What happened on the line.
#[derive(Clone, Copy, Debug)]
pub enum Input<'a> {
    /// One delivery of characters. They count as back to back.
    Bytes {
        /// End of the last one's stop bit.
        end: Instant,
        /// At least one.
        bytes: &'a [u8],
    },
    /// A frame of somebody else. Our own come back as `Sent`.
    Frame {
        /// End of the frame.
        end: Instant,
        /// The frame.
        frame: &'a Frame,
    },
    /// A CAN controller says something about its bus.
    Bus {
        /// When.
        at: Instant,
        /// What.
        condition: Condition,
    },
    /// Somebody else moved the line: a unit's view of an initialisation.
    Edge {
        /// When.
        at: Instant,
        /// To which level.
        level: Level,
    },
    /// An act `Transmit` was done.
    Sent {
        /// The act's tag.
        tag: Tag,
        /// Start of the first bit.
        start: Instant,
        /// End of the last bit: the only time that may lie ahead of now.
        end: Instant,
        /// How the times are known.
        known: Known,
    },
    /// An act `Line` was done.
    LineIs {
        /// When the level changed.
        at: Instant,
        /// The level now.
        level: Level,
    },
    /// An act `Speed` was tried.
    SpeedIs {
        /// When.
        at: Instant,
        /// Read back from the port; `None` if it cannot be set. The machine judges it.
        got: Option<Speed>,
    },
    /// The deadline has passed and everything readable has been handed in.
    Timeout {
        /// The time now.
        now: Instant,
    },
    /// The line is gone. A transport machine stays dead after this.
    Lost {
        /// When it was noticed.
        at: Instant,
        /// Why.
        cause: Lost,
    },
}

/// A state machine on a line. See the [module](self) for the order of calls.
pub trait Machine {
    /// What it tells its owner.
    type Event;
    /// Takes one input.
    fn handle(&mut self, input: Input<'_>);
    /// Gives the next output; call until it gives `WaitUntil` or `Idle`.
    fn poll_output(&mut self) -> Output<Self::Event>;
}
