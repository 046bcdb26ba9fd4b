//! Words, numbers, texts and signs of a formula.

use core::ops::Range;
use std::format;
use std::string::String;
use std::vec::Vec;

use super::error::{FormulaError, Rule};
use crate::number::{Exact, decimal};

/// One token with its place.
#[derive(Clone, PartialEq, Debug)]
pub(super) struct Token {
    pub(super) span: Range<usize>,
    pub(super) kind: TokenKind,
}

#[derive(Clone, PartialEq, Debug)]
pub(super) enum TokenKind {
    Number(Exact),
    Text(String),
    /// A word of the grammar.
    Word(&'static str),
    /// An ident with its labels.
    Name(String),
    Sign(&'static str),
    End,
}

/// Words of the grammar: no channel, curve or part can have such a name.
pub const WORDS: [&str; 9] = ["if", "then", "else", "invalid", "or", "and", "not", "mod", "raw"];

/// Longest first.
const SIGNS: [&str; 14] = ["<=", ">=", "==", "!=", "<", ">", "+", "-", "*", "/", "^", "(", ")", ","];

/// Signs of other languages and what is meant; empty: it depends.
const FOREIGN: [(&str, &str, &str); 11] = [
    ("&&", "`&&` is written as a word", "and"),
    ("||", "`||` is written as a word", "or"),
    ("<>", "unequal is written `!=`", "!="),
    ("**", "a power is written `^`", "^"),
    ("<<", "there are no shifts: multiply by a power of two", "* 2 ^"),
    (">>", "there are no shifts; `bit(n, k)` tests one bit", "/ 2 ^"),
    ("=", "equal is written `==`", "=="),
    ("!", "`!` is written as a word", "not "),
    ("%", "the remainder is written as a word", "mod"),
    ("&", "bits are picked by the key `bits`, or tested by `bit(n, k)`", ""),
    ("|", "bits are picked by the key `bits`, or tested by `bit(n, k)`", ""),
];

pub(super) fn tokens(text: &str) -> Result<Vec<Token>, FormulaError> {
    let mut tokens = Vec::new();
    let mut at = 0;
    while let Some(c) = text.get(at..).and_then(|rest| rest.chars().next()) {
        if c.is_ascii_whitespace() {
            at += 1;
            continue;
        }
        let token = token(text, at, c)?;
        at = token.span.end;
        tokens.push(token);
    }
    tokens.push(Token { span: text.len()..text.len(), kind: TokenKind::End });
    Ok(tokens)
}

fn token(text: &str, at: usize, first: char) -> Result<Token, FormulaError> {
    let rest = &text[at..];
    match first {
        '0'..='9' | '.' => number(rest, at),
        'a'..='z' => Ok(word(rest, at)),
        '\'' => match rest[1..].find('\'') {
            Some(length) => {
                let span = at..at + length + 2;
                Ok(Token { span, kind: TokenKind::Text(rest[1..=length].into()) })
            }
            None => Err(FormulaError::new(Rule::Syntax, at..text.len(), "this text is never closed").expected("`'`")),
        },
        '"' => {
            let end = rest[1..].find('"').map_or(text.len(), |length| at + length + 2);
            let suggestion = text[at..end].replace('"', "'");
            Err(FormulaError::new(Rule::Syntax, at..end, "a text stands in single quotes").suggest(Some(suggestion)))
        }
        'A'..='Z' | '_' => {
            let end = at + length(rest, |c| c.is_ascii_alphanumeric() || c == '_');
            let lower = text[at..end].to_ascii_lowercase();
            let suggestion = lower.starts_with(|c: char| c.is_ascii_lowercase()).then_some(lower);
            Err(FormulaError::new(Rule::Syntax, at..end, "names are written in small letters").suggest(suggestion))
        }
        _ => sign(rest, at, first),
    }
}

fn sign(rest: &str, at: usize, first: char) -> Result<Token, FormulaError> {
    let foreign = FOREIGN.iter().find(|(sign, ..)| rest.starts_with(sign));
    let ours = SIGNS.iter().find(|sign| rest.starts_with(**sign));
    match (ours, foreign) {
        // `==` is ours although `=` is not; `**` is foreign although `*` is ours.
        (Some(ours), Some((foreign, ..))) if foreign.len() <= ours.len() => {
            Ok(Token { span: at..at + ours.len(), kind: TokenKind::Sign(ours) })
        }
        (_, Some((foreign, message, right))) => Err(FormulaError::new(Rule::Syntax, at..at + foreign.len(), *message)
            .suggest(Some(*right).filter(|right| !right.is_empty()))),
        (Some(ours), None) => Ok(Token { span: at..at + ours.len(), kind: TokenKind::Sign(ours) }),
        (None, None) => {
            let span = at..at + first.len_utf8();
            Err(FormulaError::new(Rule::Syntax, span, format!("`{first}` has no meaning in a formula")))
        }
    }
}

fn word(rest: &str, at: usize) -> Token {
    let ident = |c: char| c.is_ascii_lowercase() || c.is_ascii_digit() || c == '_';
    let mut end = length(rest, ident);
    if let Some(word) = WORDS.iter().find(|word| **word == &rest[..end]) {
        return Token { span: at..at + end, kind: TokenKind::Word(word) };
    }
    while let Some(label) = rest[end..].strip_prefix('.').map(|label| length(label, ident)).filter(|n| *n > 0) {
        end += 1 + label;
    }
    Token { span: at..at + end, kind: TokenKind::Name(rest[..end].into()) }
}

fn number(rest: &str, at: usize) -> Result<Token, FormulaError> {
    // Everything that an author may have meant as one number, so that the place is right.
    let end = length(rest, |c| c.is_ascii_alphanumeric() || c == '_' || c == '.');
    let (text, span) = (&rest[..end], at..at + end);
    let error = |message: &str| FormulaError::new(Rule::Literal, span.clone(), message);
    let hex = text.strip_prefix("0x").or_else(|| text.strip_prefix("0X"));
    let hex_fits =
        text.starts_with("0x") && hex.is_some_and(|h| !h.is_empty() && h.chars().all(|c| c.is_ascii_hexdigit()));
    let (whole, part) = text.split_once('.').unwrap_or((text, "0"));
    let digits = |text: &str| !text.is_empty() && text.chars().all(|c| c.is_ascii_digit());
    if !(hex_fits || digits(whole) && digits(part)) {
        let error =
            error("this is not a number").expected("digits, digits with a point between, or `0x` and hex digits");
        let suggestion = match hex {
            Some(hex) => Some(format!("0x{hex}")).filter(|_| text.starts_with("0X")),
            None if whole.is_empty() && digits(part) => Some(format!("0.{part}")),
            None if digits(whole) && part.is_empty() => Some(whole.into()),
            None => decimal(text).map(|written| format!("{}", written.value)).filter(|text| !text.contains('/')),
        };
        return Err(error.suggest(suggestion));
    }
    match decimal(text) {
        Some(written) => Ok(Token { span, kind: TokenKind::Number(written.value) }),
        None => Err(error("this number has too many digits").expected("at most 38 digits")),
    }
}

fn length(text: &str, fits: impl Fn(char) -> bool) -> usize {
    text.find(|c| !fits(c)).unwrap_or(text.len())
}
