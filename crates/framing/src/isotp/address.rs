//! How a frame says from whom it is and for whom (ISO 15765-2 clause 9.3 and annex A).

use crate::can::{Filter, Frame, FrameKind, Id};

/// The 29-bit identifier without its priority: bits 28 to 26 are not looked at (ISO 15765-2 A.2.3).
const WITHOUT_PRIORITY: u32 = 0x03FF_FFFF;

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

    /// Bytes in front of the PDU: 0 or 1.
    pub(crate) const fn prefix(self) -> usize {
        self.first_byte().is_some() as usize
    }

    /// The frames that may come from there: identifiers without their priority where the format fixes them.
    pub const fn filter(self) -> Filter {
        match self {
            Self::NormalFixed { .. } | Self::Mixed29 { .. } => Filter { id: self.id(), mask: WITHOUT_PRIORITY },
            Self::Normal(_) | Self::Extended { .. } | Self::Mixed11 { .. } => Filter::only(self.id()),
        }
    }

    /// Whether a frame received goes to this address.
    ///
    /// ```
    /// use tickover_framing::can::{Frame, Id};
    /// use tickover_framing::isotp::Address;
    /// let unit = Address::NormalFixed { target: 0xF1, source: 0x1C, functional: false };
    /// let frame = |id| Frame::classic(Id::Extended(id), &[0x01, 0x7E]).unwrap();
    /// assert!(unit.matches(&frame(0x18DA_F11C)));
    /// assert!(unit.matches(&frame(0x0CDA_F11C))); // another priority
    /// assert!(!unit.matches(&frame(0x18DA_F11D)));
    /// ```
    pub fn matches(self, frame: &Frame) -> bool {
        let first_byte_fits = match self.first_byte() {
            Some(byte) => frame.data.as_slice().first() == Some(&byte),
            None => true,
        };
        frame.kind != FrameKind::Remote && self.filter().takes(frame.id) && first_byte_fits
    }

    /// Whether one frame can go to both.
    pub fn collides_with(self, other: Self) -> bool {
        let (one, two) = (self.filter(), other.filter());
        let ids_meet = Filter { mask: one.mask & two.mask, ..one }.takes(other.id());
        match (self.first_byte(), other.first_byte()) {
            (Some(first), Some(second)) => ids_meet && first == second,
            _ => ids_meet,
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

#[cfg(test)]
mod tests {
    use super::*;

    const PHYSICAL: Address = Address::NormalFixed { target: 0x10, source: 0xF1, functional: false };
    const MIXED: Address = Address::Mixed29 { target: 0x10, source: 0xF1, extension: 0x5A, functional: false };

    /// ISO 15765-2:2016 9.3.2 and annex A, priority 6: 218 physical and 219 functional, mixed 206 and 205.
    #[test]
    fn fixed_identifiers_carry_target_and_source() {
        let functional = Address::NormalFixed { target: 0x33, source: 0xF1, functional: true };
        let mixed = Address::Mixed29 { target: 0x33, source: 0xF1, extension: 1, functional: true };
        assert_eq!(PHYSICAL.id(), Id::Extended(0x18DA_10F1));
        assert_eq!(functional.id(), Id::Extended(0x18DB_33F1));
        assert_eq!(MIXED.id(), Id::Extended(0x18CE_10F1));
        assert_eq!(mixed.id(), Id::Extended(0x18CD_33F1));
        assert_eq!([PHYSICAL.first_byte(), MIXED.first_byte()], [None, Some(0x5A)]);
    }

    /// ISO 15765-2:2016 A.2.3: a receiver does not look at the priority.
    #[test]
    fn every_priority_is_taken_and_nothing_else_is_left_out() {
        for priority in 0..8_u32 {
            let frame = |id| Frame::classic(Id::Extended(priority << 26 | id), &[0x5A, 0x01, 0x3E]).unwrap();
            assert!(PHYSICAL.matches(&frame(0xDA_10F1)) && MIXED.matches(&frame(0xCE_10F1)));
            for other in [0xDB_10F1, 0xDA_11F1, 0xDA_10F0, 0x1DA_10F1, 0x2DA_10F1] {
                assert!(!PHYSICAL.matches(&frame(other)), "{other:X}");
            }
        }
    }

    #[test]
    fn the_first_byte_decides_where_the_identifier_does_not() {
        let extended = |target| Address::Extended { id: Id::Standard(0x6F1), target };
        let frame = Frame::classic(Id::Standard(0x6F1), &[0x12, 0x01, 0x3E]).unwrap();
        assert!(extended(0x12).matches(&frame) && !extended(0x13).matches(&frame));
        assert!(!extended(0x12).matches(&Frame::classic(Id::Standard(0x6F1), &[]).unwrap()));
        let mixed = Address::Mixed11 { id: 0x6F1, extension: 0x12 };
        assert!(mixed.matches(&frame));
        assert!(!Address::Normal(Id::Standard(0x6F1)).matches(&Frame::remote(Id::Standard(0x6F1)).unwrap()));
    }

    #[test]
    fn addresses_collide_when_one_frame_can_go_to_both() {
        let normal = |id| Address::Normal(id);
        let short = normal(Id::Standard(0x123));
        let extended = |target| Address::Extended { id: Id::Standard(0x123), target };
        assert!(short.collides_with(short) && short.collides_with(extended(1)));
        assert!(!extended(1).collides_with(extended(2)));
        assert!(!short.collides_with(normal(Id::Extended(0x123))));
        assert!(PHYSICAL.collides_with(normal(Id::Extended(0x0CDA_10F1))));
        assert!(!PHYSICAL.collides_with(MIXED));
    }
}
