//! `formula-cycle`: no channel is computed from itself.
//!
//! ```toml
//! [channel.a]
//! formula = "b + 1"
//! [channel.b]
//! formula = "a - 1"
//! ```

use std::format;
use std::vec::Vec;

use crate::compile::{Built, Sheet};
use crate::diagnostic::{Diagnostic, codes};
use crate::model::Findings;

pub(crate) fn check(sheet: &Sheet, built: &Built, out: &mut Findings<'_>) {
    // What is left after taking away, again and again, every channel whose inputs are all taken away.
    let mut waiting: Vec<u16> = built
        .layout
        .channels
        .iter()
        .flatten()
        .filter(|channel| !channel.inputs.is_empty())
        .map(|channel| channel.id.0)
        .collect();
    loop {
        let still: Vec<u16> = waiting
            .iter()
            .copied()
            .filter(|id| {
                let channel = built.layout.channel(crate::value::ChannelId(*id));
                channel
                    .is_some_and(|channel| channel.inputs.iter().any(|input| waiting.binary_search(&input.0).is_ok()))
            })
            .collect();
        if still.len() == waiting.len() {
            break;
        }
        waiting = still;
    }
    for placed in built.placed.iter().filter(|placed| waiting.binary_search(&placed.id.0).is_ok()) {
        let Some(named) = sheet.channels.get(placed.table).filter(|_| placed.element == 0) else { continue };
        let Some(channel) = &named.value else { continue };
        let Some(span) = channel.formula.as_ref().or(channel.when.as_ref()).map(|text| text.span.clone()) else {
            continue;
        };
        let inputs = built.layout.channel(placed.id).map(|channel| channel.inputs.clone()).unwrap_or_default();
        let round: Vec<&str> = built
            .placed
            .iter()
            .filter(|other| inputs.contains(&other.id) && waiting.binary_search(&other.id.0).is_ok())
            .map(|other| other.name.as_str())
            .collect();
        let message = format!("`{}` is computed from itself, through {}", placed.name, round.join(", "));
        out.push(Diagnostic::new(codes::FORMULA_CYCLE, span, message).label("goes round in a circle"));
    }
}
