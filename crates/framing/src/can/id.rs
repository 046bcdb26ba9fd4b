//! A CAN identifier whose width is part of it.

use core::fmt;
use core::str::FromStr;

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

    /// The number alone. Two identifiers of different width may share it.
    pub const fn number(self) -> u32 {
        match self {
            Self::Standard(id) => id as u32,
            Self::Extended(id) => id,
        }
    }

    /// Whether the number keeps to its width.
    pub const fn is_in_width(self) -> bool {
        match self {
            Self::Standard(id) => id <= 0x7FF,
            Self::Extended(id) => id <= 0x1FFF_FFFF,
        }
    }

    /// Whether a data frame with this identifier goes first where one with the other begins in the same instant: lower
    /// numbers win, and 11 bits win against the 29 that begin with them (ISO 11898-1:2015 10.4.2).
    ///
    /// ```
    /// use tickover_framing::can::Id;
    /// assert!(Id::Standard(0x7E8).wins_against(Id::Standard(0x7E9)));
    /// assert!(Id::Standard(0x7E8).wins_against(Id::Extended(0x1FA0_0000)));
    /// ```
    pub const fn wins_against(self, other: Self) -> bool {
        self.arbitration() < other.arbitration()
    }

    const fn arbitration(self) -> u32 {
        match self {
            Self::Standard(id) => (id as u32) << 19,
            Self::Extended(id) => (id >> 18) << 19 | 1 << 18 | (id & 0x3_FFFF),
        }
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

/// Why a text is no identifier.
#[derive(Clone, Copy, PartialEq, Eq, Debug, thiserror::Error)]
#[non_exhaustive]
pub enum IdError {
    /// Not three and not eight digits: the width would be a guess.
    #[error("an identifier has three hex digits (11 bits) or eight (29 bits); these are {0} characters")]
    Digits(usize),
    /// A character that is no hex digit.
    #[error("an identifier is written in hex digits only")]
    NotHex,
    /// More than 7FF or 1FFFFFFF.
    #[error("{0:X} is too large: 11 bits end at 7FF, 29 bits at 1FFFFFFF")]
    TooLarge(u32),
}

/// Reads what `Display` writes: the number of digits tells the width.
///
/// ```
/// use tickover_framing::can::Id;
/// assert_eq!("7E8".parse(), Ok(Id::Standard(0x7E8)));
/// assert_eq!("000007E8".parse(), Ok(Id::Extended(0x7E8)));
/// assert!("7E80".parse::<Id>().is_err());
/// ```
impl FromStr for Id {
    type Err = IdError;

    fn from_str(text: &str) -> Result<Self, IdError> {
        let digits = text.chars().count();
        if digits != 3 && digits != 8 {
            return Err(IdError::Digits(digits));
        }
        if !text.bytes().all(|digit| digit.is_ascii_hexdigit()) {
            return Err(IdError::NotHex);
        }
        let number = u32::from_str_radix(text, 16).map_err(|_| IdError::NotHex)?;
        let id = if digits == 3 { Self::standard(number as u16) } else { Self::extended(number) };
        id.ok_or(IdError::TooLarge(number))
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use std::string::ToString;

    /// ISO 11898-1:2015 10.4.2: bit by bit from the front, the dominant one (0) wins; IDE is recessive in 29 bits.
    #[test]
    fn the_first_dominant_bit_wins_the_arbitration() {
        let order = [
            Id::Standard(0x000),
            Id::Extended(0x0000_0001),
            Id::Standard(0x001),
            Id::Standard(0x6B2),
            Id::Extended(0x1AC8_0000),
            Id::Extended(0x1AC8_0001),
            Id::Standard(0x6B3),
            Id::Extended(0x1FFF_FFFF),
        ];
        for pair in order.windows(2) {
            assert!(pair[0].wins_against(pair[1]) && !pair[1].wins_against(pair[0]), "{pair:?}");
        }
        assert!(!order[3].wins_against(order[3]));
    }

    #[test]
    fn width_is_part_of_the_identifier() {
        assert_ne!(Id::standard(0x123).unwrap(), Id::extended(0x123).unwrap());
        assert_eq!(Id::standard(0x800), None);
        assert_eq!(Id::extended(0x2000_0000), None);
        assert_eq!(Id::standard(0x1F).unwrap().to_string(), "01F");
        assert_eq!(Id::extended(0x1F).unwrap().to_string(), "0000001F");
    }

    #[test]
    fn the_number_of_digits_tells_the_width() {
        for id in [Id::Standard(0), Id::Standard(0x7FF), Id::Extended(0), Id::Extended(0x1FFF_FFFF)] {
            assert_eq!(id.to_string().parse(), Ok(id));
        }
        assert_eq!("7ff".parse(), Ok(Id::Standard(0x7FF)));
        assert_eq!("800".parse::<Id>(), Err(IdError::TooLarge(0x800)));
        assert_eq!("20000000".parse::<Id>(), Err(IdError::TooLarge(0x2000_0000)));
        assert_eq!("7E80".parse::<Id>(), Err(IdError::Digits(4)));
        assert_eq!("+7E".parse::<Id>(), Err(IdError::NotHex));
        assert_eq!("7É8".parse::<Id>(), Err(IdError::NotHex));
        assert_eq!("".parse::<Id>(), Err(IdError::Digits(0)));
    }
}
