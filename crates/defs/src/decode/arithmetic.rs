//! What operators and functions do to binary64 numbers: through `libm`, so that every machine agrees to the last bit.
//!
//! Arguments are finite; so is every result, or it is [`Invalid`].

use crate::compiled::{Binary, Function};
use crate::value::Invalid;

/// `a op b` of an arithmetic operator.
pub(crate) fn binary(operator: Binary, a: f64, b: f64) -> Result<f64, Invalid> {
    match operator {
        Binary::Add => finite(a + b),
        Binary::Subtract => finite(a - b),
        Binary::Multiply => finite(a * b),
        Binary::Divide if b == 0.0 => Err(Invalid::DivisionByZero),
        Binary::Divide => finite(a / b),
        Binary::Modulo if b == 0.0 => Err(Invalid::DivisionByZero),
        Binary::Modulo => finite(modulo(a, b)),
        Binary::Power if a == 0.0 && b < 0.0 => Err(Invalid::DivisionByZero),
        Binary::Power => finite(libm::pow(a, b)),
        // Comparisons and logic are no arithmetic; the compiler never puts them here.
        _ => Err(Invalid::NoRealResult),
    }
}

/// The rest of a division, with the sign of the divisor.
fn modulo(a: f64, b: f64) -> f64 {
    let rest = libm::fmod(a, b);
    if rest != 0.0 && (rest < 0.0) != (b < 0.0) { rest + b } else { rest }
}

/// A function that gives a number.
pub(crate) fn call(function: Function, arguments: &[f64]) -> Result<f64, Invalid> {
    match (function, arguments) {
        (Function::Abs, [x]) => Ok(libm::fabs(*x)),
        (Function::Min, [first, rest @ ..]) => Ok(rest.iter().fold(*first, |a, b| if *b < a { *b } else { a })),
        (Function::Max, [first, rest @ ..]) => Ok(rest.iter().fold(*first, |a, b| if *b > a { *b } else { a })),
        (Function::Clamp, [_, low, high]) if low > high => Err(Invalid::NoRealResult),
        (Function::Clamp, [x, low, high]) => Ok(if x < low {
            *low
        } else if x > high {
            *high
        } else {
            *x
        }),
        (Function::Floor, [x]) => Ok(libm::floor(*x)),
        (Function::Ceil, [x]) => Ok(libm::ceil(*x)),
        (Function::Round, [x]) => Ok(libm::round(*x)),
        (Function::Sqrt, [x]) => finite(libm::sqrt(*x)),
        (Function::Exp, [x]) => finite(libm::exp(*x)),
        (Function::Ln | Function::Log10, [x]) if *x <= 0.0 => Err(Invalid::NoRealResult),
        (Function::Ln, [x]) => finite(libm::log(*x)),
        (Function::Log10, [x]) => finite(libm::log10(*x)),
        // A wrong number of arguments; the compiler never makes one.
        _ => Err(Invalid::NoRealResult),
    }
}

/// `bit(n, k)` of numbers: n whole, in two's complement of any width; k whole, 0 to 63.
pub(crate) fn bit(arguments: &[f64]) -> Result<bool, Invalid> {
    match arguments {
        [n, k] if whole(*n) => bit_of(*n as i128, *k),
        _ => Err(Invalid::NoRealResult),
    }
}

/// `bit(n, k)` of a whole number that is known exactly.
pub(crate) fn bit_of(n: i128, k: f64) -> Result<bool, Invalid> {
    if !whole(k) || !(0.0..=63.0).contains(&k) {
        return Err(Invalid::NoRealResult);
    }
    Ok((n >> (k as u32)) & 1 == 1)
}

fn whole(x: f64) -> bool {
    // Beyond 2^63 a number may stand for several whole ones.
    libm::fabs(x) < 9_223_372_036_854_775_808.0 && libm::floor(x) == x
}

pub(crate) fn finite(number: f64) -> Result<f64, Invalid> {
    if number.is_finite() {
        Ok(number)
    } else if number.is_nan() {
        Err(Invalid::NoRealResult)
    } else {
        Err(Invalid::Overflow)
    }
}
