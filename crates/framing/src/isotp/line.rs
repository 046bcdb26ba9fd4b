//! What both ends of an ISO 15765-2 conversation know beforehand.

use core::time::Duration;

use super::Address;
use super::pdu::SHORT_LENGTH_MAX;
use crate::can::Frame;
use crate::contract::{Chunk, Speed};

/// What both ends of a conversation know beforehand, beside the addresses.
#[derive(Clone, Copy, PartialEq, Eq, Debug)]
pub struct Line {
    /// Set when connecting; `None`: the bus runs already and its owner has set the speed.
    pub speed: Option<Speed>,
    /// Frames and their unused bytes.
    pub frames: Frames,
    /// What we ask of the other side when it sends.
    pub flow: Flow,
    /// How long to wait.
    pub timing: Timing,
}

/// Which frames carry the PDUs and what stands in bytes that are not used.
#[derive(Clone, Copy, PartialEq, Eq, Debug)]
pub struct Frames {
    /// `Some`: frames are filled up with this byte (to 8, with FD to the next length of a frame); `None`: as short as
    /// their content (FD frames above 8 bytes are filled with CC all the same, ISO 15765-2 10.4.2.3).
    pub padding: Option<u8>,
    /// `Some`: FD frames.
    pub fd: Option<Fd>,
}

impl Frames {
    /// What unused bytes hold unless `padding` says otherwise (ISO 15765-2:2016 10.4.2.1).
    pub const FILLING: u8 = 0xCC;

    /// TX_DL: bytes of the longest frame sent. A `tx_dl` that no frame has counts as the next that one has.
    pub const fn tx_dl(&self) -> usize {
        match self.fd {
            Some(fd) if fd.tx_dl > 8 => match Frame::length_for(fd.tx_dl as usize) {
                Some(length) => length,
                None => Chunk::CAPACITY,
            },
            _ => 8,
        }
    }

    /// The longest message that goes into one frame to this address (ISO 15765-2:2016 tables 10 to 12).
    pub const fn single_max(&self, address: Address) -> usize {
        match self.tx_dl() {
            8 => 7 - address.prefix(),
            longer => longer - 2 - address.prefix(),
        }
    }

    /// Data bytes in the first frame of a message that is longer (ISO 15765-2:2016 table 9).
    pub const fn first_data(&self, address: Address, length: usize) -> usize {
        let header = if length > SHORT_LENGTH_MAX as usize { 6 } else { 2 };
        self.tx_dl() - header - address.prefix()
    }

    /// Data bytes in a full consecutive frame (ISO 15765-2:2016 table 9).
    pub const fn consecutive_data(&self, address: Address) -> usize {
        self.tx_dl() - 1 - address.prefix()
    }
}

/// FD frames.
#[derive(Clone, Copy, PartialEq, Eq, Debug)]
pub struct Fd {
    /// TX_DL, the longest frame sent: 8, 12, 16, 20, 24, 32, 48 or 64 bytes.
    pub tx_dl: u8,
    /// Whether the data phase runs at the faster rate.
    pub switch_rate: bool,
}

/// What a receiver asks of the sender, and how patient a sender is with it.
#[derive(Clone, Copy, PartialEq, Eq, Debug)]
pub struct Flow {
    /// BS: consecutive frames up to the next flow control; 0: all.
    pub block_size: u8,
    /// STmin as it stands in the frame (ISO 15765-2 table 20): 00 to 7F ms, F1 to F9 100 to 900 us.
    pub st_min: u8,
    /// N_WFTmax: WAITs in a row that a sender puts up with.
    pub wait_max: u8,
}

/// Network layer times (ISO 15765-2 table 21). None fires early; lateness of the port is added.
#[derive(Clone, Copy, PartialEq, Eq, Debug)]
pub struct Timing {
    /// Hand-over of a sender's frame to its confirmation.
    pub n_as: Duration,
    /// Hand-over of flow control to its confirmation.
    pub n_ar: Duration,
    /// A sender's wait for flow control.
    pub n_bs: Duration,
    /// Before flow control is sent: what a receiver takes, not a limit that it judges.
    pub n_br: Duration,
    /// Before a consecutive frame is sent, beside STmin: what a sender takes, not a limit that it judges.
    pub n_cs: Duration,
    /// A receiver's wait for a consecutive frame.
    pub n_cr: Duration,
}

impl Timing {
    /// ISO 15765-2:2016 table 21.
    pub const ISO15765_2: Self = Self {
        n_as: Duration::from_millis(1000),
        n_ar: Duration::from_millis(1000),
        n_bs: Duration::from_millis(1000),
        n_br: Duration::ZERO,
        n_cs: Duration::ZERO,
        n_cr: Duration::from_millis(1000),
    };

    /// ISO 15765-4:2005 table 6: diagnostics required by law.
    pub const ISO15765_4: Self = Self {
        n_as: Duration::from_millis(25),
        n_ar: Duration::from_millis(25),
        n_bs: Duration::from_millis(75),
        n_br: Duration::ZERO,
        n_cs: Duration::ZERO,
        n_cr: Duration::from_millis(150),
    };
}

impl Line {
    /// Classic frames of 8 bytes filled with CC, no limits on the sender, no WAIT, the times of ISO 15765-2.
    pub const CLASSIC: Self = Self {
        speed: None,
        frames: Frames { padding: Some(0xCC), fd: None },
        flow: Flow { block_size: 0, st_min: 0, wait_max: 0 },
        timing: Timing::ISO15765_2,
    };
}
