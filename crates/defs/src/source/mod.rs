//! TOML text with places: a tree that knows where each key and value stands, read past syntax errors.
//!
//! What a table means is not known here; that is the business of `model`.

mod files;
mod mend;
pub(crate) mod merge;
mod place;
mod tree;

use std::vec::Vec;

pub(crate) use files::{File, Files};
pub(crate) use place::Lines;
pub(crate) use tree::{Entry, Item, Node, Table};

use crate::diagnostic::{Diagnostic, MOST, codes};

/// Bytes of the file, from the first to one past the last.
pub(crate) type Span = core::ops::Range<usize>;

/// The largest file that is read, in bytes.
pub(crate) const LARGEST: usize = 1 << 20;

/// Reads as much of the text as can be read; what cannot is in the second part.
pub(crate) fn read(text: &str) -> (Table, Vec<Diagnostic>) {
    if text.len() > LARGEST {
        let message = std::format!("a file of {} bytes is too large: at most {LARGEST} are read", text.len());
        return (Table::default(), std::vec![Diagnostic::new(codes::TOO_LARGE, 0..0, message)]);
    }
    let (mended, mut mistakes) = mend::mend(text);
    let (root, errors) = toml::de::DeTable::parse_recoverable(&mended);
    let root = Table::from_toml(root.get_ref(), 0..0, text);
    for error in errors {
        let span = error.span().unwrap_or(0..0);
        mistakes.push(mend::syntax_error(text, span, error.message(), Some(&root).filter(|_| mistakes.len() < MOST)));
    }
    (root, mistakes)
}
