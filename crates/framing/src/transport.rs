//! What a session asks of a line, in the same words for a K-line and for CAN.

use core::time::Duration;

use crate::contract::{Lost, Machine, Speed};
use crate::isotp::{Address, PduError};
use crate::time::Instant;

/// Whether the port hears what it sends itself.
#[derive(Clone, Copy, PartialEq, Eq, Debug)]
pub enum Echo {
    /// Every byte sent comes back: a single-wire line.
    Returns,
    /// Nothing comes back: the adapter removes it.
    Suppressed,
    /// Not known; found out on the first message sent.
    FindOut,
}

/// What a port can do and how late it tells.
///
/// Lateness widens what a machine accepts, never what it sends. It is zero in virtual time.
#[derive(Clone, Copy, PartialEq, Eq, Debug)]
pub struct Reach {
    /// Whether our own bytes come back.
    pub echo: Echo,
    /// The latest that a byte is reported after its end.
    pub late_in: Duration,
    /// The latest that a byte starts after it was asked for.
    pub late_out: Duration,
    /// Whether a held level reaches the other side as a pulse.
    pub pulse: bool,
    /// Whether parity reaches the other side.
    pub parity: bool,
}

impl Reach {
    /// A line without delay on which everything arrives: virtual time.
    pub const IDEAL: Self =
        Self { echo: Echo::Returns, late_in: Duration::ZERO, late_out: Duration::ZERO, pulse: true, parity: true };
}

/// Who is spoken to, or who spoke.
#[derive(Clone, Copy, PartialEq, Eq, Hash, Debug)]
pub enum Peer {
    /// A physical address on a K-line.
    Unit(u8),
    /// An address on CAN: of a request where it goes, of an answer where it came from.
    Address(Address),
    /// Whoever answers: functional addressing.
    Anyone,
}

/// How many answers a request has.
#[derive(Clone, Copy, PartialEq, Eq, Debug)]
pub enum Answers {
    /// None.
    None,
    /// One message.
    One,
    /// As many as come: every answer opens a new window.
    UntilSilence,
}

/// How a request is to be carried out.
///
/// The transport runs the window, because it knows the true end of the request; the layer above sets
/// its length (P2max, P2*max).
#[derive(Clone, Copy, PartialEq, Eq, Debug)]
pub struct Ask {
    /// To whom.
    pub to: Peer,
    /// How many answers to wait for.
    pub answers: Answers,
    /// End of the request to the start of an answer.
    pub window: Duration,
}

/// What was wrong with what came over the line. Noise: the connection lives.
#[derive(Clone, Copy, PartialEq, Eq, Hash, Debug)]
#[non_exhaustive]
pub enum Noise {
    /// A message whose checksum does not fit.
    Checksum {
        /// The sum that came.
        found: u8,
        /// The sum of what came before it.
        expected: u8,
    },
    /// The echo differed from what we sent: somebody else sent at the same time.
    Collision {
        /// Byte of our message, from 0.
        at: u16,
    },
    /// No echo came although this port returns it.
    NoEcho,
    /// A message stopped in the middle.
    Cut {
        /// Bytes that had come.
        bytes: u16,
    },
    /// Bytes that start no message.
    Header {
        /// The first of them.
        byte: u8,
    },
    /// A good message that was not for us or not from whom we asked.
    Foreign {
        /// Target address in it; our own address if it carries none.
        target: u8,
        /// Source address in it.
        source: u8,
    },
    /// A message that started before P2min was over: accepted, and noted.
    Early,
    /// A good message that nobody had asked for.
    Unasked {
        /// Data bytes in it.
        bytes: u16,
    },
    /// A message longer than its framing allows, or than the receiver holds.
    TooLong,
    /// A consecutive frame with another sequence number (ISO 15765-2, N_WRONG_SN).
    Sequence {
        /// What came.
        found: u8,
        /// What was due.
        expected: u8,
    },
    /// A new message began before the last was complete (N_UNEXP_PDU).
    Interrupted,
    /// The other side has no room for our message (N_BUFFER_OVFLW).
    Overflow,
    /// Flow control with a reserved status (N_INVALID_FS).
    FlowStatus {
        /// What came.
        found: u8,
    },
    /// The other side asked to wait more often than allowed (N_WFT_OVRN).
    Waits,
    /// No flow control came (N_TIMEOUT_Bs).
    NoFlowControl,
    /// No consecutive frame came (N_TIMEOUT_Cr).
    NoConsecutiveFrame,
    /// A frame that the standard has a receiver ignore, from somebody we listen to.
    Pdu(PduError),
    /// A frame could not be sent in time: a busy bus, nobody who acknowledges, a controller that is off (N_TIMEOUT_A).
    NotSent,
}

