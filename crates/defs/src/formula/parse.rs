//! The grammar: one function a level, none that calls itself unbounded.

use core::ops::Range;
use std::boxed::Box;
use std::format;
use std::string::{String, ToString};
use std::vec;
use std::vec::Vec;

use super::ast::{Ast, Kind, Level, operator};
use super::error::{FormulaError, Rule};
use super::lex::{Token, TokenKind, tokens};
use crate::compiled::{Binary, Unary};

/// Levels of nesting, parentheses included: enough for people, little enough for a controller's stack.
pub(crate) const DEPTH: usize = 64;

/// Reads a formula.
///
/// # Errors
/// The first place where the text leaves the grammar, is nested more than 64 levels deep, or holds a number of more
/// than 38 digits.
///
/// ```
/// let ast = tickover_defs::formula::parse("raw * 3/4 - 48").unwrap();
/// assert_eq!(ast.to_string(), "raw * 3 / 4 - 48");
/// ```
pub fn parse(text: &str) -> Result<Ast, Vec<FormulaError>> {
    read(text).map_err(|error| vec![error])
}

fn read(text: &str) -> Result<Ast, FormulaError> {
    let mut parser = Parser { tokens: tokens(text)?, next: 0, depth: 0 };
    let ast = parser.expr()?;
    match parser.peek() {
        TokenKind::End => Ok(ast.0),
        _ => Err(parser.unexpected("an operator or the end of the formula")),
    }
}

struct Parser {
    tokens: Vec<Token>,
    next: usize,
    /// Open calls of `expr` and `unary`, which bound the stack.
    depth: usize,
}

/// A tree and how many levels it has: a long sum is as deep as it is long.
type Read = Result<(Ast, usize), FormulaError>;

impl Parser {
    fn expr(&mut self) -> Read {
        self.nested(Self::expr_inside)
    }

    fn expr_inside(&mut self) -> Read {
        let start = self.span().start;
        if self.accept_word("if") {
            let condition = self.expr()?;
            self.expect_word("then")?;
            let then = self.expr()?;
            self.expect_word("else")?;
            let otherwise = self.expr()?;
            let depth = condition.1.max(then.1).max(otherwise.1);
            let kind = Kind::If(Box::new(condition.0), Box::new(then.0), Box::new(otherwise.0));
            return self.made(start, kind, depth);
        }
        if self.accept_word("invalid") {
            let TokenKind::Text(text) = self.peek().clone() else {
                return Err(self.unexpected("the reason as a text: `invalid 'no sender'`"));
            };
            self.next += 1;
            return self.made(start, Kind::Invalid(text), 0);
        }
        self.left_associative(Level::Or)
    }

    /// `or`, `and`, sums and terms: operands of the next level, joined from the left.
    fn left_associative(&mut self, level: Level) -> Read {
        let start = self.span().start;
        let operand: fn(&mut Self) -> Read = match level {
            Level::Or => |p: &mut Self| p.left_associative(Level::And),
            Level::And => Self::not,
            Level::Sum => |p: &mut Self| p.left_associative(Level::Term),
            _ => Self::unary,
        };
        let mut left = operand(self)?;
        while let Some(binary) = self.accept_operator(level) {
            let right = operand(self)?;
            let depth = left.1.max(right.1);
            left = self.made(start, Kind::Binary(binary, Box::new(left.0), Box::new(right.0)), depth)?;
        }
        Ok(left)
    }

    fn not(&mut self) -> Read {
        let start = self.span().start;
        if self.accept_word("not") {
            let operand = self.comparison()?;
            return self.made(start, Kind::Unary(Unary::Not, Box::new(operand.0)), operand.1);
        }
        self.comparison()
    }

    fn comparison(&mut self) -> Read {
        let start = self.span().start;
        let left = self.left_associative(Level::Sum)?;
        let Some(binary) = self.accept_operator(Level::Comparison) else {
            return Ok(left);
        };
        let right = self.left_associative(Level::Sum)?;
        let depth = left.1.max(right.1);
        let compared = self.made(start, Kind::Binary(binary, Box::new(left.0), Box::new(right.0)), depth)?;
        match self.accept_operator(Level::Comparison) {
            None => Ok(compared),
            Some(_) => {
                self.next -= 1;
                let error = FormulaError::new(Rule::Syntax, self.span(), "comparisons do not chain");
                Err(error.expected("two comparisons joined by `and`"))
            }
        }
    }

    fn unary(&mut self) -> Read {
        let start = self.span().start;
        if self.accept_sign("-") {
            let operand = self.power()?;
            return self.made(start, Kind::Unary(Unary::Negate, Box::new(operand.0)), operand.1);
        }
        self.power()
    }

    fn power(&mut self) -> Read {
        let start = self.span().start;
        let base = self.atom()?;
        if !self.accept_sign("^") {
            return Ok(base);
        }
        let exponent = self.nested(Self::unary)?;
        let depth = base.1.max(exponent.1);
        self.made(start, Kind::Binary(Binary::Power, Box::new(base.0), Box::new(exponent.0)), depth)
    }

