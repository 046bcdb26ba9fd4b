//! Which identifiers a unit supports: answers to 00, 20, 40 .. E0.

use core::fmt;
use core::ops::{BitOr, BitOrAssign};

use super::identifiers::is_support_mask;

/// Set of identifiers 01 to FF that a unit supports, put together from its masks.
///
/// The answer to 00 tells of 01 to 20 by four bytes, most significant bit first; its last bit says whether 20 may be
/// asked, which tells of 21 to 40, and so on (services 01, 02, 05, 06, 08 and 09 alike).
///
/// ```
/// use tickover_services::obd::SupportMask;
///
/// let mut supported = SupportMask::default();
/// supported.add(0x00, [0xBE, 0x1F, 0xA8, 0x13]);
/// assert!(supported.contains(0x0C) && !supported.contains(0x02));
/// assert_eq!(supported.after(0x00), Some(0x20)); // ask for it next
/// supported.add(0x20, [0x80, 0x00, 0x00, 0x00]);
/// assert_eq!(supported.after(0x20), None);
/// assert_eq!(supported.iter().last(), Some(0x21));
/// ```
#[derive(Clone, Copy, PartialEq, Eq, Hash, Default, Debug)]
pub struct SupportMask {
    /// As they came, one for each of 00, 20 .. E0.
    masks: [u32; 8],
}

impl SupportMask {
    /// Identifiers that ask for masks, in their order.
    pub const ASKED: [u8; 8] = [0x00, 0x20, 0x40, 0x60, 0x80, 0xA0, 0xC0, 0xE0];

    /// Adds the four bytes that answer to `asked`. Says whether `asked` is one of [`ASKED`](Self::ASKED); if not,
    /// nothing changes.
    pub fn add(&mut self, asked: u8, mask: [u8; 4]) -> bool {
        let place = if is_support_mask(asked) { self.masks.get_mut(usize::from(asked / 0x20)) } else { None };
        place.map(|place| *place |= u32::from_be_bytes(mask)).is_some()
    }

    /// The four bytes that answer to `asked`; `None` if it is none of [`ASKED`](Self::ASKED).
    pub fn answer(&self, asked: u8) -> Option<[u8; 4]> {
        let mask = if is_support_mask(asked) { self.masks.get(usize::from(asked / 0x20))? } else { return None };
        Some(mask.to_be_bytes())
    }

    /// Whether the unit has this identifier. Of 00 no mask tells: whoever answers has it.
    pub fn contains(&self, identifier: u8) -> bool {
        let Some(index) = identifier.checked_sub(1) else { return false };
        let mask = self.masks.get(usize::from(index / 0x20)).copied().unwrap_or_default();
        mask & (1 << 31 >> (index % 0x20)) != 0
    }

    /// Which identifier asks for the next mask, when `asked` has been answered; `None` if there is none.
    pub fn after(&self, asked: u8) -> Option<u8> {
        asked.checked_add(0x20).filter(|next| is_support_mask(*next) && self.contains(*next))
    }

    /// All identifiers that the unit has, in their order, those of masks too.
    pub fn iter(&self) -> impl Iterator<Item = u8> + use<> {
        let all = *self;
        (0x01..=0xFF).filter(move |identifier| all.contains(*identifier))
    }

    /// How many identifiers the unit has, those of masks too.
    pub fn len(&self) -> usize {
        self.iter().count()
    }

    /// Whether the unit has none.
    pub fn is_empty(&self) -> bool {
        self.iter().next().is_none()
    }
}

/// What either has, for instance two units of a vehicle.
impl BitOr for SupportMask {
    type Output = Self;

    fn bitor(mut self, other: Self) -> Self {
        self |= other;
        self
    }
}

impl BitOrAssign for SupportMask {
    fn bitor_assign(&mut self, other: Self) {
        self.masks.iter_mut().zip(other.masks).for_each(|(mask, other)| *mask |= other);
    }
}

