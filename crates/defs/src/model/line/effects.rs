//! `[line.effects]`: what commands do that no standard knows.

use std::format;

use tickover_services::{Effect, effect};

use super::super::{Findings, value};
use super::Effects;
use crate::compiled::line::Services;
use crate::diagnostic::{Diagnostic, codes};
use crate::source::Node;

/// The words of effects.
pub(crate) const WORDS: [(&str, Effect); 5] = [
    ("reads", Effect::Reads),
    ("session", Effect::Session),
    ("writes", Effect::Writes),
    ("clears", Effect::Clears),
    ("actuates", Effect::Actuates),
];

pub(super) fn read(node: Option<&Node>, services: Option<Services>, out: &mut Findings<'_>) -> Effects {
    let mut all = Effects::new();
    let Some(table) = node.and_then(|node| value::table(node, "effects", out)) else { return all };
    for entry in &table.entries {
        let Some(command) = value::integer(&entry.key).and_then(|command| u8::try_from(command).ok()) else {
            out.push(
                Diagnostic::new(codes::NUMBER, entry.key_span.clone(), format!("`{}` is not a byte", entry.key))
                    .expected("the first byte of a request, from 0x00 to 0xFF"),
            );
            continue;
        };
        let known = services.is_some_and(|services| match services {
            Services::Iso14230 => effect::is_of_iso14230(command),
            Services::Iso14229 => effect::is_of_iso14229(command),
        });
        if known {
            let message = format!("the effect of {command:02X} is that of the standard");
            out.push(
                Diagnostic::new(codes::EFFECT_STANDARD, entry.key_span.clone(), message)
                    .label("not declared here")
                    .expected("commands that no standard knows"),
            );
            continue;
        }
        if all.iter().any(|(present, _)| *present == command) {
            let message = format!("the effect of {command:02X} stands here twice");
            out.push(Diagnostic::new(codes::CODE_OVERLAP, entry.key_span.clone(), message));
            continue;
        }
        if let Some(effect) = value::word(&entry.value, &entry.key, &WORDS, out) {
            all.push((command, effect));
        }
    }
    all
}
