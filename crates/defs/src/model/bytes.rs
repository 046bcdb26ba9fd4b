//! Bytes as text: two hex digits each, `??` any byte, `{name:u16be}` a value put in.

use std::borrow::Cow;
use std::borrow::ToOwned;
use std::format;
use std::string::String;
use std::vec::Vec;

use super::{Findings, TextAt, value};
use crate::compiled::{Pattern, PatternByte, Place, Template, TemplatePart};
use crate::diagnostic::{Diagnostic, codes};
use crate::source::{Node, Span};

/// The most bytes written in one place.
const MOST: usize = 4096;

/// What stands between two blanks.
enum Piece<'t> {
    Byte(u8),
    Any,
    Value(&'t str),
    /// `[` or `]`: a repeated part.
    Repeat,
    Wrong,
}

/// Plain bytes.
pub(crate) fn constant(node: &Node, key: &str, out: &mut Findings<'_>) -> Option<Vec<u8>> {
    let text = value::text(node, key, out)?;
    let bytes = pieces(&text, out)?;
    let mut all = Vec::new();
    for (piece, span) in &bytes {
        match piece {
            Piece::Byte(byte) => all.push(*byte),
            _ => {
                out.push(
                    Diagnostic::new(codes::BYTES, span.clone(), format!("`{key}` takes plain bytes only"))
                        .expected("two hex digits a byte, like \"10 86 03\""),
                );
                return None;
            }
        }
    }
    not_empty(all, key, &text.span, out)
}

/// Bytes to compare with.
pub(crate) fn pattern(node: &Node, key: &str, out: &mut Findings<'_>) -> Option<Pattern> {
    let text = value::text(node, key, out)?;
    let bytes = pieces(&text, out)?;
    let mut all = Vec::new();
    for (piece, span) in &bytes {
        match piece {
            Piece::Byte(byte) => all.push(PatternByte::Is(*byte)),
            Piece::Any => all.push(PatternByte::Any),
            _ => {
                out.push(
                    Diagnostic::new(codes::BYTES, span.clone(), format!("nothing is put into `{key}`"))
                        .expected("two hex digits a byte, or ?? for any byte, like \"50 ??\""),
                );
                return None;
            }
        }
    }
    not_empty(all, key, &text.span, out).map(|all| Pattern(Cow::Owned(all)))
}

/// Bytes to send, with places for values.
pub(crate) fn template(node: &Node, key: &str, names: &[&str], out: &mut Findings<'_>) -> Option<Template> {
    let text = value::text(node, key, out)?;
    let bytes = pieces(&text, out)?;
    let mut all = Vec::new();
    for (piece, span) in bytes {
        all.push(match piece {
            Piece::Byte(byte) => TemplatePart::Byte(byte),
            Piece::Value(place) => TemplatePart::Value(place_of(place, &span, key, names, out)?),
            Piece::Repeat => {
                out.push(Diagnostic::new(
                    codes::NOT_IN_VERSION,
                    span,
                    format!("a repeated part in `{key}` is not in this version"),
                ));
                return None;
            }
            Piece::Any | Piece::Wrong => {
                out.push(
                    Diagnostic::new(codes::BYTES, span, format!("`{key}` is sent: every byte of it is known"))
                        .expected("two hex digits a byte, or a value put in like {code:u16be}"),
                );
                return None;
            }
        });
    }
    not_empty(all, key, &text.span, out).map(|all| Template(Cow::Owned(all)))
}

/// Plain bytes as a template.
pub(crate) fn fixed(bytes: &[u8]) -> Template {
    Template(bytes.iter().map(|byte| TemplatePart::Byte(*byte)).collect())
}

/// Plain bytes as a pattern.
pub(crate) fn exactly(bytes: &[u8]) -> Pattern {
    Pattern(bytes.iter().map(|byte| PatternByte::Is(*byte)).collect())
}

