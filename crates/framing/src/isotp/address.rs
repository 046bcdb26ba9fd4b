//! How a frame says from whom it is and for whom (ISO 15765-2 clause 9.3 and annex A).

use crate::can::Id;

/// One direction of a conversation: everything in a frame that is not the PDU.
///
/// The same number in two widths, or with two address bytes, is two addresses.
#[derive(Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash, Debug)]
pub enum Address {
    /// The identifier alone.
    Normal(Id),
    /// The identifier `18DAttss` (physical) or `18DBttss` (functional) says target and source. The priority is not
    /// looked at in frames received.
    NormalFixed {
        /// N_TA.
        target: u8,
        /// N_SA.
        source: u8,
        /// To a group of units.
        functional: bool,
    },
    /// The first data byte is the target address.
    Extended {
        /// The identifier.
        id: Id,
        /// N_TA.
        target: u8,
    },
    /// 11 bits; the first data byte is the address extension.
    Mixed11 {
        /// The identifier.
        id: u16,
        /// N_AE.
        extension: u8,
    },
    /// `18CEttss` (physical) or `18CDttss` (functional); the first data byte is the address extension.
    Mixed29 {
        /// N_TA.
        target: u8,
        /// N_SA.
        source: u8,
        /// N_AE.
        extension: u8,
        /// To a group of units.
        functional: bool,
    },
}

impl Address {
    /// The identifier of frames that are sent there.
    pub const fn id(self) -> Id {
        match self {
            Self::Normal(id) | Self::Extended { id, .. } => id,
            Self::NormalFixed { target, source, functional } => {
                Self::fixed(if functional { 0xDB } else { 0xDA }, target, source)
            }
            Self::Mixed11 { id, .. } => Id::Standard(id),
            Self::Mixed29 { target, source, functional, .. } => {
                Self::fixed(if functional { 0xCD } else { 0xCE }, target, source)
            }
        }
    }

    /// The byte in front of the PDU, if there is one.
    pub const fn first_byte(self) -> Option<u8> {
        match self {
            Self::Normal(_) | Self::NormalFixed { .. } => None,
            Self::Extended { target, .. } => Some(target),
            Self::Mixed11 { extension, .. } | Self::Mixed29 { extension, .. } => Some(extension),
        }
    }

    const fn fixed(format: u32, target: u8, source: u8) -> Id {
        Id::Extended(0x1800_0000 | format << 16 | (target as u32) << 8 | source as u32)
    }
}

/// Both directions of a conversation with one unit, seen from the tester.
#[derive(Clone, Copy, PartialEq, Eq, Hash, Debug)]
pub struct Path {
    /// Requests, and flow control for answers.
    pub request: Address,
    /// Answers, and flow control for requests.
    pub response: Address,
}
