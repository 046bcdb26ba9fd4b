//! Bodies of the fuzz targets, with what must hold whatever the input.

use std::string::ToString;
use std::vec;
use std::vec::Vec;

pub use crate::check::any::definition;
use crate::compiled::{Between, Curve, Outside};
use crate::decode::field::Content;
use crate::decode::{Evaluation, Given, Scope};
use crate::formula::{Input, Name, Names, Wanted, compile, parse};
use crate::unit::{UNITS, UnitCode};
use crate::value::{ChannelId, Invalid, Value};

/// Any bytes as a formula: what is read prints to something that reads as the same, and no number that comes out is NaN
/// or infinite, whatever the field and the other channels hold.
pub fn formula(bytes: &[u8]) {
    let Some((head, text)) = bytes.split_first_chunk::<8>() else { return };
    let Ok(text) = core::str::from_utf8(text) else { return };
    let Ok(tree) = parse(text) else { return };
    let printed = tree.to_string();
    assert_eq!(parse(&printed).as_ref(), Ok(&tree), "printed as {printed}");
    let world = Anything { seed: u64::from_le_bytes(*head) };
    for wanted in [Wanted::Number, Wanted::Truth] {
        let Ok(compiled) = compile(text, &world, wanted) else { continue };
        let curves = [Curve {
            name: "curve".into(),
            points: vec![(-1e300, 3.0), (0.0, 1e300), (1.0, -1e300), (1e300, 0.0)].into(),
            between: Between::Linear,
            outside: Outside::Extend,
        }];
        let raw = Content::Whole(i128::from(world.seed as i64));
        for given in [Given::Raw(&raw), Given::Raw(&Content::Float(f64::MIN_POSITIVE)), Given::Nothing] {
            let evaluation = Evaluation { expr: &compiled.expr, curves: &curves, channels: &[], given, scope: &world };
            let _ = evaluation.truth();
            if let Ok(number) = evaluation.number() {
                assert!(number.is_finite(), "{printed} gives {number}");
            }
        }
    }
}

/// Every name stands for something, which its first letter decides; every channel has some value.
struct Anything {
    seed: u64,
}

impl Names for Anything {
    fn resolve(&self, name: &str) -> Option<Name> {
        let first = *name.as_bytes().first()?;
        let id = ChannelId(u16::from(first) % 8);
        let number = Input::number(id, UnitCode(first % UNITS.len() as u8));
        match first {
            b'r' if name == "raw" => Some(Name::Raw),
            b'c' => Some(Name::Curve(u16::from(name.len() > 5))),
            b'k' => Some(Name::Array { elements: vec![number.clone(), number], here: None }),
            b'g' => Some(Name::Channel(Input { id, unit: None, states: vec!["on".into()], text: false })),
            b't' => Some(Name::Channel(Input { id, unit: None, states: Vec::new(), text: true })),
            b'm' => Some(Name::Channel(Input { states: vec!["on".into()], ..number })),
            b'n' => None,
            _ => Some(Name::Channel(number)),
        }
    }
}

impl Scope for Anything {
    fn latest(&self, channel: ChannelId) -> Result<&Value, Invalid> {
        static VALUES: [Value; 6] = [
            Value::Number(0.0),
            Value::Number(-1.5),
            Value::Number(f64::MAX),
            Value::Number(f64::MIN_POSITIVE),
            Value::Text(std::borrow::Cow::Borrowed("on")),
            Value::Number(850.0),
        ];
        let place = (self.seed >> (4 * (channel.0 % 8))) as usize % (VALUES.len() + 1);
        VALUES.get(place).ok_or(Invalid::NoReading)
    }

    fn supported(&self, channel: ChannelId) -> bool {
        self.seed >> (channel.0 % 64) & 1 == 1
    }

    fn rate(&self, _channel: ChannelId) -> Result<f64, Invalid> {
        Ok(f64::from_bits(self.seed))
    }
}

#[cfg(test)]
mod tests {
    #[test]
    fn seeds_hold() {
        for text in
            ["raw * 3/4 - 48", "if g == 'on' then curve(raw) else min(k)", "rate(a) mod -b", "bit(raw, 3) and x > 2"]
        {
            super::formula(&[b"\x10\x32\x54\x76\x98\xba\xdc\xfe", text.as_bytes()].concat());
        }
    }
}
