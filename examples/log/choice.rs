//! Which channels, how often: `engine_speed@20,coolant@1,knock_retard`.

use std::str::FromStr;

use tickover::defs::compiled::{Channel, Every, Layout, Origin};
use tickover::defs::lookup::UnknownName;
use tickover::defs::{ChannelId, Definition};
use tickover::session::Rate;

/// One channel, or a whole array, and the least rate wanted.
#[derive(Clone, PartialEq, Debug)]
pub(crate) struct Choice {
    name: String,
    rate: Rate,
}

impl FromStr for Choice {
    type Err = String;

    fn from_str(text: &str) -> Result<Self, String> {
        let (name, rate) = match text.split_once('@') {
            None => (text, Rate::Fastest),
            Some((name, times)) => {
                let rate = times.parse().ok().and_then(Rate::checked_per_second);
                let expected = "a number per second after `@`, as in engine_speed@20";
                (name, rate.ok_or_else(|| format!("`{times}` is no rate; expected {expected}"))?)
            }
        };
        if name.is_empty() {
            return Err("a channel's name is missing; expected names with commas between them".into());
        }
        Ok(Self { name: name.into(), rate })
    }
}

/// The chosen channels; all that can be polled if none is chosen. Each once, in the definition's order.
pub(crate) fn resolve(definition: &Definition, choices: &[Choice]) -> Result<Vec<(ChannelId, Rate)>, UnknownName> {
    let mut chosen: Vec<(ChannelId, Rate)> = Vec::new();
    if choices.is_empty() {
        let all = (0..definition.channels.len()).map(|place| ChannelId(place as u16));
        chosen.extend(all.filter(|id| polled(definition, *id)).map(|id| (id, Rate::Fastest)));
    }
    for choice in choices {
        let array = definition.arrays.iter().find(|array| array.name == choice.name);
        let ids = match array {
            Some(array) => (0..array.elements.len()).map(|place| ChannelId(array.first.0 + place as u16)).collect(),
            None => vec![definition.channel(&choice.name)?],
        };
        chosen.extend(ids.into_iter().map(|id| (id, choice.rate)));
    }
    chosen.sort_by_key(|(id, _)| *id);
    chosen.dedup_by_key(|(id, _)| *id);
    Ok(chosen)
}

/// The channel as the base has it, or the first variant that does, and the layout it stands in.
pub(crate) fn channel_in(definition: &Definition, id: ChannelId) -> Option<(&Layout, &Channel)> {
    layouts(definition).find_map(|layout| layout.channel(id).map(|channel| (layout, channel)))
}

/// Whether the channel is read once, at connect.
pub(crate) fn read_once(definition: &Definition, id: ChannelId) -> bool {
    channel_in(definition, id).is_some_and(|(layout, channel)| {
        record_of(channel).and_then(|record| layout.record(record)).is_some_and(|record| record.every == Every::Once)
    })
}

/// The record that carries a channel; a derived channel has none.
fn record_of(channel: &Channel) -> Option<tickover::defs::RecordId> {
    match &channel.origin {
        Origin::Field { record, .. } | Origin::Parts { record, .. } => Some(*record),
        Origin::Derived => None,
    }
}

fn layouts(definition: &Definition) -> impl Iterator<Item = &Layout> {
    std::iter::once(&definition.base).chain(definition.variants.iter().map(|variant| &variant.layout))
}

/// A record whose request needs a value put in (a fault code) cannot be polled, and neither can its channels.
fn polled(definition: &Definition, id: ChannelId) -> bool {
    channel_in(definition, id).is_some_and(|(layout, channel)| match record_of(channel) {
        Some(record) => layout.record(record).is_some_and(|record| record.request.constant().is_some()),
        None => channel.inputs.iter().all(|input| *input != id && polled(definition, *input)),
    })
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_choice_is_a_name_and_a_rate() {
        assert_eq!("coolant".parse(), Ok(Choice { name: "coolant".into(), rate: Rate::Fastest }));
        assert_eq!("coolant@0.5".parse(), Ok(Choice { name: "coolant".into(), rate: Rate::per_second(0.5) }));
    }

    #[test]
    fn a_rate_that_is_none_says_what_was_expected() {
        for wrong in ["coolant@", "coolant@fast", "coolant@0", "coolant@-1", "coolant@NaN", "coolant@1@2"] {
            let error = wrong.parse::<Choice>().unwrap_err();
            assert!(error.contains("expected a number per second"), "{error}");
        }
        assert!("@20".parse::<Choice>().is_err());
    }
}
