//! A formula as written: a tree with places, and its text again.

use core::fmt;
use core::ops::Range;
use std::boxed::Box;
use std::string::String;
use std::vec::Vec;

use crate::compiled::{Binary, Unary};
use crate::number::Exact;

/// A formula, or a part of one, with its place in the text. Equality ignores places.
#[derive(Clone, Debug)]
pub struct Ast {
    /// Bytes of the text.
    pub span: Range<usize>,
    /// What stands there.
    pub kind: Kind,
}

/// What a formula can be made of.
#[derive(Clone, PartialEq, Debug)]
pub enum Kind {
    /// A literal number; never negative.
    Number(Exact),
    /// `'...'`
    Text(String),
    /// `raw`
    Raw,
    /// A name, with labels: `knock_retard.1`.
    Name(String),
    /// `name(arguments)`: a function or a curve.
    Call {
        /// Function or curve.
        name: String,
        /// One at least.
        arguments: Vec<Ast>,
    },
    /// One operand.
    Unary(Unary, Box<Ast>),
    /// Two operands.
    Binary(Binary, Box<Ast>, Box<Ast>),
    /// Condition, then, else.
    If(Box<Ast>, Box<Ast>, Box<Ast>),
    /// `invalid '...'`
    Invalid(String),
}

impl PartialEq for Ast {
    fn eq(&self, other: &Self) -> bool {
        self.kind == other.kind
    }
}

/// How tightly an operator binds, loosest first; each level of the grammar is one.
#[derive(Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Debug)]
pub(super) enum Level {
    Expr,
    Or,
    And,
    Not,
    Comparison,
    Sum,
    Term,
    Unary,
    Power,
    Atom,
}

pub(super) fn operator(binary: Binary) -> (&'static str, Level) {
    match binary {
        Binary::Or => ("or", Level::Or),
        Binary::And => ("and", Level::And),
        Binary::Less => ("<", Level::Comparison),
        Binary::LessOrEqual => ("<=", Level::Comparison),
        Binary::Greater => (">", Level::Comparison),
        Binary::GreaterOrEqual => (">=", Level::Comparison),
        Binary::Equal => ("==", Level::Comparison),
        Binary::NotEqual => ("!=", Level::Comparison),
        Binary::Add => ("+", Level::Sum),
        Binary::Subtract => ("-", Level::Sum),
        Binary::Multiply => ("*", Level::Term),
        Binary::Divide => ("/", Level::Term),
        Binary::Modulo => ("mod", Level::Term),
        Binary::Power => ("^", Level::Power),
    }
}

impl Kind {
    fn level(&self) -> Level {
        match self {
            Self::Number(number) if *number < Exact::ZERO || number.decimals().is_none() => Level::Expr,
            Self::Number(_) | Self::Text(_) | Self::Raw | Self::Name(_) | Self::Call { .. } => Level::Atom,
            Self::Unary(Unary::Negate, _) => Level::Unary,
            Self::Unary(Unary::Not, _) => Level::Not,
            Self::Binary(binary, ..) => operator(*binary).1,
            Self::If(..) | Self::Invalid(_) => Level::Expr,
        }
    }
}

/// The text of a tree; it parses back to an equal one. Parentheses stand only where the grammar needs them.
impl fmt::Display for Ast {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        match &self.kind {
            Kind::Number(number) => write!(f, "{number}"),
            Kind::Text(text) => write!(f, "'{text}'"),
            Kind::Raw => f.write_str("raw"),
            Kind::Name(name) => f.write_str(name),
            Kind::Call { name, arguments, .. } => {
                write!(f, "{name}(")?;
                for (place, argument) in arguments.iter().enumerate() {
                    let comma = if place == 0 { "" } else { ", " };
                    write!(f, "{comma}{argument}")?;
                }
                f.write_str(")")
            }
            Kind::Unary(Unary::Negate, operand) => write!(f, "-{}", At(operand, Level::Power)),
            Kind::Unary(Unary::Not, operand) => write!(f, "not {}", At(operand, Level::Comparison)),
            Kind::Binary(binary, left, right) => {
                let (text, level) = operator(*binary);
                let (left_level, right_level) = match level {
                    Level::Power => (Level::Atom, Level::Unary),
                    Level::Term => (Level::Term, Level::Unary),
                    Level::Sum => (Level::Sum, Level::Term),
                    Level::Comparison => (Level::Sum, Level::Sum),
                    Level::And => (Level::And, Level::Not),
                    _ => (Level::Or, Level::And),
                };
                write!(f, "{} {text} {}", At(left, left_level), At(right, right_level))
            }
            Kind::If(condition, then, otherwise) => write!(f, "if {condition} then {then} else {otherwise}"),
            Kind::Invalid(text) => write!(f, "invalid '{text}'"),
        }
    }
}

/// An operand that must bind at least this tightly.
struct At<'a>(&'a Ast, Level);

impl fmt::Display for At<'_> {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        if self.0.kind.level() < self.1 { write!(f, "({})", self.0) } else { write!(f, "{}", self.0) }
    }
}
