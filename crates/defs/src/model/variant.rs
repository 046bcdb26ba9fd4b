//! `[variant]`: what is laid over the definition when its condition holds.

use std::format;
use std::vec::Vec;

use super::{Findings, TextAt, keys, value};
use crate::diagnostic::{Diagnostic, codes};
use crate::source::{Table, merge};

/// Tables that a variant may change; `when` and `without` are its own keys.
const REACH: [&str; 8] = ["record", "channel", "kind", "curve", "group", "faults", "fault", "procedure"];

/// A variant as it is written.
#[derive(Clone, Debug)]
pub(crate) struct Variant {
    pub(crate) when: Option<TextAt>,
    without: Vec<TextAt>,
    over: Table,
}

/// Reads a variant.
pub(crate) fn read(table: &Table, out: &mut Findings<'_>) -> Variant {
    let mut over = Table { span: table.span.clone(), entries: Vec::new() };
    let mut known = std::vec!["when", "without"];
    known.extend(REACH);
    let beyond = ["edition", "definition", "line", "session", "service", "variant"];
    for entry in &table.entries {
        if REACH.contains(&entry.key.as_str()) {
            over.entries.push(entry.clone());
        } else if beyond.contains(&entry.key.as_str()) {
            let message = format!("a variant cannot change `{}`", entry.key);
            out.push(
                Diagnostic::new(codes::VARIANT_REACH, entry.key_span.clone(), message)
                    .label("the unit is reached before its variant is known")
                    .expected(keys::list(&REACH)),
            );
        }
    }
    let mut all = known.clone();
    all.extend(beyond);
    let keys = super::Keys::new(table, "a variant", &all, &["extends"], out);
    let when = keys.need("when", "\"part_number == 'B40-2'\"", out).and_then(|node| value::text(node, "when", out));
    let without = keys.get("without").and_then(|node| value::texts(node, "without", out)).unwrap_or_default();
    Variant { when, without, over }
}

impl Variant {
    /// The definition as it is for this variant: checks of the base are not inherited.
    pub(crate) fn lay_over(&self, base: &Table, out: &mut Findings<'_>) -> Table {
        let mut table = base.clone();
        merge::remove_below(&mut table, "check", &["record", "channel"]);
        for path in &self.without {
            let parts = merge::path(&path.value);
            let reach = parts.first().is_some_and(|first| REACH.contains(&first.as_str()));
            if parts.len() < 2 || !reach || !merge::remove(&mut table, &parts) {
                out.push(
                    Diagnostic::new(codes::UNKNOWN_NAME, path.span.clone(), format!("there is no `{}`", path.value))
                        .label("nothing to leave out")
                        .expected("a table or key of the definition, like \"channel.egr\""),
                );
            }
        }
        merge::lay_over(&mut table, &self.over);
        table
    }
}
