//! The keys of one table: known, unknown, left for later, missing.

use std::format;
use std::string::String;

use super::{Findings, nearest};
use crate::diagnostic::{Diagnostic, codes};
use crate::source::{Entry, Node, Table};

/// A table whose keys have been looked through.
#[derive(Clone, Copy, Debug)]
pub(crate) struct Keys<'a> {
    pub(crate) table: &'a Table,
    /// "a channel"
    what: &'static str,
}

impl<'a> Keys<'a> {
    /// Reports every key that is not `known`; those `later` are of the language, but not of this version.
    pub(crate) fn new(
        table: &'a Table,
        what: &'static str,
        known: &[&'static str],
        later: &[&'static str],
        out: &mut Findings<'_>,
    ) -> Self {
        let later = |entry: &Entry| later.contains(&entry.key.as_str()).then(|| not_in_version(entry, what));
        Self::with_others(table, what, known, later, out)
    }

    /// The same; of keys that belong elsewhere `others` says more than that they are unknown.
    pub(crate) fn with_others(
        table: &'a Table,
        what: &'static str,
        known: &[&'static str],
        others: impl Fn(&Entry) -> Option<Diagnostic>,
        out: &mut Findings<'_>,
    ) -> Self {
        for entry in table.entries.iter().filter(|entry| !known.contains(&entry.key.as_str())) {
            out.push(others(entry).unwrap_or_else(|| unknown_key(entry, what, known)));
        }
        Self { table, what }
    }

    pub(crate) fn get(&self, key: &str) -> Option<&'a Node> {
        self.table.get(key)
    }

    pub(crate) fn entry(&self, key: &str) -> Option<&'a Entry> {
        self.table.entry(key)
    }

    /// The value; reported if it is missing. `example` shows how it is written.
    pub(crate) fn need(&self, key: &str, example: &str, out: &mut Findings<'_>) -> Option<&'a Node> {
        let node = self.get(key);
        if node.is_none() {
            out.push(
                Diagnostic::new(codes::MISSING_KEY, self.table.span.clone(), format!("{} needs `{key}`", self.what))
                    .label(format!("`{key}` is missing here"))
                    .expected(format!("for instance `{key} = {example}`")),
            );
        }
        node
    }

    /// Reports all but the first if more than one of `keys` stands here.
    pub(crate) fn exclusive(&self, keys: &[&str], out: &mut Findings<'_>) {
        let mut present = keys.iter().filter_map(|key| self.entry(key));
        let Some(first) = present.next() else { return };
        for second in present {
            let message = format!("`{}` and `{}` exclude each other in {}", first.key, second.key, self.what);
            out.push(
                Diagnostic::new(codes::EXCLUSIVE_KEYS, second.key_span.clone(), message)
                    .label("one of them is too many")
                    .related(first.key_span.clone(), "the other"),
            );
        }
    }
}

fn unknown_key(entry: &Entry, what: &str, known: &[&'static str]) -> Diagnostic {
    let found =
        Diagnostic::new(codes::UNKNOWN_KEY, entry.key_span.clone(), format!("unknown key `{}` in {what}", entry.key))
            .label(format!("not a key of {what}"))
            .expected(list(known));
    match nearest(&entry.key, known.iter().copied()) {
        Some(near) => found.suggest(entry.key_span.clone(), near, "a key with a similar name exists"),
        None => found,
    }
}

pub(crate) fn not_in_version(entry: &Entry, what: &str) -> Diagnostic {
    Diagnostic::new(
        codes::NOT_IN_VERSION,
        entry.key_span.clone(),
        format!("`{}` in {what} is not in this version", entry.key),
    )
    .label("a later version reads this; this one does not read it half")
}

/// "`a`, `b` or `c`"
pub(crate) fn list(words: &[&str]) -> String {
    let quoted = |word: &&str| format!("`{word}`");
    match words {
        [] => String::from("nothing"),
        [one] => quoted(one),
        [rest @ .., last] => {
            format!("{} or {}", rest.iter().map(quoted).collect::<std::vec::Vec<_>>().join(", "), quoted(last))
        }
    }
}
