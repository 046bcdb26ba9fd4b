//! Constants: exact rationals as long as they last, then binary64 in the order of the tree.

use std::boxed::Box;
use std::vec::Vec;

use super::term::Term;
use crate::compiled::{Binary, Function, Unary};
use crate::decode::arithmetic;
use crate::number::Exact;
use crate::value::Invalid;

pub(super) fn negate(operand: Term) -> Term {
    match operand {
        Term::Exact(exact) => Term::Exact(exact.negate()),
        Term::Rounded(number) => Term::Rounded(-number),
        other => Term::Unary(Unary::Negate, Box::new(other)),
    }
}

pub(super) fn not(operand: Term) -> Term {
    match operand {
        Term::Truth(truth) => Term::Truth(!truth),
        other => Term::Unary(Unary::Not, Box::new(other)),
    }
}

/// # Errors
/// The constant operands give no value: a division by zero, a power without a real result.
pub(super) fn arithmetic(binary: Binary, left: Term, right: Term) -> Result<Term, Invalid> {
    let (Some(a), Some(b)) = (left.constant(), right.constant()) else {
        return match right.constant() {
            Some(0.0) if matches!(binary, Binary::Divide | Binary::Modulo) => Err(Invalid::DivisionByZero),
            _ => Ok(Term::Binary(binary, Box::new(left), Box::new(right))),
        };
    };
    if let (Term::Exact(a), Term::Exact(b)) = (&left, &right) {
        let exact = match binary {
            Binary::Add => a.plus(*b),
            Binary::Subtract => a.minus(*b),
            Binary::Multiply => a.times(*b),
            Binary::Divide => a.over(*b),
            Binary::Modulo => a.modulo(*b),
            _ => a.power(*b),
        };
        if let Some(exact) = exact {
            return Ok(Term::Exact(exact));
        }
    }
    arithmetic::binary(binary, a, b).map(Term::Rounded)
}

pub(super) fn compare(binary: Binary, left: Term, right: Term) -> Term {
    let truth = match (&left, &right) {
        (Term::Exact(a), Term::Exact(b)) => Some(holds(binary, a, b)),
        (Term::Text(a), Term::Text(b)) => Some(holds(binary, a, b)),
        _ => match (left.constant(), right.constant()) {
            (Some(a), Some(b)) => Some(holds(binary, &a, &b)),
            _ => None,
        },
    };
    truth.map_or_else(|| Term::Binary(binary, Box::new(left), Box::new(right)), Term::Truth)
}

fn holds<T: PartialOrd>(binary: Binary, a: &T, b: &T) -> bool {
    match binary {
        Binary::Less => a < b,
        Binary::LessOrEqual => a <= b,
        Binary::Greater => a > b,
        Binary::GreaterOrEqual => a >= b,
        Binary::NotEqual => a != b,
        _ => a == b,
    }
}

/// `and`, `or`: only a constant on the left decides, as at run time.
pub(super) fn logic(binary: Binary, left: Term, right: Term) -> Term {
    match (binary, left) {
        (Binary::And, Term::Truth(true)) | (Binary::Or, Term::Truth(false)) => right,
        (_, Term::Truth(truth)) => Term::Truth(truth),
        (_, left) => Term::Binary(binary, Box::new(left), Box::new(right)),
    }
}

pub(super) fn choice(condition: Term, then: Term, otherwise: Term) -> Term {
    match condition {
        Term::Truth(true) => then,
        Term::Truth(false) => otherwise,
        condition => Term::If(Box::new(condition), Box::new(then), Box::new(otherwise)),
    }
}

/// # Errors
/// The constant arguments give no value: the root of a negative number and its like.
pub(super) fn call(function: Function, arguments: Vec<Term>) -> Result<Term, Invalid> {
    if let Some(exact) = exact_arguments(&arguments).and_then(|arguments| exact_call(function, &arguments)) {
        return Ok(exact);
    }
    let constants: Option<Vec<f64>> = arguments.iter().map(Term::constant).collect();
    if let (Function::Bit, Some(place)) = (function, arguments.get(1).and_then(Term::constant)) {
        arithmetic::bit_of(0, place)?;
    }
    match constants {
        Some(numbers) if function == Function::Bit => arithmetic::bit(&numbers).map(Term::Truth),
        Some(numbers) => arithmetic::call(function, &numbers).map(Term::Rounded),
        None => Ok(Term::Call(function, arguments)),
    }
}

fn exact_arguments(arguments: &[Term]) -> Option<Vec<Exact>> {
    let exact = |term: &Term| if let Term::Exact(exact) = term { Some(*exact) } else { None };
    arguments.iter().map(exact).collect()
}

fn exact_call(function: Function, arguments: &[Exact]) -> Option<Term> {
    let first = *arguments.first()?;
    let half = Exact::new(1, 2)?;
    let exact = match function {
        Function::Abs => first.magnitude(),
        Function::Min => arguments.iter().copied().min()?,
        Function::Max => arguments.iter().copied().max()?,
        Function::Clamp => match arguments {
            [value, low, high] if low <= high => (*value).max(*low).min(*high),
            _ => return None,
        },
        Function::Floor => first.floor(),
        Function::Ceil => first.negate().floor().negate(),
        Function::Round => {
            let rounded = first.magnitude().plus(half)?.floor();
            if first < Exact::ZERO { rounded.negate() } else { rounded }
        }
        Function::Sqrt | Function::Exp | Function::Ln | Function::Log10 | Function::Bit => return None,
    };
    Some(Term::Exact(exact))
}
