//! What is wrong with a formula, with its place.

use core::fmt;
use core::ops::Range;
use std::string::String;

/// One mistake in a formula.
#[derive(Clone, PartialEq, Eq, Debug)]
pub struct FormulaError {
    /// Which rule is broken.
    pub rule: Rule,
    /// Bytes of the formula's text; empty at its end.
    pub span: Range<usize>,
    /// What is wrong, in a sentence without a full stop.
    pub message: String,
    /// What was expected there; empty if the message says it.
    pub expected: String,
    /// Text to put in place of the span.
    pub suggestion: Option<String>,
}

/// The rules that a formula can break.
#[derive(Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash, Debug)]
pub enum Rule {
    /// The grammar.
    Syntax,
    /// At most 64 levels of nesting, at most 65 536 nodes.
    TooDeep,
    /// A literal must fit exact arithmetic.
    Literal,
    /// A name must be known here.
    UnknownName,
    /// Numbers, truths and texts do not mix.
    Type,
    /// A function takes so many arguments.
    Arguments,
    /// A text must be one of the channel's states.
    UnknownState,
    /// Names added, subtracted or compared have the same unit.
    Unit,
    /// A constant part has no value.
    NoValue,
}

impl FormulaError {
    pub(super) fn new(rule: Rule, span: Range<usize>, message: impl Into<String>) -> Self {
        Self { rule, span, message: message.into(), expected: String::new(), suggestion: None }
    }

    pub(super) fn expected(mut self, expected: impl Into<String>) -> Self {
        self.expected = expected.into();
        self
    }

    pub(super) fn suggest(mut self, suggestion: Option<impl Into<String>>) -> Self {
        self.suggestion = suggestion.map(Into::into);
        self
    }
}

impl fmt::Display for FormulaError {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        write!(f, "at {}: {}", self.span.start, self.message)?;
        if !self.expected.is_empty() {
            write!(f, "; expected {}", self.expected)?;
        }
        match &self.suggestion {
            Some(text) => write!(f, "; write `{text}`"),
            None => Ok(()),
        }
    }
}

impl core::error::Error for FormulaError {}
