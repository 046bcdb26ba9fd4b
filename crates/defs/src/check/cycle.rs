//! `formula-cycle`: no channel is computed from itself.
//!
//! ```toml
//! [channel.a]
//! formula = "b + 1"
//! [channel.b]
//! formula = "a - 1"
//! ```

use std::collections::{HashMap, HashSet};
use std::format;
use std::vec::Vec;

use crate::compile::{Built, Sheet};
use crate::compiled::Layout;
use crate::diagnostic::{Diagnostic, codes};
use crate::model::Findings;
use crate::value::ChannelId;

pub(crate) fn check(sheet: &Sheet, built: &Built, out: &mut Findings<'_>) {
    let circular = circular(&built.layout);
    for placed in built.placed.iter().filter(|placed| circular.contains(&placed.id)) {
        let Some(named) = sheet.channels.get(placed.table).filter(|_| placed.element == 0) else { continue };
        let Some(channel) = &named.value else { continue };
        let Some(span) =
            channel.formula.as_ref().or(channel.when.as_ref()).or(channel.from.as_ref()).map(|text| text.span.clone())
        else {
            continue;
        };
        let Some(compiled) = built.layout.channel(placed.id) else { continue };
        let round: Vec<&str> = compiled
            .inputs
            .iter()
            .filter(|input| circular.contains(input))
            .filter_map(|input| Some(&*built.layout.channel(*input)?.name))
            .collect();
        let message = format!("`{}` is computed from itself, through {}", placed.name, round.join(", "));
        out.push(Diagnostic::new(codes::FORMULA_CYCLE, span, message).label("goes round in a circle"));
    }
}

/// What is left after taking away, again and again, every channel whose inputs are all taken away.
fn circular(layout: &Layout) -> HashSet<ChannelId> {
    let mut readers: HashMap<ChannelId, Vec<ChannelId>> = HashMap::new();
    let mut waits: HashMap<ChannelId, usize> = HashMap::new();
    for channel in layout.channels.iter().flatten() {
        waits.insert(channel.id, channel.inputs.len());
        for input in channel.inputs.iter() {
            readers.entry(*input).or_default().push(channel.id);
        }
    }
    let mut free: Vec<ChannelId> = waits.iter().filter(|(_, inputs)| **inputs == 0).map(|(id, _)| *id).collect();
    while let Some(id) = free.pop() {
        waits.remove(&id);
        for reader in readers.get(&id).into_iter().flatten() {
            if let Some(inputs) = waits.get_mut(reader) {
                *inputs = inputs.saturating_sub(1);
                if *inputs == 0 {
                    free.push(*reader);
                }
            }
        }
    }
    waits.into_keys().collect()
}
