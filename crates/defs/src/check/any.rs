//! What must hold for any bytes: body of a fuzz target.

use alloc::string::String;

use crate::check;

/// What a definition may extend.
pub(crate) const BASE: &str = include_str!("any/base.toml");

/// A definition from any bytes: a definition or a report with places inside the text, never a panic.
///
/// # Panics
/// If a finding stands outside the text, or a file without mistakes gives no definition.
pub fn definition(bytes: &[u8]) {
    let text = String::from_utf8_lossy(bytes);
    let outcome = check::text_with(&text, "fuzz.toml", |id| (id == "base").then(|| String::from(BASE)));
    assert_eq!(outcome.definition.is_some(), outcome.report.is_clean());
    for found in outcome.report.diagnostics() {
        let file = if found.place.file == 0 { &text } else { BASE };
        assert!(found.place.start <= found.place.end && found.place.end <= file.len(), "{found:?}");
    }
    // What is shown must be showable.
    assert_eq!(outcome.report.plain().is_empty(), outcome.report.diagnostics().is_empty());
}
