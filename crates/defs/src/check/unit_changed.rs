//! `unit-changed`: what is laid over a definition leaves the unit of a channel that formulas read as it is.
//!
//! ```toml
//! [variant.late]
//! channel.manifold.unit = "hPa"      # `boost` is computed with kPa
//! ```

use std::collections::HashMap;
use std::format;
use std::string::String;
use std::vec::Vec;

use crate::compile::Sheet;
use crate::diagnostic::{Diagnostic, codes};
use crate::formula::{self, Ast, Kind};
use crate::model::{Findings, TextAt};

/// `before` is what was laid over, `after` what came of it.
pub(crate) fn check(before: &Sheet, after: &Sheet, out: &mut Findings<'_>) {
    let units: HashMap<&str, &str> = before
        .channels
        .iter()
        .filter_map(|named| Some((&*named.name, &*named.value.as_ref()?.unit.as_ref()?.value)))
        .collect();
    let changed: Vec<(&str, &TextAt, &str)> = after
        .channels
        .iter()
        .filter_map(|named| Some((&*named.name, named.value.as_ref()?.unit.as_ref()?)))
        .filter_map(|(name, unit)| Some((name, unit, units.get(name).filter(|was| **was != unit.value)?)))
        .map(|(name, unit, was)| (name, unit, *was))
        .collect();
    if changed.is_empty() {
        return;
    }
    let readers = readers(after);
    for (name, unit, was) in changed {
        let Some(reader) = readers.get(name) else { continue };
        let message = format!("the unit of `{name}` cannot change from `{was}` to `{}`: {reader} reads it", unit.value);
        out.push(
            Diagnostic::new(codes::UNIT_CHANGED, unit.span.clone(), message)
                .label("formulas are written for the other unit")
                .expected(format!("`{was}`, and a channel of another name in `{}`", unit.value)),
        );
    }
}

/// Who reads a channel, for a sentence, by the name of its table.
fn readers(sheet: &Sheet) -> HashMap<String, String> {
    let channels = sheet.channels.iter().filter_map(|named| {
        let channel = named.value.as_ref()?;
        Some((&*named.name, [channel.formula.as_ref(), channel.when.as_ref()]))
    });
    let faults =
        sheet.fault.iter().filter_map(|named| Some((&*named.name, [named.value.as_ref()?.when.as_ref(), None])));
    let procedures =
        sheet.procedures.iter().filter_map(|named| Some((&*named.name, [named.value.as_ref()?.needs.as_ref(), None])));
    let mut all = HashMap::new();
    for (reader, texts) in channels.chain(faults).chain(procedures) {
        for tree in texts.into_iter().flatten().filter_map(|text| formula::parse(&text.value).ok()) {
            names(&tree, &mut |name| {
                let table = name.split('.').next().unwrap_or(name);
                all.entry(String::from(table)).or_insert_with(|| format!("`{reader}`"));
            });
        }
    }
    all
}

/// Every name whose value counts; whether a channel is supported does not depend on its unit.
fn names(tree: &Ast, found: &mut impl FnMut(&str)) {
    match &tree.kind {
        Kind::Name(name) => found(name),
        Kind::Call { name, .. } if name == "supported" => {}
        Kind::Call { arguments, .. } => arguments.iter().for_each(|argument| names(argument, found)),
        Kind::Unary(_, operand) => names(operand, found),
        Kind::Binary(_, left, right) => [left, right].into_iter().for_each(|operand| names(operand, found)),
        Kind::If(condition, then, otherwise) => {
            [condition, then, otherwise].into_iter().for_each(|operand| names(operand, found));
        }
        Kind::Number(_) | Kind::Text(_) | Kind::Raw | Kind::Invalid(_) => {}
    }
}
