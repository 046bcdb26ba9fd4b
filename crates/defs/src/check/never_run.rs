//! `vector-never-run`: checks are not inherited, so one of a channel that only variants complete stands there.
//!
//! ```toml
//! [record.engine]            # `length` comes with the variants
//! read = { local_identifier = 0x01 }
//! check = [{ bytes = "61 01 0D 48", values = { engine_speed = 850 } }]
//! ```

use std::format;

use crate::compile::{Built, Catalog, Sheet};
use crate::diagnostic::{Diagnostic, Severity, codes};
use crate::model::Findings;
use crate::model::record::Read;
use crate::source::Span;

/// Runs last: where there are mistakes, what is missing follows from them.
pub(crate) fn check(sheets: &[&Sheet], layouts: &[&Built], catalog: &Catalog, readable: bool, out: &mut Findings<'_>) {
    if !readable || out.list.iter().any(|found| found.severity == Severity::Mistake) {
        return;
    }
    for (sheet, built) in sheets.iter().zip(layouts) {
        for (table, named) in sheet.channels.iter().enumerate() {
            if let Some(span) = &named.check
                && !built.placed.iter().any(|placed| placed.table == table)
            {
                out.push(never_run(span.clone(), "channel", &named.name));
            }
        }
        for named in &sheet.records {
            let memory = named.value.as_ref().is_some_and(|record| matches!(record.read.value, Read::Memory(..)));
            let there = catalog.record(&named.name).is_some_and(|id| built.layout.record(id).is_some());
            if let Some(span) = named.check.as_ref().filter(|_| !there && !memory) {
                out.push(never_run(span.clone(), "record", &named.name));
            }
        }
    }
}

fn never_run(span: Span, what: &str, name: &str) -> Diagnostic {
    let message = format!("this check is never run: the {what} `{name}` is not complete here");
    Diagnostic::new(codes::VECTOR_NEVER_RUN, span, message)
        .label("checks are run where they are written")
        .expected("the check in a variant that completes it")
}
