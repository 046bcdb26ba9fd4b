//! `name`: names are lower-case words, and what formulas can name is no word of theirs.
//!
//! ```toml
//! [channel.EngineSpeed]      # engine_speed
//! [channel.raw]              # a word of the formula language
//! ```

use std::format;
use std::string::String;

use crate::compile::Sheet;
use crate::diagnostic::{Diagnostic, codes};
use crate::formula::{FUNCTIONS, WORDS};
use crate::model::Findings;
use crate::model::channel::{From, Origin};
use crate::source::Span;

/// A name that no formula uses.
pub(crate) fn plain(name: &str, span: Span, what: &str, out: &mut Findings<'_>) {
    if !is_word(name) {
        let found = Diagnostic::new(codes::NAME, span.clone(), format!("`{name}` cannot name a {what}"))
            .expected("a small letter, then small letters, digits and _");
        let mended = mended(name);
        out.push(if is_word(&mended) { found.suggest(span, mended, "the same in small letters") } else { found });
    }
}

/// A name that formulas use.
pub(crate) fn in_formulas(name: &str, span: Span, what: &str, out: &mut Findings<'_>) {
    plain(name, span.clone(), what, out);
    let taken = if WORDS.contains(&name) {
        "a word of the formula language"
    } else if FUNCTIONS.contains(&name) {
        "a function of the formula language"
    } else {
        return;
    };
    out.push(
        Diagnostic::new(codes::NAME_TAKEN, span, format!("`{name}` is {taken}")).label(format!("cannot name a {what}")),
    );
}

/// Channels and curves share one list of names; a channel with a read of its own shares the records' as well.
pub(crate) fn shared(sheets: &[&Sheet], out: &mut Findings<'_>) {
    for sheet in sheets {
        for channel in &sheet.channels {
            let curve = sheet.curves.iter().find(|curve| curve.name == channel.name).map(|curve| &curve.span);
            if let Some(curve) = curve {
                taken(&channel.name, &channel.span, curve, "a channel and a curve", out);
            }
            let own = channel.value.as_ref().is_some_and(|channel| match &channel.origin {
                Origin::Field { from, .. } | Origin::Parts { from, .. } => matches!(from, From::Own { .. }),
                Origin::Derived => false,
            });
            if let Some(record) = sheet.record(&channel.name).filter(|_| own) {
                taken(&channel.name, &channel.span, &record.span, "a channel with a read of its own and a record", out);
            }
        }
    }
}

fn taken(name: &str, first: &Span, second: &Span, both: &str, out: &mut Findings<'_>) {
    let (first, second) = if first.start < second.start { (first, second) } else { (second, first) };
    let found = Diagnostic::new(codes::NAME_TAKEN, second.clone(), format!("`{name}` is the name of {both}"))
        .label("the second")
        .related(first.clone(), "the first");
    // Every variant sees it again.
    if !out.list.contains(&found) {
        out.push(found);
    }
}

/// A fault's code, as SAE J2012 shows it, or a name of the definition's own.
pub(crate) fn fault(whole: &str, span: Span, out: &mut Findings<'_>) {
    let hex = |digits: &str| digits.bytes().all(|byte| byte.is_ascii_digit() || (b'A'..=b'F').contains(&byte));
    // A three-byte code is written with its failure type: P0102-11.
    let (name, failure_type) = whole.split_once('-').map_or((whole, None), |(code, rest)| (code, Some(rest)));
    let code = name.len() == 5
        && failure_type.is_none_or(|rest| rest.len() == 2 && hex(rest))
        && name.starts_with(['P', 'C', 'B', 'U'])
        && name.get(1..2).is_some_and(|digit| "0123".contains(digit))
        && name.get(2..).is_some_and(hex);
    if !code && (failure_type.is_some() || !is_word(name)) {
        out.push(Diagnostic::new(codes::NAME, span, format!("`{whole}` is no fault code")).expected(
            "a code like P0102 (P, C, B or U, 0 to 3, three hex digits), with its failure type P0102-11, or a name \
             like lamp_circuit",
        ));
    }
}

pub(crate) fn is_word(name: &str) -> bool {
    name.starts_with(|c: char| c.is_ascii_lowercase())
        && name.chars().all(|c| c.is_ascii_lowercase() || c.is_ascii_digit() || c == '_')
}

fn mended(name: &str) -> String {
    let mut out = String::new();
    let mut before = '_';
    for c in name.chars() {
        if c.is_ascii_uppercase() && before.is_ascii_lowercase() {
            out.push('_');
        }
        out.push(if c.is_ascii_alphanumeric() { c.to_ascii_lowercase() } else { '_' });
        before = c;
    }
    out
}
