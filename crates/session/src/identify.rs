//! Which variant answers: the records that the variants' `when` name are read first, then one must fit.

use alloc::format;
use alloc::string::String;
use alloc::vec::Vec;

use tickover_defs::compiled::{Expr, Node};
use tickover_defs::decode::{self, Scope};
use tickover_defs::{ChannelId, Definition, RecordId, Value};

use crate::Fault;
use crate::derive::Store;
use crate::notes::list;
use crate::plan::needs;

/// Which variant answers.
pub(crate) enum Identity {
    /// This one: its place in the definition's list.
    One(usize),
    /// None, or more than one.
    Unclear { fault: Fault, text: String, advice: &'static str },
}

/// The records to read before a variant is known.
pub(crate) fn records(definition: &Definition) -> Vec<RecordId> {
    let mut records = Vec::new();
    for id in channels(definition).into_iter().flat_map(|channel| needs(&definition.base, channel).records) {
        if !records.contains(&id) {
            records.push(id);
        }
    }
    records
}

/// Derived channels that the variants' conditions read, inputs first.
pub(crate) fn derived(definition: &Definition) -> Vec<ChannelId> {
    channels(definition).into_iter().flat_map(|channel| needs(&definition.base, channel).derived).collect()
}

/// The channels that the variants' conditions name.
fn channels(definition: &Definition) -> Vec<ChannelId> {
    let mut channels = Vec::new();
    for id in definition.variants.iter().flat_map(|variant| named(&variant.when)) {
        if !channels.contains(&id) {
            channels.push(id);
        }
    }
    channels
}

fn named(expr: &Expr) -> impl Iterator<Item = ChannelId> {
    expr.nodes.iter().filter_map(|node| match node {
        Node::Channel(id) | Node::Supported(id) | Node::Rate(id) => Some(*id),
        _ => None,
    })
}

/// Decides from what was read.
pub(crate) fn decide(definition: &Definition, store: &Store) -> Identity {
    let variants = definition.variants.iter().enumerate();
    let fitting: Vec<usize> = variants
        .filter(|(_, variant)| decode::holds(&definition.base, &variant.when, store))
        .map(|(place, _)| place)
        .collect();
    match *fitting {
        [one] => Identity::One(one),
        [] => Identity::Unclear {
            fault: Fault::Unit,
            text: format!(
                "no variant of '{}' fits: {}; nothing is read",
                definition.id,
                list(found(definition, store).iter().map(String::as_str))
            ),
            advice: "this is another unit than the definition describes, or it needs another variant",
        },
        _ => {
            let names = fitting.iter().filter_map(|place| Some(&*definition.variants.get(*place)?.name));
            Identity::Unclear {
                fault: Fault::Definition,
                text: format!("the variants {} all fit; nothing is read", list(names.collect::<Vec<_>>().into_iter())),
                advice: "make the variants' conditions exclude each other",
            }
        }
    }
}

/// What the channels named were: `part_number is 'B40-9'`.
fn found(definition: &Definition, store: &Store) -> Vec<String> {
    let say = |id: ChannelId| {
        let name = definition.channel_name(id);
        match store.latest(id) {
            Ok(Value::Number(number)) => format!("{name} is {number}"),
            Ok(Value::Text(text)) => format!("{name} is '{text}'"),
            Err(invalid) => format!("{name} is invalid ({invalid})"),
        }
    };
    channels(definition).into_iter().map(say).collect()
}
