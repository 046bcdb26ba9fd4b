//! What names in a formula stand for in one layout.

use std::collections::HashMap;
use std::string::{String, ToString};
use std::vec::Vec;

use super::catalog::{Catalog, elements};
use super::element_name;
use super::sheet::Sheet;
use crate::formula::{Input, Name, Names};
use crate::model::Comparisons;
use crate::model::channel::{Channel, Origin};
use crate::unit;

/// Names that every formula of a layout can use.
#[derive(Debug)]
pub(crate) struct LayoutNames<'c> {
    catalog: &'c Catalog,
    channels: HashMap<String, Input>,
    arrays: HashMap<String, Vec<(String, Input)>>,
    curves: HashMap<String, u16>,
    comparisons: Comparisons,
}

impl<'c> LayoutNames<'c> {
    /// Collects them; `curves` in the order of the layout.
    pub(crate) fn new(sheet: &Sheet, catalog: &'c Catalog, curves: &[&str]) -> Self {
        let mut names = Self {
            catalog,
            channels: HashMap::new(),
            arrays: HashMap::new(),
            curves: HashMap::new(),
            comparisons: Comparisons::new(),
        };
        for (place, curve) in curves.iter().enumerate() {
            names.curves.insert(curve.to_string(), u16::try_from(place).unwrap_or(u16::MAX));
        }
        for named in &sheet.channels {
            let Some(channel) = &named.value else { continue };
            let Some(shape) = Shape::of(channel) else { continue };
            let input = |name: &str| Some(shape.input(catalog.channel(name)?));
            if channel.index.is_empty() {
                names.channels.extend(input(&named.name).map(|input| (named.name.clone(), input)));
                continue;
            }
            let mut all = Vec::new();
            for element in elements(&channel.index) {
                let full = element_name(&named.name, &element);
                let Some(input) = input(&full) else { continue };
                names.channels.insert(full, input.clone());
                all.push((element, input));
            }
            names.arrays.insert(named.name.clone(), all);
        }
        names
    }

    pub(crate) const fn catalog(&self) -> &'c Catalog {
        self.catalog
    }
}

/// What a channel's value can be.
struct Shape {
    unit: Option<unit::UnitCode>,
    states: Vec<String>,
    text: bool,
}

impl Shape {
    /// `None` if its unit is wrong: that is said at the unit.
    fn of(channel: &Channel) -> Option<Self> {
        let unit = match &channel.unit {
            Some(text) => Some(unit::find(&text.value).ok()?),
            None => None,
        };
        let states = channel.states.iter().map(|state| state.text.clone()).collect();
        let text = matches!(&channel.origin, Origin::Field { field, .. } if field.is_text());
        Some(Self { unit, states, text })
    }

    fn input(&self, id: crate::value::ChannelId) -> Input {
        Input { id, unit: self.unit, states: self.states.clone(), text: self.text }
    }
}

/// Names where one formula stands.
#[derive(Debug)]
pub(crate) struct Here<'n> {
    pub(crate) layout: &'n LayoutNames<'n>,
    /// Whether there is one raw value.
    pub(crate) raw: bool,
    /// Names of the parts.
    pub(crate) parts: Vec<&'n str>,
    /// In an array: all its element names, and which one this is.
    pub(crate) element: Option<(&'n [String], &'n str)>,
}

impl<'n> Here<'n> {
    /// Where only channels are known: conditions of variants, faults, procedures.
    pub(crate) const fn outside(layout: &'n LayoutNames<'n>) -> Self {
        Self { layout, raw: false, parts: Vec::new(), element: None }
    }
}

impl Names for Here<'_> {
    fn resolve(&self, name: &str) -> Option<Name> {
        if name == "raw" {
            return self.raw.then_some(Name::Raw);
        }
        if let Some(place) = self.parts.iter().position(|part| *part == name) {
            return u8::try_from(place).ok().map(Name::Part);
        }
        if let Some(input) = self.layout.channels.get(name) {
            return Some(Name::Channel(input.clone()));
        }
        if let Some(array) = self.layout.arrays.get(name) {
            let same = |all: &[String]| all.len() == array.len() && array.iter().all(|(label, _)| all.contains(label));
            let here = self
                .element
                .filter(|(all, _)| same(all))
                .and_then(|(_, one)| array.iter().position(|(label, _)| label == one));
            let elements = array.iter().map(|(_, input)| input.clone()).collect();
            return Some(Name::Array { elements, here });
        }
        self.layout.curves.get(name).map(|place| Name::Curve(*place))
    }

    fn nearest(&self, name: &str) -> Vec<String> {
        let parts = self.parts.iter().copied();
        let raw = self.raw.then_some("raw").into_iter();
        let all = parts.chain(raw).chain(self.layout.catalog.formula_names());
        self.layout.comparisons.nearest(name, all).map(String::from).into_iter().collect()
    }
}
