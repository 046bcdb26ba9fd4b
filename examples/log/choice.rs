//! Which channels, how often: `engine_speed@20,coolant@1,knock_retard`, `gearbox:oil_temperature`.

use std::str::FromStr;

use tickover::defs::compiled::{Channel, Direction, Every, Layout, Origin};
use tickover::defs::lookup::UnknownName;
use tickover::defs::{ChannelId, Definition, RecordId};
use tickover::session::{ChannelKey, Rate, Session, UnitId};

use crate::units::{Unit, Units};

/// One channel, a whole array or a group, and the least rate wanted.
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

/// A channel and how often it is wanted.
pub(crate) type Wish = (ChannelKey, Rate);

/// The chosen channels; all that can be polled if none is chosen. Each once, in the order of units and definitions.
pub(crate) fn resolve(session: &Session, units: &Units, choices: &[Choice]) -> Result<Vec<Wish>, UnknownName> {
    let mut chosen: Vec<Wish> = Vec::new();
    if choices.is_empty() {
        for (id, Unit { definition, .. }) in units.iter() {
            let all = (0..definition.channels.len()).map(|place| ChannelId(place as u16));
            let polled = all.filter(|channel| polled(definition, *channel));
            chosen.extend(polled.map(|channel| (ChannelKey { unit: id, channel }, Rate::Fastest)));
        }
    }
    for choice in choices {
        chosen.extend(named(session, units, &choice.name)?.into_iter().map(|key| (key, choice.rate)));
    }
    chosen.sort_by_key(|(key, _)| *key);
    chosen.dedup_by_key(|(key, _)| *key);
    Ok(chosen)
}

/// All elements of an array, all channels of a group, or one channel.
fn named(session: &Session, units: &Units, name: &str) -> Result<Vec<ChannelKey>, UnknownName> {
    let (unit, bare) = match name.split_once(':') {
        Some((unit, bare)) => (session.unit(unit)?, bare),
        None => (UnitId::FIRST, name),
    };
    let here = units.only().is_some() || bare != name;
    let several = units.get(unit).filter(|_| here).and_then(|Unit { definition, .. }| several(definition, bare));
    Ok(match several {
        Some(channels) => channels.into_iter().map(|channel| ChannelKey { unit, channel }).collect(),
        None => vec![session.channel(name)?],
    })
}

fn several(definition: &Definition, name: &str) -> Option<Vec<ChannelId>> {
    if let Some(array) = definition.arrays.iter().find(|array| array.name == name) {
        return Some((0..array.elements.len()).map(|place| ChannelId(array.first.0 + place as u16)).collect());
    }
    let channel = definition.channel_id(name).is_some();
    let group = layouts(definition).find_map(|layout| layout.groups.iter().find(|group| group.name == name));
    group.filter(|_| !channel).map(|group| group.channels.to_vec())
}

/// The channel as the base has it, or the first variant that does, and the layout it stands in.
pub(crate) fn channel_in(definition: &Definition, id: ChannelId) -> Option<(&Layout, &Channel)> {
    layouts(definition).find_map(|layout| layout.channel(id).map(|channel| (layout, channel)))
}

/// Whether the channel is read once, at connect.
pub(crate) fn read_once(units: &Units, key: ChannelKey) -> bool {
    let found = units.get(key.unit).and_then(|unit| channel_in(&unit.definition, key.channel));
    found.is_some_and(|(layout, channel)| {
        record_of(channel).and_then(|record| layout.record(record)).is_some_and(|record| record.every == Every::Once)
    })
}

/// The record that carries a channel; a derived channel has none.
fn record_of(channel: &Channel) -> Option<RecordId> {
    match &channel.origin {
        Origin::Field { record, .. } | Origin::Parts { record, .. } => Some(*record),
        Origin::Derived => None,
    }
}

fn layouts(definition: &Definition) -> impl Iterator<Item = &Layout> {
    std::iter::once(&definition.base).chain(definition.variants.iter().map(|variant| &variant.layout))
}

/// A record whose request needs a value put in (a fault code) cannot be polled, and neither can its channels; what we
/// would send is not read.
fn polled(definition: &Definition, id: ChannelId) -> bool {
    channel_in(definition, id).is_some_and(|(layout, channel)| match record_of(channel) {
        Some(record) => layout.record(record).is_some_and(|record| {
            let sent = record.frame.is_some_and(|frame| frame.direction != Direction::Heard);
            record.request.constant().is_some() && !sent
        }),
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

    fn resolved(definitions: &[&str], choices: &[&str]) -> Result<Vec<String>, String> {
        let folder = concat!(env!("CARGO_MANIFEST_DIR"), "/../defs/");
        let sources = definitions.iter().map(|name| match name.split_once('=') {
            Some((name, file)) => format!("{name}={folder}{file}"),
            None => format!("{folder}{name}"),
        });
        let units = Units::load(&sources.map(|source| source.parse().unwrap()).collect::<Vec<_>>()).unwrap();
        let session = units.session().unwrap();
        let choices: Vec<Choice> = choices.iter().map(|choice| choice.parse().unwrap()).collect();
        let chosen = resolve(&session, &units, &choices).map_err(|error| error.to_string())?;
        Ok(chosen.iter().map(|(key, _)| units.channel_name(*key)).collect())
    }

    #[test]
    fn an_array_and_a_group_stand_for_their_channels() {
        let chosen = resolved(&["bramble-40.toml"], &["knock_retard@2", "learned", "coolant"]).unwrap();
        assert_eq!(chosen.len(), 4 + 7 + 1);
        assert!(["knock_retard.3", "trim_add", "octane_step.2"].iter().all(|name| chosen.contains(&(*name).into())));
    }

    #[test]
    fn a_channel_that_does_not_exist_is_told_with_the_nearest() {
        let sentence = resolved(&["bramble-40.toml"], &["engine_sped"]).unwrap_err();
        assert!(sentence.contains("engine_speed"), "{sentence}");
    }

    #[test]
    fn what_we_would_send_is_not_logged() {
        let chosen = resolved(&["../tests/defs_ok/tansy-bus.toml"], &[]).unwrap();
        assert!(!chosen.is_empty() && !chosen.iter().any(|name| name.starts_with("shown_")), "{chosen:?}");
    }

    #[test]
    fn what_is_polled_needs_no_fault_code() {
        let chosen = resolved(&["bramble-40.toml"], &[]).unwrap();
        assert!(chosen.contains(&"boost".into()) && !chosen.contains(&"freeze_speed".into()), "{chosen:?}");
    }
}
