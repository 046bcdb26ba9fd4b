//! Which frames are wanted.

use super::Id;

/// Frames whose identifier has the width of `id` and equals it in the bits of `mask`.
#[derive(Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash, Debug)]
pub struct Filter {
    /// The identifier, width included.
    pub id: Id,
    /// Bits that count; all ones for one identifier alone.
    pub mask: u32,
}

impl Filter {
    /// This identifier alone.
    pub const fn only(id: Id) -> Self {
        Self { id, mask: 0x1FFF_FFFF }
    }

    /// Every identifier of this width.
    pub const fn all(width_of: Id) -> Self {
        Self { id: width_of, mask: 0 }
    }

    /// Whether a frame with this identifier is wanted.
    pub const fn takes(self, id: Id) -> bool {
        match (self.id, id) {
            (Id::Standard(wanted), Id::Standard(found)) => (wanted ^ found) as u32 & self.mask == 0,
            (Id::Extended(wanted), Id::Extended(found)) => (wanted ^ found) & self.mask == 0,
            _ => false,
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_filter_of_one_width_never_takes_the_other() {
        let wanted = Filter::only(Id::Standard(0x123));
        assert!(wanted.takes(Id::Standard(0x123)));
        assert!(!wanted.takes(Id::Standard(0x122)));
        assert!(!wanted.takes(Id::Extended(0x123)));
        assert!(!Filter::all(Id::Standard(0)).takes(Id::Extended(0x123)));
    }
}
