//! What a number means beyond its dimension.

use core::fmt;

use super::{Unit, UnitCode, convert, same_dimension, table};

/// A quantity that shares its dimension with another one.
#[derive(Clone, Copy, PartialEq, Eq, Hash, Debug)]
pub enum Quantity {
    /// A moment of force: `N.m`, `[ft_i].[lbf_av]`.
    Torque,
    /// Work, heat: `J`.
    Energy,
    /// A point on a temperature scale: `Cel`, `[degF]`, and `K` where the definition says so.
    Temperature,
    /// A difference of two temperatures: `K`.
    TemperatureDifference,
}

/// What a pressure is counted from.
#[derive(Clone, Copy, PartialEq, Eq, Hash, Debug)]
pub enum Reference {
    /// From vacuum.
    Absolute,
    /// From the air around.
    Gauge,
}

/// A unit with what a value in it means.
#[derive(Clone, Copy, PartialEq, Eq, Hash, Debug)]
pub struct Measure {
    /// The unit.
    pub unit: UnitCode,
    /// Where its dimension leaves that open.
    pub quantity: Option<Quantity>,
    /// Of a pressure.
    pub reference: Option<Reference>,
}

/// Why a value cannot be shown as another measure.
#[derive(Clone, Copy, PartialEq, Eq, Debug)]
pub enum Mismatch {
    /// Units of different dimensions.
    Dimension,
    /// A torque is no energy, a difference of temperatures no temperature.
    Quantity,
    /// A gauge pressure is not absolute.
    Reference,
}

impl Quantity {
    const WORDS: [(&'static str, Self); 4] = [
        ("torque", Self::Torque),
        ("energy", Self::Energy),
        ("temperature", Self::Temperature),
        ("temperature difference", Self::TemperatureDifference),
    ];

    /// The quantity that a definition calls by this word.
    pub fn from_word(word: &str) -> Option<Self> {
        Self::WORDS.iter().find(|(text, _)| *text == word).map(|(_, quantity)| *quantity)
    }

    /// The word that a definition uses.
    pub fn word(self) -> &'static str {
        Self::WORDS.iter().find(|(_, quantity)| *quantity == self).map_or("", |(word, _)| word)
    }

    /// What a unit means when a definition says nothing more.
    pub fn of(unit: UnitCode) -> Option<Self> {
        match unit.code() {
            "N.m" | "[ft_i].[lbf_av]" => Some(Self::Torque),
            "J" => Some(Self::Energy),
            "Cel" | "[degF]" => Some(Self::Temperature),
            "K" => Some(Self::TemperatureDifference),
            _ => None,
        }
    }

    /// Whether a value in this unit can be such a quantity.
    pub fn fits(self, unit: UnitCode) -> bool {
        match self {
            // Only of kelvin is a point on the scale written like a difference.
            Self::Temperature => matches!(unit.code(), "Cel" | "[degF]" | "K"),
            _ => Self::of(unit) == Some(self),
        }
    }
}

impl Reference {
    /// The reference that a definition calls by this word.
    pub fn from_word(word: &str) -> Option<Self> {
        match word {
            "absolute" => Some(Self::Absolute),
            "gauge" => Some(Self::Gauge),
            _ => None,
        }
    }

    /// The word that a definition uses.
    pub fn word(self) -> &'static str {
        match self {
            Self::Absolute => "absolute",
            Self::Gauge => "gauge",
        }
    }
}

impl Unit {
    /// Whether values are pressures, which need a [`Reference`].
    pub fn is_pressure(&self) -> bool {
        self.dimension == table::PRESSURE
    }
}

impl Measure {
    /// A unit that means what it usually means.
    pub fn of(unit: UnitCode) -> Self {
        Self { unit, quantity: Quantity::of(unit), reference: None }
    }

    /// A value of this measure as another one.
    ///
    /// # Errors
    /// [`Mismatch`] names the first thing that differs: dimension, quantity, reference.
    pub fn convert(self, value: f64, to: Self) -> Result<f64, Mismatch> {
        if !same_dimension(self.unit, to.unit) {
            return Err(Mismatch::Dimension);
        }
        if self.quantity != to.quantity {
            return Err(Mismatch::Quantity);
        }
        if self.reference != to.reference {
            return Err(Mismatch::Reference);
        }
        convert(value, self.unit, to.unit).ok_or(Mismatch::Dimension)
    }
}

impl fmt::Display for Mismatch {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str(match self {
            Self::Dimension => "the units have different dimensions",
            Self::Quantity => "the units have one dimension, but the quantities differ",
            Self::Reference => "one pressure is absolute, the other gauge",
        })
    }
}

impl core::error::Error for Mismatch {}