    fn atom(&mut self) -> Read {
        let span = self.span();
        let kind = match self.peek().clone() {
            TokenKind::Number(number) => Kind::Number(number),
            TokenKind::Text(text) => Kind::Text(text),
            TokenKind::Word("raw") => Kind::Raw,
            TokenKind::Name(name) => {
                self.next += 1;
                return if self.accept_sign("(") {
                    self.call(name, span.start)
                } else {
                    self.made(span.start, Kind::Name(name), 0)
                };
            }
            TokenKind::Sign("(") => {
                self.next += 1;
                let inside = self.expr()?;
                self.expect_sign(")", "an operator or `)`")?;
                return Ok(inside);
            }
            TokenKind::Word(word @ ("if" | "invalid" | "not")) => {
                let message = format!("`{word}` needs parentheses here");
                return Err(FormulaError::new(Rule::Syntax, span, message)
                    .expected(VALUE)
                    .suggest(Some(format!("({word}"))));
            }
            _ => return Err(self.unexpected(VALUE)),
        };
        self.next += 1;
        self.made(span.start, kind, 0)
    }

    fn call(&mut self, name: String, start: usize) -> Read {
        let mut arguments = Vec::new();
        let mut depth = 0;
        loop {
            let (argument, levels) = self.expr()?;
            arguments.push(argument);
            depth = depth.max(levels);
            if !self.accept_sign(",") {
                break;
            }
        }
        self.expect_sign(")", "an operator, `,` or `)`")?;
        self.made(start, Kind::Call { name, arguments }, depth)
    }

    // ---- places and levels

    /// A tree from `start` to the last token read, one level above `depth`.
    fn made(&self, start: usize, kind: Kind, depth: usize) -> Read {
        let end = self.next.checked_sub(1).and_then(|last| self.tokens.get(last)).map_or(start, |token| token.span.end);
        let span = start..end;
        if depth >= DEPTH { Err(too_deep(span)) } else { Ok((Ast { span, kind }, depth + 1)) }
    }

    fn nested(&mut self, inside: impl FnOnce(&mut Self) -> Read) -> Read {
        if self.depth >= DEPTH {
            return Err(too_deep(self.span()));
        }
        self.depth += 1;
        let read = inside(self);
        self.depth -= 1;
        read
    }

    // ---- tokens

    fn peek(&self) -> &TokenKind {
        self.tokens.get(self.next).map_or(&TokenKind::End, |token| &token.kind)
    }

    fn span(&self) -> Range<usize> {
        let last = || self.tokens.last().map_or(0..0, |token| token.span.clone());
        self.tokens.get(self.next).map_or_else(last, |token| token.span.clone())
    }

    fn accept(&mut self, kind: &TokenKind) -> bool {
        let fits = self.peek() == kind;
        self.next += usize::from(fits);
        fits
    }

    fn accept_word(&mut self, word: &'static str) -> bool {
        self.accept(&TokenKind::Word(word))
    }

    fn accept_sign(&mut self, sign: &'static str) -> bool {
        self.accept(&TokenKind::Sign(sign))
    }

    fn accept_operator(&mut self, level: Level) -> Option<Binary> {
        let (TokenKind::Word(text) | TokenKind::Sign(text)) = self.peek() else {
            return None;
        };
        let binary = OPERATORS.into_iter().find(|binary| operator(*binary) == (*text, level))?;
        self.next += 1;
        Some(binary)
    }

    fn expect_word(&mut self, word: &'static str) -> Result<(), FormulaError> {
        if self.accept_word(word) { Ok(()) } else { Err(self.unexpected(&format!("an operator or `{word}`"))) }
    }

    fn expect_sign(&mut self, sign: &'static str, expected: &str) -> Result<(), FormulaError> {
        if self.accept_sign(sign) { Ok(()) } else { Err(self.unexpected(expected)) }
    }

    fn unexpected(&self, expected: &str) -> FormulaError {
        let message = match self.peek() {
            TokenKind::End => "the formula ends too early".to_string(),
            TokenKind::Number(_) => "a number cannot stand here".to_string(),
            TokenKind::Text(_) => "a text cannot stand here".to_string(),
            TokenKind::Name(name) => format!("the name `{name}` cannot stand here"),
            TokenKind::Word(text) | TokenKind::Sign(text) => format!("`{text}` cannot stand here"),
        };
        FormulaError::new(Rule::Syntax, self.span(), message).expected(expected)
    }
}

const VALUE: &str = "a number, a name, a text, `raw` or `(`";

const OPERATORS: [Binary; 14] = [
    Binary::Or,
    Binary::And,
    Binary::Less,
    Binary::LessOrEqual,
    Binary::Greater,
    Binary::GreaterOrEqual,
    Binary::Equal,
    Binary::NotEqual,
    Binary::Add,
    Binary::Subtract,
    Binary::Multiply,
    Binary::Divide,
    Binary::Modulo,
    Binary::Power,
];

fn too_deep(span: Range<usize>) -> FormulaError {
    FormulaError::new(Rule::TooDeep, span, "the formula is nested more than 64 levels deep")
        .expected("a shorter formula: a part of it can be a channel of its own")
}