/// What a transport tells its owner.
#[derive(Clone, Copy, PartialEq, Eq, Debug)]
pub enum Heard {
    /// The connection stands.
    Ready {
        /// What the unit announced during initialisation.
        key_bytes: Option<(u8, u8)>,
    },
    /// The request is on the wire.
    Sent {
        /// Start of its first bit.
        start: Instant,
        /// End of its last bit.
        end: Instant,
    },
    /// A whole, good answer; its data stand in [`Transport::message`] until the next `handle` or `poll_output`.
    Message {
        /// Who sent it.
        from: Peer,
        /// Start of its first bit.
        start: Instant,
        /// End of its last bit.
        end: Instant,
        /// Data bytes, service identifier included.
        len: u16,
    },
    /// The window closed without a (further) answer.
    Silence {
        /// When.
        at: Instant,
    },
    /// Something unusable came; the window stays open as the standard says.
    Noise {
        /// When.
        at: Instant,
        /// What.
        what: Noise,
    },
    /// The port cannot run at this speed; carries what it runs at instead.
    NotMade {
        /// Asked for.
        wanted: Speed,
        /// Read back, if anything.
        got: Option<Speed>,
    },
    /// Initialisation did not succeed; another `connect` tries again.
    NotReady {
        /// When it was given up.
        at: Instant,
        /// How far it came.
        stage: Stage,
    },
    /// The line is gone; this transport is dead.
    Down(Lost),
}

/// How far an initialisation came before it failed.
#[derive(Clone, Copy, PartialEq, Eq, Hash, Debug)]
#[non_exhaustive]
pub enum Stage {
    /// Nothing came after the address or the wake-up pattern and request.
    NoAnswer,
    /// Something came instead of the synchronisation byte 55.
    Synchronisation {
        /// What came.
        found: u8,
    },
    /// The first or second key byte is missing.
    KeyBytes,
    /// Key bytes came that the definition does not expect.
    OtherKeyBytes {
        /// What came.
        found: (u8, u8),
    },
    /// The unit's inverted address is missing.
    NoConfirmation,
    /// Another byte than the inverted address came.
    Confirmation {
        /// What came.
        found: u8,
        /// The address inverted.
        expected: u8,
    },
    /// A message came that is no positive answer to StartCommunication.
    Refused,
    /// The line was never idle long enough to begin.
    NeverIdle,
}

/// A call that does not fit the state: the caller's mistake.
#[derive(Clone, Copy, PartialEq, Eq, Debug, thiserror::Error)]
#[non_exhaustive]
pub enum Misuse {
    /// A request is still under way.
    #[error("the line is busy with a request; wait for its answer or its silence")]
    Busy,
    /// There is no connection.
    #[error("there is no connection; connect first")]
    NotConnected,
    /// The line has no such address: one of CAN on a K-line, or all units without a functional address.
    #[error(
        "this line has no such address: a K-line names a unit by its address, CAN by the address of its requests; all units go by the functional address"
    )]
    Addressing,
    /// The request does not fit into a message.
    #[error("the request has {length} bytes, a message of this framing holds 1 to {limit}")]
    Length {
        /// Bytes asked for.
        length: usize,
        /// Most that one message holds.
        limit: u16,
    },
}

/// A line seen from the session: connect, then ask.
pub trait Transport: Machine<Event = Heard> {
    /// Begins (again): sets the speed, initialises, then tells `Ready` or `NotReady`.
    fn connect(&mut self, now: Instant);

    /// Sends one request as soon as the line allows it.
    ///
    /// # Errors
    /// [`Misuse`]: a request is under way, there is no connection, or `data` does not fit a message.
    fn request(&mut self, now: Instant, data: &[u8], ask: Ask) -> Result<(), Misuse>;

    /// Opens a new window of this length from the end of the last message: after "response pending".
    ///
    /// Called before the next `handle` or `poll_output` after that message.
    fn keep_waiting(&mut self, window: Duration);

    /// The data of the last message heard: service identifier and parameters.
    ///
    /// They stand until the next call of `handle` or `poll_output`.
    fn message(&self) -> &[u8];
}
