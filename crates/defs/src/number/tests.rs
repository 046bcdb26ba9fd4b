//! Exact numbers.

use std::string::ToString;

use num_rational::Ratio;
use num_traits::ToPrimitive;
use proptest::prelude::*;

use super::{Exact, decimal};

fn exact(numerator: i128, denominator: i128) -> Exact {
    Exact::new(numerator, denominator).unwrap()
}

#[test]
fn literals_are_read_as_written() {
    let cases = [
        ("0", (0, 1), 0),
        ("0.10", (1, 10), 2),
        ("+0.1", (1, 10), 1),
        ("-1_000.50e-3", (-2001, 2000), 5),
        ("1e3", (1000, 1), 0),
        ("1.5e1", (15, 1), 0),
        ("0xFFFF", (65535, 1), 0),
        ("0b101", (5, 1), 0),
        ("0o17", (15, 1), 0),
        ("3.200", (16, 5), 3),
    ];
    for (text, (n, d), decimals) in cases {
        let read = decimal(text).unwrap();
        assert_eq!((read.value, read.decimals), (exact(n, d), decimals), "{text}");
    }
}

#[test]
fn what_is_no_number_is_refused() {
    for text in
        ["", "-", "x", "1.", ".5", "1e", "1e99", "inf", "nan", "0x", "0x-1", "1.2.3", "1,5", "9".repeat(40).as_str()]
    {
        assert_eq!(decimal(text), None, "{text}");
    }
}

#[test]
fn operations_that_leave_their_range_say_so() {
    let huge = Exact::whole(i128::MAX).unwrap();
    assert_eq!(huge.plus(Exact::ONE), None);
    assert_eq!(huge.times(huge), None);
    assert_eq!(Exact::whole(i128::MIN), None);
    assert_eq!(Exact::ONE.over(Exact::ZERO), None);
    assert_eq!(Exact::ZERO.power(exact(-1, 1)), None);
    assert_eq!(exact(3, 1).power(exact(1, 2)), None);
    assert_eq!(exact(1, 1).power(exact(65, 1)), None);
}

#[test]
fn a_number_is_shown_as_the_decimal_it_is_or_as_a_fraction() {
    assert_eq!(exact(-1, 8).to_string(), "-0.125");
    assert_eq!(exact(1, 3).to_string(), "1/3");
    assert_eq!(exact(5, 1).to_string(), "5");
}

proptest! {
    #[test]
    fn the_nearest_binary64_is_that_of_the_rational_library(n in any::<i64>(), d in 1..i64::MAX) {
        prop_assert_eq!(Some(exact(i128::from(n), i128::from(d)).to_f64()), Ratio::new(n, d).to_f64());
    }

    /// Rust's own parser rounds decimals correctly (documentation of f64::from_str).
    #[test]
    fn a_decimal_becomes_the_number_that_the_language_parses(text in "-?[0-9]{1,15}(\\.[0-9]{1,12})?") {
        let parsed: f64 = text.parse().unwrap();
        prop_assert_eq!(decimal(&text).unwrap().value.to_f64() + 0.0, parsed + 0.0);
    }

    #[test]
    fn arithmetic_agrees_with_cross_multiplication(a in any::<i32>(), b in 1..i32::MAX, c in any::<i32>(), d in 1..i32::MAX) {
        let [a, b, c, d] = [a, b, c, d].map(i128::from);
        let (x, y) = (exact(a, b), exact(c, d));
        let same = |found: Exact, n: i128, m: i128| found.numerator() * m == n * found.denominator();
        prop_assert!(same(x.plus(y).unwrap(), a * d + c * b, b * d));
        prop_assert!(same(x.minus(y).unwrap(), a * d - c * b, b * d));
        prop_assert!(same(x.times(y).unwrap(), a * c, b * d));
        if c != 0 {
            prop_assert!(same(x.over(y).unwrap(), a * d, b * c));
            let rest = x.modulo(y).unwrap();
            prop_assert!(rest == Exact::ZERO || (rest < Exact::ZERO) == (c < 0));
            prop_assert!(rest.magnitude() < y.magnitude());
        }
    }
}
