//! What the tables of a definition say, read from the tree; one file a table.
//!
//! A reader takes every key it knows, reports every other with the nearest known one, and goes on after
//! a mistake, so that one run finds them all. Names are not looked up here: `compile` does that.

pub(crate) mod bytes;
pub(crate) mod can_id;
pub(crate) mod channel;
pub(crate) mod curve;
pub(crate) mod fault;
pub(crate) mod field;
pub(crate) mod frame;
pub(crate) mod group;
pub(crate) mod head;
pub(crate) mod keys;
pub(crate) mod line;
pub(crate) mod procedure;
pub(crate) mod record;
pub(crate) mod service;
pub(crate) mod time;
pub(crate) mod value;
pub(crate) mod variant;
pub(crate) mod vector;

use core::cell::Cell;
use core::ops::Range;
use std::string::String;
use std::vec::Vec;

pub(crate) use keys::Keys;

use crate::diagnostic::{Diagnostic, codes};
use crate::source::Span;

/// A value and where it stands.
#[derive(Clone, PartialEq, Debug)]
pub(crate) struct At<T> {
    pub(crate) value: T,
    pub(crate) span: Span,
}

/// A text and where it stands, so that a part of it can be underlined.
#[derive(Clone, PartialEq, Debug)]
pub(crate) struct TextAt {
    pub(crate) value: String,
    pub(crate) span: Span,
    /// Where the text begins inside its quotes; `None` if it is written with escapes.
    inner: Option<usize>,
}

impl TextAt {
    pub(crate) fn new(value: &str, span: Span, file: &str) -> Self {
        let literal = file.get(span.clone()).unwrap_or_default();
        let inner = literal.find(value).filter(|_| !value.is_empty()).map(|at| span.start + at);
        Self { value: value.into(), span, inner }
    }

    /// The place of a part of the text.
    pub(crate) fn part(&self, part: Range<usize>) -> Span {
        match self.inner {
            Some(start) if part.end <= self.value.len() => start + part.start..start + part.end,
            _ => self.span.clone(),
        }
    }
}

/// Findings as they come, with the text that they are about.
#[derive(Debug)]
pub(crate) struct Findings<'t> {
    pub(crate) text: &'t str,
    pub(crate) list: Vec<Diagnostic>,
    pub(crate) comparisons: Comparisons,
}

impl<'t> Findings<'t> {
    pub(crate) const fn new(text: &'t str) -> Self {
        Self { text, list: Vec::new(), comparisons: Comparisons::new() }
    }

    pub(crate) fn push(&mut self, diagnostic: Diagnostic) {
        self.list.push(diagnostic);
    }

    /// Runs `read` and takes out what it found missing: a variant may still bring it.
    pub(crate) fn without_missing<T>(&mut self, read: impl FnOnce(&mut Self) -> T) -> (T, Vec<Diagnostic>) {
        let before = self.list.len();
        let result = read(self);
        let mut missing = Vec::new();
        let mut at = before;
        while let Some(diagnostic) = self.list.get(at) {
            if diagnostic.code == codes::MISSING_KEY {
                missing.push(self.list.remove(at));
            } else {
                at += 1;
            }
        }
        (result, missing)
    }
}

/// How many more names are compared with unknown ones: what is meant by the first mistakes helps, a thousand later ones
/// in a file of thousands of names would take for ever.
#[derive(Debug)]
pub(crate) struct Comparisons(Cell<usize>);

impl Comparisons {
    pub(crate) const fn new() -> Self {
        Self(Cell::new(200_000))
    }

    /// The nearest of `names`, as long as comparing is affordable.
    pub(crate) fn nearest<'n>(&self, name: &str, names: impl Iterator<Item = &'n str> + Clone) -> Option<&'n str> {
        let left = self.0.get().checked_sub(names.clone().count())?;
        self.0.set(left);
        nearest(name, names)
    }
}

/// Longer names are compared with no other: it takes the square of their length.
const LONGEST_COMPARED: usize = 100;

/// The nearest of `names`, if one is near enough to be meant.
pub(crate) fn nearest<'n>(name: &str, names: impl IntoIterator<Item = &'n str>) -> Option<&'n str> {
    let most = name.chars().count() / 3 + 1;
    if name.len() > LONGEST_COMPARED {
        return None;
    }
    names
        .into_iter()
        .filter(|known| known.len() <= LONGEST_COMPARED)
        .map(|known| (strsim::damerau_levenshtein(name, known), known))
        .filter(|(distance, known)| *distance <= most && *distance < known.chars().count())
        .min()
        .map(|(_, known)| known)
}
