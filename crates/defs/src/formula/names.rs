//! What the names in a formula stand for: asked of whoever compiles the definition.

use std::string::String;
use std::vec::Vec;

use crate::unit::UnitCode;
use crate::value::ChannelId;

/// What names stand for where a formula is written.
pub trait Names {
    /// What this name stands for here: `raw`, a part, a channel by its full name, an array, a curve.
    fn resolve(&self, name: &str) -> Option<Name>;

    /// Names that exist here and look like this one, nearest first.
    fn nearest(&self, name: &str) -> Vec<String> {
        let _ = name;
        Vec::new()
    }
}

/// What a name stands for.
#[derive(Clone, PartialEq, Debug)]
pub enum Name {
    /// The raw value, where there is exactly one.
    Raw,
    /// A part of a channel of several parts, by place.
    Part(u8),
    /// One channel or one element of an array.
    Channel(Input),
    /// A whole array.
    Array {
        /// Its elements in stored order.
        elements: Vec<Input>,
        /// In the formula of an array with the same index: the element of the same name.
        here: Option<usize>,
    },
    /// A conversion table, by place in the layout.
    Curve(u16),
}

/// A channel as formulas see it.
#[derive(Clone, PartialEq, Debug)]
pub struct Input {
    /// The channel.
    pub id: ChannelId,
    /// Its value can be a number, in this unit.
    pub unit: Option<UnitCode>,
    /// Its value can be one of these states.
    pub states: Vec<String>,
    /// Its value is a text read from the unit.
    pub text: bool,
}

impl Input {
    /// A channel whose value is a number.
    pub fn number(id: ChannelId, unit: UnitCode) -> Self {
        Self { id, unit: Some(unit), states: Vec::new(), text: false }
    }
}