/// Of a unit that has these identifiers: 20, 40 .. come in as far as they are needed to announce the others.
impl FromIterator<u8> for SupportMask {
    fn from_iter<I: IntoIterator<Item = u8>>(identifiers: I) -> Self {
        let mut all = Self::default();
        for identifier in identifiers {
            let announced_by = Self::ASKED.into_iter().filter(|asked| *asked < identifier);
            announced_by.chain([identifier]).for_each(|identifier| all.insert(identifier));
        }
        all
    }
}

impl SupportMask {
    fn insert(&mut self, identifier: u8) {
        let Some(index) = identifier.checked_sub(1) else { return };
        if let Some(mask) = self.masks.get_mut(usize::from(index / 0x20)) {
            *mask |= 1 << 31 >> (index % 0x20);
        }
    }
}

/// The identifiers as two hex digits each, blanks between; `none` if there is none.
impl fmt::Display for SupportMask {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        let mut all = self.iter();
        match all.next() {
            Some(first) => write!(f, "{first:02X}")?,
            None => return f.write_str("none"),
        }
        all.try_for_each(|identifier| write!(f, " {identifier:02X}"))
    }
}

#[cfg(test)]
mod tests {
    use std::collections::BTreeSet;
    use std::string::ToString;
    use std::vec::Vec;

    use proptest::prelude::*;

    use super::*;

    /// SAE J1979: masks computed from the lists that a tutorial after ISO 15031-5:2015 prints.
    #[test]
    fn printed_lists_give_these_masks() {
        let first: [u8; 19] = [
            0x01, 0x03, 0x04, 0x05, 0x06, 0x07, 0x08, 0x09, 0x0B, 0x0C, 0x0D, 0x0E, 0x0F, 0x10, 0x11, 0x13, 0x15, 0x19,
            0x1C,
        ];
        let all: SupportMask = first.into_iter().chain([0x21]).collect();
        assert_eq!(all.answer(0x00), Some([0xBF, 0xBF, 0xA8, 0x91]));
        assert_eq!(all.answer(0x20), Some([0x80, 0x00, 0x00, 0x00]));
        let gearbox: SupportMask = [0x01, 0x0D].into_iter().collect();
        assert_eq!(gearbox.answer(0x00), Some([0x80, 0x08, 0x00, 0x00]));
        assert_eq!(gearbox.to_string(), "01 0D");
    }

    #[test]
    fn only_identifiers_of_masks_are_taken() {
        let mut mask = SupportMask::default();
        assert!(!mask.add(0x01, [0xFF; 4]) && mask.is_empty());
        assert_eq!((mask.answer(0x21), mask.to_string()), (None, "none".into()));
    }

    /// The last bit of E0 would be an identifier that has no byte.
    #[test]
    fn the_last_mask_announces_nothing() {
        let mut mask = SupportMask::default();
        assert!(mask.add(0xE0, [0xFF; 4]));
        assert_eq!((mask.after(0xE0), mask.len(), mask.iter().last()), (None, 31, Some(0xFF)));
    }

    proptest! {
        #[test]
        fn a_mask_holds_what_it_was_made_of_and_announces_it(identifiers: BTreeSet<u8>) {
            let made: SupportMask = identifiers.iter().copied().collect();
            let mut asked = Some(0x00);
            let mut read = SupportMask::default();
            while let Some(identifier) = asked {
                read.add(identifier, made.answer(identifier).unwrap());
                asked = read.after(identifier);
            }
            prop_assert_eq!(read, made);
            let wanted = identifiers.iter().filter(|id| **id != 0).copied();
            prop_assert!(wanted.clone().all(|id| made.contains(id)));
            let others: Vec<u8> = made.iter().filter(|id| !identifiers.contains(id)).collect();
            prop_assert!(others.iter().all(|id| is_support_mask(*id) && wanted.clone().any(|later| later > *id)));
        }

        #[test]
        fn two_units_together_have_what_either_has(a: BTreeSet<u8>, b: BTreeSet<u8>) {
            let (of_a, of_b): (SupportMask, SupportMask) = (a.into_iter().collect(), b.into_iter().collect());
            let both = of_a | of_b;
            prop_assert!((0..=0xFF).all(|id| both.contains(id) == (of_a.contains(id) || of_b.contains(id))));
        }
    }
}
