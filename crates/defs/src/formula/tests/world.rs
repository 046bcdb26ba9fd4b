//! A small world of names and readings that formulas in tests can use.

use std::string::{String, ToString};
use std::vec;
use std::vec::Vec;

use crate::compiled::{Between, Channel, Curve, Origin, Outside};
use crate::decode::field::Content;
use crate::decode::{Evaluation, Given, Scope};
use crate::formula::{Compiled, FormulaError, Input, Name, Names, Wanted, compile};
use crate::sample::{channel, curve};
use crate::unit;
use crate::value::{ChannelId, Invalid, Value};

pub(super) struct World {
    pub(super) latest: Vec<(&'static str, Result<Value, Invalid>)>,
    pub(super) rates: Vec<(&'static str, f64)>,
    pub(super) unsupported: Vec<&'static str>,
    pub(super) curves: Vec<Curve>,
}

/// Name, unit or empty, states, whether free text.
pub(super) const CHANNELS: [(&str, &str, &[&str], bool); 13] = [
    ("engine_speed", "/min", &[], false),
    ("coolant", "Cel", &[], false),
    ("oil", "Cel", &[], false),
    ("manifold", "kPa", &[], false),
    ("barometer", "kPa", &[], false),
    ("boost_bar", "bar", &[], false),
    ("gear", "", &["neutral", "drive"], false),
    ("part_number", "", &[], true),
    ("mixed", "V", &["shorted"], false),
    ("knock.1", "deg", &[], false),
    ("knock.3", "deg", &[], false),
    ("knock.2", "deg", &[], false),
    ("closed_loop", "", &["no", "yes"], false),
];

impl World {
    pub(super) fn new() -> Self {
        Self {
            latest: vec![
                ("engine_speed", Ok(Value::Number(850.0))),
                ("coolant", Ok(Value::Number(90.5))),
                ("manifold", Ok(Value::Number(150.0))),
                ("barometer", Ok(Value::Number(100.0))),
                ("gear", Ok(Value::Text("drive".into()))),
                ("part_number", Ok(Value::Text("B40-2".into()))),
                ("mixed", Ok(Value::Text("shorted".into()))),
                ("knock.1", Ok(Value::Number(-3.0))),
                ("knock.3", Ok(Value::Number(0.0))),
                ("knock.2", Ok(Value::Number(-1.5))),
                ("oil", Err(Invalid::Declared("sensor open".into()))),
            ],
            rates: vec![("engine_speed", 1200.0)],
            unsupported: vec!["oil"],
            curves: vec![curve("ramp", Between::Linear, Outside::Invalid)],
        }
    }

    pub(super) fn compile(&self, text: &str) -> Result<Compiled, Vec<FormulaError>> {
        compile(text, self, Wanted::Number)
    }

    /// The value of a formula over this world, `raw` being given.
    pub(super) fn number(&self, text: &str, raw: i128) -> Result<f64, Invalid> {
        let compiled = self.compile(text).unwrap_or_else(|errors| panic!("{text}: {errors:?}"));
        self.evaluation(&compiled, Given::Raw(&Content::Whole(raw))).number()
    }

    pub(super) fn truth(&self, text: &str) -> Result<bool, Invalid> {
        let compiled = compile(text, self, Wanted::Truth).unwrap_or_else(|errors| panic!("{text}: {errors:?}"));
        self.evaluation(&compiled, Given::Raw(&Content::Whole(5))).truth()
    }

    pub(super) fn errors(&self, text: &str, wanted: Wanted) -> Vec<FormulaError> {
        compile(text, self, wanted).err().unwrap_or_default()
    }

    pub(super) fn evaluation<'a>(&'a self, compiled: &'a Compiled, given: Given<'a>) -> Evaluation<'a> {
        Evaluation { expr: &compiled.expr, curves: &self.curves, channels: named(), given, scope: self }
    }
}

/// Channels that have nothing but a name: what an expression needs to say which input is invalid.
fn named() -> &'static [Option<Channel>] {
    static NAMED: std::sync::OnceLock<Vec<Option<Channel>>> = std::sync::OnceLock::new();
    NAMED.get_or_init(|| {
        let channels = CHANNELS.iter().enumerate();
        channels.map(|(place, (name, ..))| Some(channel(place as u16, name, Origin::Derived))).collect()
    })
}

impl Names for World {
    fn resolve(&self, name: &str) -> Option<Name> {
        if name == "raw" {
            return Some(Name::Raw);
        }
        if let Some(place) = self.curves.iter().position(|curve| curve.name == name) {
            return Some(Name::Curve(place as u16));
        }
        if name == "knock" {
            return Some(Name::Array { elements: (9..12).filter_map(input).collect(), here: None });
        }
        CHANNELS.iter().position(|(channel, ..)| *channel == name).and_then(input).map(Name::Channel)
    }

    fn nearest(&self, name: &str) -> Vec<String> {
        let near = CHANNELS
            .iter()
            .map(|(channel, ..)| *channel)
            .filter(|channel| strsim::damerau_levenshtein(channel, name) < 3);
        near.map(|channel| channel.to_string()).collect()
    }
}

fn input(place: usize) -> Option<Input> {
    let (_, unit, states, text) = CHANNELS.get(place)?;
    let states = states.iter().map(|state| state.to_string()).collect();
    Some(Input {
        id: ChannelId(place as u16),
        unit: unit::find(unit).ok().filter(|_| !unit.is_empty()),
        states,
        text: *text,
    })
}

impl Scope for World {
    fn latest(&self, channel: ChannelId) -> Result<&Value, Invalid> {
        let name = CHANNELS.get(usize::from(channel.0)).map(|(name, ..)| *name);
        match self.latest.iter().find(|(known, _)| Some(*known) == name) {
            Some((_, value)) => value.as_ref().map_err(Clone::clone),
            None => Err(Invalid::NoReading),
        }
    }

    fn supported(&self, channel: ChannelId) -> bool {
        CHANNELS.get(usize::from(channel.0)).is_some_and(|(name, ..)| !self.unsupported.contains(name))
    }

    fn rate(&self, channel: ChannelId) -> Result<f64, Invalid> {
        let name = CHANNELS.get(usize::from(channel.0)).map(|(name, ..)| *name);
        self.rates.iter().find(|(known, _)| Some(*known) == name).map(|(_, rate)| *rate).ok_or(Invalid::NoRate)
    }
}