fn place_of(text: &str, span: &Span, key: &str, names: &[&str], out: &mut Findings<'_>) -> Option<Place> {
    let (name, data) = text.split_once(':').unwrap_or((text, "u8"));
    let shape = match data {
        "u8" => Some((1, false)),
        "u16be" => Some((2, false)),
        "u16le" => Some((2, true)),
        "u24be" => Some((3, false)),
        "u24le" => Some((3, true)),
        "u32be" => Some((4, false)),
        "u32le" => Some((4, true)),
        _ => None,
    };
    if let (true, Some((bytes, little_endian))) = (names.contains(&name), shape) {
        return Some(Place { name: Cow::Owned(name.to_owned()), bytes, little_endian });
    }
    let (message, expected) = if shape.is_none() {
        (format!("{{{text}}} has no known width"), String::from("u8, or u16 u24 u32 with be or le: {code:u16be}"))
    } else if names.is_empty() {
        (format!("nothing can be put into `{key}`"), String::from("plain bytes"))
    } else {
        (format!("nothing called {name} can be put into `{key}`"), super::keys::list(names))
    };
    out.push(Diagnostic::new(codes::TEMPLATE, span.clone(), message).expected(expected));
    None
}

fn not_empty<T>(all: Vec<T>, key: &str, span: &Span, out: &mut Findings<'_>) -> Option<Vec<T>> {
    if (1..=MOST).contains(&all.len()) {
        return Some(all);
    }
    out.push(
        Diagnostic::new(codes::BYTES, span.clone(), format!("`{key}` has {} bytes", all.len()))
            .expected(format!("1 to {MOST}")),
    );
    None
}

fn pieces<'t>(text: &'t TextAt, out: &mut Findings<'_>) -> Option<Vec<(Piece<'t>, Span)>> {
    let mut all = Vec::new();
    let mut wrong = false;
    let mut rest = 0;
    let value = text.value.as_str();
    while let Some(start) = value.get(rest..).and_then(|tail| tail.find(|c: char| !c.is_ascii_whitespace())) {
        let start = rest + start;
        let tail = value.get(start..).unwrap_or_default();
        let len = match tail.as_bytes().first() {
            Some(b'[' | b']') => 1,
            Some(b'{') => tail.find('}').map_or(tail.len(), |end| end + 1),
            _ => tail.find(|c: char| c.is_ascii_whitespace() || "[]{".contains(c)).unwrap_or(tail.len()),
        };
        let word = tail.get(..len).unwrap_or_default();
        let piece = piece(word);
        if matches!(piece, Piece::Wrong) {
            wrong = true;
            out.push(not_a_byte(word, text.part(start..start + len)));
        }
        all.push((piece, text.part(start..start + len)));
        rest = start + len.max(1);
    }
    (!wrong).then_some(all)
}

fn piece(word: &str) -> Piece<'_> {
    match word {
        "??" => Piece::Any,
        "[" | "]" => Piece::Repeat,
        _ => match word.strip_prefix('{').and_then(|word| word.strip_suffix('}')) {
            Some(name) => Piece::Value(name),
            None if word.len() == 2 && word.bytes().all(|byte| byte.is_ascii_hexdigit()) => {
                u8::from_str_radix(word, 16).map_or(Piece::Wrong, Piece::Byte)
            }
            None => Piece::Wrong,
        },
    }
}

fn not_a_byte(word: &str, span: Span) -> Diagnostic {
    let found = Diagnostic::new(codes::BYTES, span.clone(), format!("`{word}` is not a byte"))
        .expected("two hex digits a byte with blanks between, like \"0D 48\"");
    let digits = word.strip_prefix("0x").unwrap_or(word);
    if digits.len() >= 2 && digits.len().is_multiple_of(2) && digits.bytes().all(|byte| byte.is_ascii_hexdigit()) {
        let spaced: String = digits
            .chars()
            .enumerate()
            .flat_map(|(i, c)| (i > 0 && i % 2 == 0).then_some(' ').into_iter().chain([c.to_ascii_uppercase()]))
            .collect();
        return found.suggest(span, spaced, "byte by byte");
    }
    found
}
