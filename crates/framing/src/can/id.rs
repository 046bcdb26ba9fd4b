//! A CAN identifier whose width is part of it.

use core::fmt;

/// An 11-bit or a 29-bit identifier (ISO 11898-1). The same number in two widths is two identifiers.
#[derive(Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash, Debug)]
pub enum Id {
    /// 11 bits, 000 to 7FF.
    Standard(u16),
    /// 29 bits, 00000000 to 1FFFFFFF.
    Extended(u32),
}

impl Id {
    /// An 11-bit identifier; `None` above 7FF.
    pub const fn standard(id: u16) -> Option<Self> {
        if id <= 0x7FF { Some(Self::Standard(id)) } else { None }
    }

    /// A 29-bit identifier; `None` above 1FFFFFFF.
    pub const fn extended(id: u32) -> Option<Self> {
        if id <= 0x1FFF_FFFF { Some(Self::Extended(id)) } else { None }
    }
}

/// Three hex digits for 11 bits, eight for 29 bits.
impl fmt::Display for Id {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        match self {
            Self::Standard(id) => write!(f, "{id:03X}"),
            Self::Extended(id) => write!(f, "{id:08X}"),
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use std::string::ToString;

    #[test]
    fn width_is_part_of_the_identifier() {
        assert_ne!(Id::standard(0x123).unwrap(), Id::extended(0x123).unwrap());
        assert_eq!(Id::standard(0x800), None);
        assert_eq!(Id::extended(0x2000_0000), None);
        assert_eq!(Id::standard(0x1F).unwrap().to_string(), "01F");
        assert_eq!(Id::extended(0x1F).unwrap().to_string(), "0000001F");
    }
}
