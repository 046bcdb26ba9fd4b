//! `edition` and `[definition]`.

use std::format;
use std::string::String;

use super::keys::list;
use super::{Findings, Keys, value};
use crate::diagnostic::{Diagnostic, codes};
use crate::source::{Item, Table};

/// The one edition that this version reads.
const EDITION: &str = "1";

/// Keys of the whole file.
pub(crate) const ROOT: [&str; 15] = [
    "edition",
    "definition",
    "line",
    "session",
    "service",
    "variant",
    "record",
    "channel",
    "kind",
    "curve",
    "group",
    "faults",
    "fault",
    "procedure",
    "without",
];

/// `[definition]`.
#[derive(Clone, Debug, Default)]
pub(crate) struct Head {
    pub(crate) id: String,
    pub(crate) title: String,
    pub(crate) revision: String,
    pub(crate) source: String,
    /// Another edition than ours: its rules are not ours to judge by.
    pub(crate) foreign: bool,
}

/// Whether a tree does not say that it is of another edition.
pub(crate) fn is_ours(root: &Table) -> bool {
    root.get("edition").is_none_or(|node| matches!(&node.item, Item::Integer(text) if text == EDITION))
}

/// Reads `edition` and `[definition]`; `stem` is the file's name without its ending.
pub(crate) fn read(root: &Table, stem: &str, out: &mut Findings<'_>) -> Head {
    let keys = Keys::new(root, "a definition", &ROOT, &[], out);
    if let Some(node) = keys.need("edition", EDITION, out) {
        match &node.item {
            Item::Integer(text) if text == EDITION => {}
            _ => {
                out.push(
                    Diagnostic::new(codes::EDITION, node.span.clone(), "this version reads edition 1 of the language")
                        .suggest(node.span.clone(), EDITION, "if the file keeps to it"),
                );
                return Head { foreign: true, ..Head::default() };
            }
        }
    }
    let Some(table) =
        keys.need("definition", "{ id = ... }", out).and_then(|node| value::table(node, "definition", out))
    else {
        return Head::default();
    };
    let keys = Keys::new(table, "[definition]", &["id", "title", "revision", "source", "extends"], &[], out);
    if let Some(node) = keys.get("extends") {
        value::text(node, "extends", out);
    }
    if let Some(entry) = root.entry("without").filter(|_| keys.get("extends").is_none()) {
        let message = "`without` leaves out what an extended definition has, and nothing is extended here";
        out.push(
            Diagnostic::new(codes::EXTENDS, entry.key_span.clone(), message)
                .expected("`extends = \"ID\"` in [definition], or the file without it"),
        );
    }
    let mut text = |key: &str, example: &str| {
        let text = value::text(keys.need(key, example, out)?, key, out)?;
        if text.value.trim().is_empty() {
            out.push(Diagnostic::new(codes::WRONG_WORD, text.span.clone(), format!("`{key}` is empty")));
            return None;
        }
        Some(text)
    };
    let id = text("id", &format!("\"{stem}\""));
    let (title, revision) = (text("title", "\"Bramble 40 engine control unit\""), text("revision", "\"1.0.0\""));
    let source = text("source", "\"workshop manual 2, table 7\"");
    if let Some(id) = id.as_ref().filter(|id| id.value != stem) {
        out.push(
            Diagnostic::new(
                codes::ID_NOT_STEM,
                id.span.clone(),
                format!("the id is `{}`, the file `{stem}`", id.value),
            )
            .label("not the file's name")
            .expected(list(&[stem]))
            .suggest(id.span.clone(), format!("\"{stem}\""), "or rename the file"),
        );
    }
    let value = |text: Option<super::TextAt>| text.map(|text| text.value).unwrap_or_default();
    Head { id: value(id), title: value(title), revision: value(revision), source: value(source), foreign: false }
}
