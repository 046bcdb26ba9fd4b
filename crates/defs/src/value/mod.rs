//! Readings: a raw value, and either a value or the reason why there is none. There is no third thing.

use alloc::borrow::Cow;
use core::fmt;
use core::time::Duration;

use crate::compiled::{Text, UnitCode};

/// A channel: its place in the definition's list, the same in all variants.
#[derive(Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash, Debug)]
pub struct ChannelId(pub u16);

/// A record: its place in the definition's list, the same in all variants.
#[derive(Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash, Debug)]
pub struct RecordId(pub u16);

/// What stood in the response before any conversion.
#[derive(Clone, PartialEq, Eq, Hash, Debug)]
pub enum Raw {
    /// An unsigned field; of a float field its bit pattern.
    Unsigned(u64),
    /// A two's complement field.
    Signed(i64),
    /// The bytes of a text or digit field.
    Bytes(Cow<'static, [u8]>),
}

/// A physical value.
#[derive(Clone, PartialEq, Debug)]
pub enum Value {
    /// A finite number in the channel's unit.
    Number(f64),
    /// A state's name or a text read from the unit.
    Text(Text),
}

/// Why a reading has no value.
#[derive(Clone, PartialEq, Eq, Hash, Debug)]
#[non_exhaustive]
pub enum Invalid {
    /// The raw value is a code that the definition declares invalid, or a formula said `invalid '...'`.
    Declared(Text),
    /// The raw value is not among the channel's states.
    Unlisted,
    /// Outside the points of this curve.
    OutsideCurve(Text),
    /// A BCD digit above 9.
    NotADigit,
    /// A byte outside printable ASCII.
    NotText,
    /// The float field holds NaN or an infinity.
    NotANumber,
    /// A division by zero.
    DivisionByZero,
    /// The root or logarithm of a number that has none, or a power without a real result.
    NoRealResult,
    /// A result too large for a number.
    Overflow,
    /// This input has no valid reading; carries its name.
    Input(Text),
    /// An input's reading is older than the channel allows.
    InputTooOld,
    /// No reading has come yet.
    NoReading,
    /// The unit has said that it does not have this.
    NotSupported,
    /// Fewer than two readings, so no rate of change.
    NoRate,
    /// A counter went further since its last reading than the definition believes; the total goes on from here.
    StepTooLarge,
}

impl fmt::Display for Invalid {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        match self {
            Self::Declared(text) => f.write_str(text),
            Self::Unlisted => f.write_str("unlisted"),
            Self::OutsideCurve(name) => write!(f, "outside curve {name}"),
            Self::NotADigit => f.write_str("not a digit"),
            Self::NotText => f.write_str("not text"),
            Self::NotANumber => f.write_str("not a number"),
            Self::DivisionByZero => f.write_str("division by zero"),
            Self::NoRealResult => f.write_str("no real result"),
            Self::Overflow => f.write_str("overflow"),
            Self::Input(name) => write!(f, "input {name} is invalid"),
            Self::InputTooOld => f.write_str("input too old"),
            Self::NoReading => f.write_str("no reading yet"),
            Self::NotSupported => f.write_str("not supported by the unit"),
            Self::NoRate => f.write_str("no rate yet"),
            Self::StepTooLarge => f.write_str("step too large"),
        }
    }
}

/// One channel of one response.
#[derive(Clone, PartialEq, Debug)]
pub struct Reading {
    /// Which channel.
    pub channel: ChannelId,
    /// What stood in the response; derived channels and channels of several parts have none.
    pub raw: Option<Raw>,
    /// The value, or why there is none.
    pub value: Result<Value, Invalid>,
    /// Unit of a number.
    pub unit: Option<UnitCode>,
    /// Decimals worth showing.
    pub decimals: u8,
    /// Of a derived channel: how much older than the row its oldest input is. Otherwise zero.
    pub age: Duration,
}

/// Value and unit, with the decimals worth showing: `1840 1/min`; or `invalid: ` and the reason.
impl fmt::Display for Reading {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        match &self.value {
            Ok(Value::Number(number)) => write!(f, "{number:.*}", usize::from(self.decimals))?,
            Ok(Value::Text(text)) => return f.write_str(text),
            Err(why) => return write!(f, "invalid: {why}"),
        }
        match self.unit.map_or("", UnitCode::symbol) {
            "" => Ok(()),
            symbol => write!(f, " {symbol}"),
        }
    }
}

impl Reading {
    /// The number, if this is a valid number.
    pub fn number(&self) -> Option<f64> {
        match &self.value {
            Ok(Value::Number(number)) => Some(*number),
            _ => None,
        }
    }
}

#[cfg(test)]
mod tests {
    use alloc::string::ToString;

    use super::*;

    #[test]
    fn a_reading_shows_its_value_with_its_decimals_and_unit_or_why_there_is_none() {
        let reading = |value, decimals| Reading {
            channel: ChannelId(0),
            raw: None,
            value,
            unit: Some(UnitCode::ONE),
            decimals,
            age: Duration::ZERO,
        };
        assert_eq!(reading(Ok(Value::Number(1840.26)), 1).to_string(), "1840.3");
        assert_eq!(reading(Ok(Value::Text("idle".into())), 0).to_string(), "idle");
        assert_eq!(reading(Err(Invalid::NotText), 0).to_string(), "invalid: not text");
        let celsius = crate::unit::UNITS.iter().position(|unit| unit.code == "Cel").unwrap();
        let warm = Reading { unit: Some(UnitCode(celsius as u8)), ..reading(Ok(Value::Number(82.0)), 1) };
        assert_eq!(warm.to_string(), "82.0 \u{b0}C");
    }
}
