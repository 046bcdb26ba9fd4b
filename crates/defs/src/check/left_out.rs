//! `left-out`: a channel that is not there because what it is built on is not there is named.
//!
//! ```toml
//! [channel.boost]
//! formula = "manifold - barometer"
//! [variant.early]
//! when = "part_number == 'B40-1'"
//! without = ["channel.barometer"]    # and so without `boost`
//! ```

use std::collections::HashSet;
use std::format;
use std::vec::Vec;

use crate::compile::{Built, Sheet};
use crate::diagnostic::{Diagnostic, Severity, codes};
use crate::model::Findings;
use crate::source::{Entry, Item};

/// Runs last: where there are mistakes, what is missing follows from them. The base's sheet and layout come first.
pub(crate) fn check(sheets: &[&Sheet], layouts: &[&Built], variants: &[&Entry], out: &mut Findings<'_>) {
    if out.list.iter().any(|found| found.severity == Severity::Mistake) {
        return;
    }
    let there: Vec<HashSet<&str>> = sheets.iter().zip(layouts).map(|(sheet, built)| names(sheet, built)).collect();
    let Some((base, of_variants)) = there.split_first() else { return };
    for ((variant, sheet), there) in variants.iter().zip(sheets.iter().skip(1)).zip(of_variants) {
        let stand = sheet.channels.iter().map(|named| named.name.as_str());
        let lost: Vec<&str> = stand.filter(|name| base.contains(name) && !there.contains(name)).collect();
        if lost.is_empty() {
            continue;
        }
        let without = match &variant.value.item {
            Item::Table(table) => table.get("without"),
            _ => None,
        };
        let span = without.map_or_else(|| variant.key_span.clone(), |node| node.span.clone());
        let message = format!("variant `{}` lacks what these are built on: {}", variant.key, lost.join(", "));
        out.push(
            Diagnostic::new(codes::LEFT_OUT, span, message)
                .label("they are left out as well")
                .expected("`without` that names them too, or what they are built on"),
        );
    }
    let mut said: HashSet<&str> = HashSet::new();
    for named in sheets.iter().flat_map(|sheet| &sheet.channels) {
        if !there.iter().any(|names| names.contains(&*named.name)) && said.insert(&named.name) {
            let message = format!("`{}` is nowhere: no variant has all that it is built on", named.name);
            out.push(Diagnostic::new(codes::LEFT_OUT, named.span.clone(), message).label("left out everywhere"));
        }
    }
}

/// Channels of a layout, by the names of their tables.
fn names<'s>(sheet: &'s Sheet, built: &Built) -> HashSet<&'s str> {
    let tables = built.placed.iter().filter_map(|placed| sheet.channels.get(placed.table));
    tables.map(|named| named.name.as_str()).collect()
}
