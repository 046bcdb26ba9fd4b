//! `no-response-check`, `no-source`: what an author may have forgotten.
//!
//! ```toml
//! [record.engine]
//! read = { local_identifier = 0x01 }
//! length = 22                # no whole response shows that the places are right
//! ```

use std::collections::{HashMap, HashSet};
use std::format;
use std::vec::Vec;

use crate::compile::Sheet;
use crate::diagnostic::{Diagnostic, codes};
use crate::model::Findings;
use crate::model::channel::{Channel, From, Origin};
use crate::model::record::{Read, Record};

/// About the whole file: what one layout has, the others need not.
pub(crate) fn whole(sheets: &[&Sheet], out: &mut Findings<'_>) {
    let mut records: HashMap<&str, Vec<&Record>> = HashMap::new();
    for named in sheets.iter().flat_map(|sheet| &sheet.records) {
        records.entry(&named.name).or_default().extend(&named.value);
    }
    let mut seen: HashSet<&str> = HashSet::new();
    for named in sheets.iter().flat_map(|sheet| &sheet.records) {
        let Some(record) = named.value.as_ref().filter(|_| seen.insert(&named.name)) else { continue };
        let all = || records.get(&*named.name).into_iter().flatten();
        let memory = matches!(record.read.value, Read::Memory(..));
        if !memory && all().all(|record| record.checks.is_empty()) {
            out.push(
                Diagnostic::new(
                    codes::NO_RESPONSE_CHECK,
                    named.span.clone(),
                    format!("no whole response shows that the places in `{}` are right", named.name),
                )
                .label("this record")
                .expected(format!("[[record.{}.check]] with `bytes`, `source` and `values`", named.name)),
            );
        }
        let sourced = all().any(|record| record.sourced || record.checks.iter().any(|check| check.sourced));
        if !sourced {
            unsourced(&named.name, named.span.clone(), sheets, out);
        }
    }
}

/// Channels of a record without a source, none of which says where its facts come from.
fn unsourced(record: &str, span: crate::source::Span, sheets: &[&Sheet], out: &mut Findings<'_>) {
    let mut names: Vec<&str> = Vec::new();
    for named in sheets.iter().flat_map(|sheet| &sheet.channels) {
        let of_record = |channel: &&Channel| match &channel.origin {
            Origin::Field { from: From::Record(name), .. } | Origin::Parts { from: From::Record(name), .. } => {
                name.value == record
            }
            _ => false,
        };
        let found = named.value.as_ref().filter(of_record).filter(|channel| !channel.sourced);
        if found.is_some() && !names.contains(&named.name.as_str()) {
            names.push(&named.name);
        }
    }
    if !names.is_empty() {
        let message = format!("nothing says where the facts of `{record}` come from: {}", names.join(", "));
        out.push(
            Diagnostic::new(codes::NO_SOURCE, span, message)
                .label("this record")
                .expected("`source = \"..\"` in the record, in a check of it, or in each channel or its kind"),
        );
    }
}
