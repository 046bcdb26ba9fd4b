//! `formula`: a formula can be read and its types fit.
//!
//! ```toml
//! formula = "raw / * 4"
//! ```

use std::string::String;

use crate::diagnostic::{Diagnostic, codes};
use crate::formula::{self, FormulaError, Rule};
use crate::model::{Findings, TextAt};

/// Reports mistakes of grammar, of formulas that will not be compiled.
pub(crate) fn read(texts: [Option<&TextAt>; 2], out: &mut Findings<'_>) {
    for text in texts.into_iter().flatten() {
        for error in formula::parse(&text.value).err().into_iter().flatten() {
            out.push(placed(&error, text));
        }
    }
}

/// A mistake in a formula, with its place in the file.
pub(crate) fn placed(error: &FormulaError, text: &TextAt) -> Diagnostic {
    let code = if error.rule == Rule::UnknownName { codes::UNKNOWN_NAME } else { codes::FORMULA };
    let span = text.part(error.span.clone());
    let mut found = Diagnostic::new(code, span.clone(), error.message.clone());
    // A unit or a state that a channel seems to lack may stand where nothing could be read.
    if matches!(error.rule, Rule::Type | Rule::Unit | Rule::UnknownState) {
        found = found.following();
    }
    if !error.expected.is_empty() {
        found = found.expected(error.expected.clone());
    }
    match &error.suggestion {
        // Only where the part itself is underlined can it be replaced.
        Some(new) if span != text.span => found.suggest(span, new.clone(), String::from("write instead")),
        _ => found,
    }
}
