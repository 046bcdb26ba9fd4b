//! `extends`: the definitions that a file starts from, loaded and laid under it.

use std::format;
use std::string::String;
use std::vec::Vec;

use super::stem;
use crate::diagnostic::{Diagnostic, codes};
use crate::model::{Findings, head, value};
use crate::source::{self, Files, Item, Node, Span, Table, merge};

/// Where definitions come from: the text of an id, or why there is none.
pub(crate) type Sources<'s> = dyn FnMut(&str) -> Result<String, String> + 's;

/// The most definitions under one another.
const DEEPEST: usize = 8;
/// The most bytes of all of them together: as many as one may have.
const LARGEST: usize = source::LARGEST;
/// The longest id of a definition that is extended.
const LONGEST: usize = 100;

/// A definition and what it extends, each by itself.
#[derive(Debug)]
pub(crate) struct Loaded {
    pub(crate) files: Files,
    /// The definition's own tree first; spans are those of the joined text.
    pub(crate) trees: Vec<Table>,
    pub(crate) syntax: Vec<Diagnostic>,
    /// Why something that is extended is not here.
    pub(crate) broken: Option<Diagnostic>,
}

/// Reads the text of the file `name` and what it extends.
pub(crate) fn load(text: &str, name: &str, sources: &mut Sources<'_>) -> Loaded {
    let (own, syntax) = source::read(text);
    let mut loaded = Loaded { files: Files::of(name, text), trees: Vec::new(), syntax, broken: None };
    let mut chain: Vec<(String, Option<Span>)> = Vec::from([(String::from(stem(name)), None)]);
    let mut top = own;
    while head::is_ours(&top)
        && let Some((id, span)) = wanted(&top)
    {
        match next(&id, &span, &chain, sources) {
            Ok(text) if loaded.files.joined_len() + text.len() > LARGEST => {
                loaded.broken = Some(too_large(&id, span));
                break;
            }
            Ok(text) => {
                let file = file_beside(name, &id);
                let start = loaded.files.add(file, text.clone());
                let (mut tree, mut syntax) = source::read(&text);
                tree.shift(start);
                syntax.iter_mut().for_each(|found| found.shift(start));
                loaded.syntax.extend(syntax);
                loaded.trees.push(core::mem::replace(&mut top, tree));
                chain.push((id, Some(span)));
            }
            Err(found) => {
                loaded.broken = Some(*found);
                break;
            }
        }
    }
    loaded.trees.push(top);
    loaded
}

fn too_large(id: &str, span: Span) -> Diagnostic {
    let message = format!("`{id}` is too large: it and what extends it may have {LARGEST} bytes together");
    Diagnostic::new(codes::TOO_LARGE, span, message)
}

/// The id that a tree extends; what is no text is said where the head is read.
fn wanted(tree: &Table) -> Option<(String, Span)> {
    let node = tree.get("definition")?.as_table()?.get("extends")?;
    match &node.item {
        Item::Text(id) => Some((id.clone(), node.span.clone())),
        _ => None,
    }
}

fn next(
    id: &str,
    span: &Span,
    chain: &[(String, Option<Span>)],
    sources: &mut Sources<'_>,
) -> Result<String, std::boxed::Box<Diagnostic>> {
    let refused = |message: String| Diagnostic::new(codes::EXTENDS, span.clone(), message);
    // Who asked for the file that asks now.
    let from = |found: Diagnostic| match chain.last() {
        Some((_, Some(asked))) => found.related(asked.clone(), "which is extended from here"),
        _ => found,
    };
    let plain = |c: char| c.is_alphanumeric() || c == '-' || c == '_';
    if id.is_empty() || id.len() > LONGEST || !id.chars().all(plain) {
        return Err(std::boxed::Box::new(from(
            refused(format!("`{id}` cannot be extended: it is not the id of a definition"))
                .label("letters, digits, - and _")
                .expected("the id of a definition in the same folder: its file's name without .toml"),
        )));
    }
    if let Some(place) = chain.iter().position(|(known, _)| known == id) {
        let found = refused(format!("`{id}` extends itself")).label("goes round in a circle");
        // The key that leads from there into the circle.
        let into = chain.get(place + 1).and_then(|(_, asked)| asked.clone());
        return Err(std::boxed::Box::new(match into {
            Some(into) => found.related(into, "which extends this"),
            None => found,
        }));
    }
    if chain.len() > DEEPEST {
        let message = format!("`{id}` is one too many: at most {DEEPEST} definitions stand under one another");
        return Err(std::boxed::Box::new(from(refused(message))));
    }
    sources(id).map_err(|reason| {
        std::boxed::Box::new(from(
            refused(format!("`{id}` cannot be extended: {reason}"))
                .expected("the id of a definition in the same folder: its file's name without .toml"),
        ))
    })
}

/// `defs/base.toml` beside `defs/bramble-62.toml`.
fn file_beside(name: &str, id: &str) -> String {
    let folder = name.rfind(['/', '\\']).map_or("", |end| name.get(..=end).unwrap_or_default());
    format!("{folder}{id}.toml")
}

/// The definition as it is with what it extends; checks of those are not inherited, nor is what `without` names.
pub(crate) fn merged(trees: &[Table], out: &mut Findings<'_>) -> Table {
    let Some((own, bases)) = trees.split_first() else { return Table::default() };
    let mut all = bases.iter().rev().chain([own]);
    let mut table = all.next().cloned().unwrap_or_default();
    for over in all {
        table.entries.retain(|entry| !["edition", "definition", "without"].contains(&entry.key.as_str()));
        without_checks(&mut table);
        leave_out(over, &mut table, out);
        merge::lay_over(&mut table, over);
    }
    table
}

fn without_checks(table: &mut Table) {
    const CHECKED: [&str; 2] = ["record", "channel"];
    merge::remove_below(table, "check", &CHECKED);
    let variants = table.entries.iter_mut().find(|entry| entry.key == "variant");
    if let Some(Item::Table(variants)) = variants.map(|entry| &mut entry.value.item) {
        for variant in &mut variants.entries {
            if let Item::Table(variant) = &mut variant.value.item {
                merge::remove_below(variant, "check", &CHECKED);
            }
        }
    }
}

fn leave_out(over: &Table, table: &mut Table, out: &mut Findings<'_>) {
    let paths = over.get("without").and_then(|node: &Node| value::texts(node, "without", out)).unwrap_or_default();
    for path in &paths {
        if !merge::remove(table, &merge::path(&path.value)) {
            let message = format!("what is extended has no `{}`", path.value);
            out.push(
                Diagnostic::new(codes::UNKNOWN_NAME, path.span.clone(), message)
                    .label("nothing to leave out")
                    .expected("a table or key of the definition that is extended, like \"channel.egr\""),
            );
        }
    }
}
