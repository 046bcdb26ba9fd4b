//! Syntax errors that would hide the rest of the file are blanked out before the tree is read.
//!
//! The TOML parser recovers from most errors, but a key without `=` or a bracket that is never closed
//! swallows what follows. The line is overwritten at the same length, so that places stay right.
//! This matches texts of the parser, whose version is pinned; a test guards them.

use std::borrow::ToOwned;
use std::string::{String, ToString};
use std::vec::Vec;
use std::{format, vec};

use toml_parser::parser::{Event, RecursionGuard, parse_document};
use toml_parser::{ParseError, Source};

use super::{Item, Span, Table};
use crate::diagnostic::{Diagnostic, codes};

/// Each turn is a whole parse: bounded.
const TURNS: usize = 100;
/// Nested deeper than the parser itself allows.
const DEPTH: u32 = 80;

const LONE_KEY: &str = "key with no value";
const UNCLOSED: [&str; 2] = ["unclosed array", "unclosed inline table"];

/// What the tree's parser says where a value is missing.
const NO_VALUE: &str = "string values must be quoted";

/// The text with what would hide the rest blanked out, and the mistakes found on the way.
pub(super) fn mend(text: &str) -> (String, Vec<Diagnostic>) {
    let (mut text, mut mistakes) = (text.to_owned(), vec![]);
    for _ in 0..TURNS {
        let Some((lone, at)) = first_swallowing(&text) else { break };
        let line_start = text[..at].rfind('\n').map_or(0, |newline| newline + 1);
        let line_end = text[at..].find('\n').map_or(text.len(), |newline| at + newline);
        let from = if lone { line_start } else { at };
        let Some(room) = line_end.checked_sub(from + 1) else { break };
        mistakes.push(if lone {
            Diagnostic::new(codes::SYNTAX, at..line_end_of_word(&text, at), "a key needs `=` and a value")
                .label("this key has none")
        } else {
            Diagnostic::new(codes::SYNTAX, at..at + 1, "this bracket is never closed").label("opened here")
        });
        text.replace_range(from..line_end, &format!("{}{}", if lone { "#" } else { "0" }, " ".repeat(room)));
    }
    (text, mistakes)
}

/// The first error that swallows what follows: whether it is a lone key, and where.
fn first_swallowing(text: &str) -> Option<(bool, usize)> {
    let mut found: Vec<ParseError> = Vec::new();
    let mut ignore = |_: Event| {};
    let tokens = Source::new(text).lex().into_vec();
    parse_document(&tokens, &mut RecursionGuard::new(&mut ignore, DEPTH), &mut found);
    found
        .iter()
        .filter_map(|error| {
            let lone = match error.description() {
                LONE_KEY => true,
                text if UNCLOSED.contains(&text) => false,
                _ => return None,
            };
            Some((lone, error.context()?.start()))
        })
        .filter(|(_, at)| text.is_char_boundary(*at) && *at < text.len())
        .min_by_key(|(_, at)| *at)
}

fn line_end_of_word(text: &str, at: usize) -> usize {
    text[at..].find(|c: char| c.is_whitespace()).map_or(text.len(), |end| at + end)
}

