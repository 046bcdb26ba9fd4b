//! From text to the compiled expression.

use std::vec;
use std::vec::Vec;

use super::ast::Ast;
use super::check::Checker;
use super::error::{FormulaError, Rule};
use super::flatten::flatten;
use super::names::Names;
use super::parse::parse;
use super::term::Term;
use crate::compiled::{Affine, Coding, Conversion, Expr};
use crate::number::Exact;
use crate::unit::UnitCode;
use crate::value::ChannelId;

/// What a formula must give.
#[derive(Clone, Copy, PartialEq, Eq, Debug)]
pub enum Wanted {
    /// A conversion or a derived channel.
    Number,
    /// A condition: `when`, `needs`.
    Truth,
    /// What a channel of a sent frame says: a number, or by its name alone a channel with states or text.
    Value,
}

/// A checked formula.
#[derive(Clone, PartialEq, Debug)]
pub struct Compiled {
    /// As it is evaluated.
    pub expr: Expr,
    /// It is `a * raw + b`, and small enough to be evaluated exactly.
    pub affine: Option<Affine>,
    /// It is `raw` itself.
    pub identity: bool,
    /// Its value whatever comes.
    pub constant: Option<Exact>,
    /// Unit of the result, where the names alone fix it: sums, `min`, a name. Of products it is not known.
    pub unit: Option<UnitCode>,
    /// Channels that it reads, each once, in the order of the text.
    pub inputs: Vec<ChannelId>,
}

/// Reads, checks and compiles a formula.
///
/// ```
/// use tickover_defs::formula::{Name, Names, Wanted, compile};
///
/// struct OnlyRaw;
/// impl Names for OnlyRaw {
///     fn resolve(&self, name: &str) -> Option<Name> {
///         (name == "raw").then_some(Name::Raw)
///     }
/// }
/// let affine = compile("raw * 3/4 - 48", &OnlyRaw, Wanted::Number).unwrap().affine.unwrap();
/// assert_eq!((affine.scale, affine.offset, affine.divisor), (3, -192, 4));
/// let mistakes = compile("speed / 4", &OnlyRaw, Wanted::Number).unwrap_err();
/// assert_eq!(mistakes[0].span, 0..5);
/// ```
///
/// # Errors
/// The first mistake of grammar, or else all mistakes of names, types and units, each with its place.
pub fn compile(text: &str, names: &dyn Names, wanted: Wanted) -> Result<Compiled, Vec<FormulaError>> {
    compile_ast(&parse(text)?, names, wanted)
}

/// Checks and compiles a formula that has been read.
///
/// # Errors
/// All mistakes of names, types and units, each with its place.
pub fn compile_ast(ast: &Ast, names: &dyn Names, wanted: Wanted) -> Result<Compiled, Vec<FormulaError>> {
    let mut checker = Checker { names, errors: Vec::new() };
    let checked = match wanted {
        Wanted::Number => checker.number(ast),
        Wanted::Value => checker.value(ast),
        Wanted::Truth => checker.truth(ast).map(|term| (term, None)),
    };
    let Some((term, unit)) = checked.filter(|_| checker.errors.is_empty()) else {
        return Err(checker.errors);
    };
    let Some((expr, inputs)) = flatten(&term) else {
        let error = FormulaError::new(Rule::TooDeep, ast.span.clone(), "the formula has more than 65 536 nodes");
        return Err(vec![error.expected("a shorter formula: a part of it can be a channel of its own")]);
    };
    let affine = if wanted != Wanted::Truth { term.affine().and_then(whole_numbers) } else { None };
    let constant = if let Term::Exact(exact) = term { Some(exact) } else { None };
    Ok(Compiled { expr, affine, identity: term == Term::Raw, constant, unit, inputs })
}

impl Compiled {
    /// The conversion of a field with this coding: exact where it can be, binary64 for float fields.
    pub fn conversion(&self, coding: Coding) -> Conversion {
        match self.affine {
            _ if self.identity => Conversion::Identity,
            Some(affine) if coding != Coding::Float => Conversion::Affine(affine),
            _ => Conversion::Expr(self.expr.clone()),
        }
    }
}

/// `factor * raw + summand` over one divisor.
fn whole_numbers((factor, summand): (Exact, Exact)) -> Option<Affine> {
    let (d, e) = (factor.denominator(), summand.denominator());
    let (mut a, mut b) = (d, e);
    while b != 0 {
        (a, b) = (b, a % b);
    }
    let divisor = (d / a).checked_mul(e)?;
    let scaled = |exact: Exact| exact.numerator().checked_mul(divisor / exact.denominator());
    Some(Affine {
        scale: i64::try_from(scaled(factor)?).ok()?,
        offset: i64::try_from(scaled(summand)?).ok()?,
        divisor: i64::try_from(divisor).ok()?,
    })
}
