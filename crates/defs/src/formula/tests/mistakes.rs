//! Mistakes: place, message, what was expected, what to write.

use std::fmt::Write;
use std::string::String;
use std::vec::Vec;

use super::world::World;
use crate::formula::{Rule, Wanted, parse};

/// Each with the mistake that a person would make.
const WRONG: [&str; 52] = [
    "",
    "raw +",
    "raw * (3 + 4",
    "raw)",
    "raw raw",
    "raw, 1",
    "raw && 3",
    "raw = 3",
    "raw <> 3",
    "raw ** 2",
    "raw % 2",
    "raw << 2",
    "raw & 0x0F",
    "!raw",
    "1 < raw < 3",
    "1 + if raw > 1 then 2 else 3",
    "1 + not raw == 1",
    "if raw > 1 then 2",
    "if raw > 1 2",
    "invalid",
    "\"text\"",
    "'text",
    "Raw / 4",
    "1e3 * raw",
    ".5 * raw",
    "5. * raw",
    "1_000 * raw",
    "0X1F",
    "0x",
    "0x1G",
    "12abc",
    "1.2.3",
    "99999999999999999999999999999999999999999",
    "raw § 2",
    "engine_sped / 2",
    "nothing_like_it",
    "knock + 1",
    "ramp + 1",
    "sqrt + 1",
    "sqroot(raw)",
    "engine_speed(3)",
    "sqrt(raw, 2)",
    "min(raw)",
    "rate(raw)",
    "rate(gear)",
    "gear * 2",
    "if gear then 1 else 2",
    "if gear == 'driv' then 1 else 2",
    "if gear < 'drive' then 1 else 2",
    "if raw == 'drive' then 1 else 2",
    "raw > 3",
    "manifold - boost_bar",
];

#[test]
fn each_mistake_has_a_place_and_says_what_to_do() {
    let mut table = String::new();
    for text in WRONG {
        let errors = World::new().errors(text, Wanted::Number);
        assert!(!errors.is_empty(), "{text}");
        for error in errors {
            assert!(text.is_char_boundary(error.span.start) && text.is_char_boundary(error.span.end), "{text}");
            let marks = "^".repeat(text[error.span.clone()].chars().count().max(1));
            let indent = " ".repeat(text[..error.span.start].chars().count());
            let _ = writeln!(table, "{text}\n{indent}{marks} {:?}: {}", error.rule, error.message);
            if !error.expected.is_empty() {
                let _ = writeln!(table, "    expected {}", error.expected);
            }
            if let Some(suggestion) = error.suggestion {
                let _ = writeln!(table, "    write {suggestion}");
            }
        }
    }
    insta::assert_snapshot!(table);
}

#[test]
fn all_mistakes_of_names_types_and_units_come_in_one_run() {
    let errors = World::new().errors("engine_sped + gear * (manifold - boost_bar) + sqrt(1, 2)", Wanted::Number);
    let rules: Vec<Rule> = errors.iter().map(|error| error.rule).collect();
    assert_eq!(rules, [Rule::UnknownName, Rule::Type, Rule::Unit, Rule::Arguments]);
}

#[test]
fn sixty_four_levels_are_read_and_one_more_is_not() {
    let parentheses = |levels: usize| [&"(".repeat(levels), "raw", &")".repeat(levels)].concat();
    assert!(parse(&parentheses(63)).is_ok());
    let error = parse(&parentheses(64)).unwrap_err();
    assert_eq!(error.first().map(|error| error.rule), Some(Rule::TooDeep));
    assert!(parse(&["raw", &" + 1".repeat(63)].concat()).is_ok());
    assert!(parse(&["raw", &" + 1".repeat(64)].concat()).is_err());
}

#[test]
fn a_hundred_thousand_brackets_are_a_mistake_and_no_overflow() {
    for text in ["(", "-(", "2^", "if ", "not (", "min(", "raw + ", "2^-"] {
        assert!(parse(&text.repeat(100_000)).is_err(), "{text}");
    }
}