/// An error of the TOML parser as a diagnostic.
///
/// `root`: where the first of two equal keys is looked for.
pub(super) fn syntax_error(text: &str, span: Span, message: &str, root: Option<&Table>) -> Diagnostic {
    // An unclosed `"""` is found at the end of the file: it is shown where it was opened.
    if message.starts_with("invalid multi-line") && span.start >= text.trim_end().len() {
        let quotes = if message.contains("literal") { "'''" } else { "\"\"\"" };
        if let Some(at) = text.rfind(quotes) {
            return Diagnostic::new(codes::SYNTAX, at..at + 3, "this text is never closed").label("opened here");
        }
    }
    if message == "duplicate key" {
        let key = text.get(span.clone()).unwrap_or_default().trim_matches(['"', '\'']);
        let mut found = Diagnostic::new(codes::DUPLICATE_KEY, span.clone(), format!("`{key}` stands here twice"))
            .label("the second");
        if let Some(first) = root.and_then(|root| nearest_before(root, key, span.start)) {
            found = found.related(first, "the first");
        }
        return found;
    }
    let rest_of_line = text.get(span.start..).and_then(|rest| rest.lines().next()).unwrap_or_default();
    if message.starts_with(NO_VALUE) && (rest_of_line.trim().is_empty() || rest_of_line.trim().starts_with('#')) {
        return Diagnostic::new(codes::SYNTAX, span, "this key has no value").label("nothing stands behind the `=`");
    }
    // The parser's own sentence says what was expected; it is kept.
    Diagnostic::new(codes::SYNTAX, span, message.trim_end().replace('\n', ", ").to_string())
}

fn nearest_before(table: &Table, key: &str, before: usize) -> Option<Span> {
    let own = table.entries.iter().filter(|entry| entry.key == key).map(|entry| entry.key_span.clone());
    let below = table.entries.iter().filter_map(|entry| match &entry.value.item {
        Item::Table(table) => nearest_before(table, key, before),
        Item::Array(items) => {
            items.iter().filter_map(|item| nearest_before(item.as_table()?, key, before)).max_by_key(|span| span.start)
        }
        _ => None,
    });
    own.chain(below).filter(|span| span.start < before).max_by_key(|span| span.start)
}

#[cfg(test)]
mod tests {
    use super::*;

    fn descriptions(text: &str) -> Vec<String> {
        let mut found: Vec<ParseError> = Vec::new();
        let mut ignore = |_: Event| {};
        let tokens = Source::new(text).lex().into_vec();
        parse_document(&tokens, &mut RecursionGuard::new(&mut ignore, DEPTH), &mut found);
        found.iter().map(|error| error.description().to_string()).collect()
    }

    #[test]
    fn the_parser_still_says_what_is_matched_here() {
        assert!(descriptions("foo\n[a]\n").iter().any(|text| text == LONE_KEY));
        assert!(descriptions("a = [1\n[b]\nc = 2\n").iter().any(|text| text == UNCLOSED[0]));
        assert!(descriptions("a = { b = 1\n[b]\nc = 2\n").iter().any(|text| text == UNCLOSED[1]));
        let (_, errors) = toml::de::DeTable::parse_recoverable("a = 1\na = 2\n");
        assert_eq!(errors[0].message(), "duplicate key");
        let (_, errors) = toml::de::DeTable::parse_recoverable("a =\n");
        assert!(errors[0].message().starts_with(NO_VALUE), "{}", errors[0].message());
        let (_, errors) = toml::de::DeTable::parse_recoverable("a = \"\"\"\nx\n");
        assert!(errors[0].message().starts_with("invalid multi-line"), "{}", errors[0].message());
    }

    #[test]
    fn what_follows_a_broken_line_is_still_read() {
        for broken in [
            "foo",
            "foo : 1",
            "\"foo = 1",
            "a = [1",
            "a = { b = 1",
            "a = [[1, 2",
            "foo =",
            "= 1",
            "a..b = 1",
            "a = \"x",
        ] {
            let (tree, mistakes) = super::super::read(&format!("before = 1\n{broken}\n[after]\nkey = 1\n"));
            assert!(!mistakes.is_empty(), "{broken}: no mistake");
            assert!(tree.get("after").and_then(|after| after.as_table()?.get("key")).is_some(), "{broken}: {tree:?}");
            assert!(tree.get("before").is_some(), "{broken}: {tree:?}");
        }
    }

    #[test]
    fn deep_nesting_is_refused_and_overflows_nothing() {
        for open in ["[", "{a=", "a."] {
            let (_, mistakes) = super::super::read(&format!("a = {}", open.repeat(20_000)));
            assert!(!mistakes.is_empty());
        }
    }
}
