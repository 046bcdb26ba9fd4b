//! The functions: one table.

use crate::compiled::Function;

/// How many arguments a function takes.
#[derive(Clone, Copy, PartialEq, Eq, Debug)]
pub(super) enum Arity {
    Exactly(usize),
    /// Two numbers or more, or a whole array.
    Several,
}

/// What is called by a name and parentheses, beside curves.
#[derive(Clone, Copy, PartialEq, Eq, Debug)]
pub(super) enum Callee {
    Function(Function),
    Supported,
    Rate,
}

/// Names of the functions; no channel, curve or part can have one.
pub const FUNCTIONS: [&str; 14] =
    ["abs", "min", "max", "clamp", "floor", "ceil", "round", "sqrt", "exp", "ln", "log10", "bit", "supported", "rate"];

pub(super) fn named(name: &str) -> Option<(Callee, Arity)> {
    use Arity::{Exactly, Several};
    let function = |function, arity| Some((Callee::Function(function), arity));
    match name {
        "abs" => function(Function::Abs, Exactly(1)),
        "min" => function(Function::Min, Several),
        "max" => function(Function::Max, Several),
        "clamp" => function(Function::Clamp, Exactly(3)),
        "floor" => function(Function::Floor, Exactly(1)),
        "ceil" => function(Function::Ceil, Exactly(1)),
        "round" => function(Function::Round, Exactly(1)),
        "sqrt" => function(Function::Sqrt, Exactly(1)),
        "exp" => function(Function::Exp, Exactly(1)),
        "ln" => function(Function::Ln, Exactly(1)),
        "log10" => function(Function::Log10, Exactly(1)),
        "bit" => function(Function::Bit, Exactly(2)),
        "supported" => Some((Callee::Supported, Exactly(1))),
        "rate" => Some((Callee::Rate, Exactly(1))),
        _ => None,
    }
}
