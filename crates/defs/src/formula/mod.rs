//! The formula language: conversions, derived channels, conditions.
//!
//! [`parse`] reads text into a tree with places, [`compile`] checks types, names and units, folds constants exactly and
//! gives the [`Expr`](crate::compiled::Expr) that [`decode`](crate::decode) evaluates. What can be known of a conversion
//! before any byte has come is in [`knowledge`].
//!
//! No part of it recurses deeper than 64 levels, whatever the text.

mod ast;
mod check;
mod compile;
mod error;
mod flatten;
mod fold;
mod functions;
pub mod knowledge;
mod lex;
mod names;
mod parse;
mod term;
#[cfg(test)]
mod tests;

pub use ast::{Ast, Kind};
pub use compile::{Compiled, Wanted, compile, compile_ast};
pub use error::{FormulaError, Rule};
pub use functions::FUNCTIONS;
pub use lex::WORDS;
pub use names::{Input, Name, Names};
pub use parse::parse;
