//! One test for each rule of the Formulas section of the language.

use std::string::ToString;

use super::world::World;
use crate::compiled::{Affine, Binary, Node};
use crate::formula::{Wanted, compile};
use crate::number::Exact;
use crate::sample;
use crate::value::{Invalid, Value};

/// The value of a formula where `raw` is 5.
fn number(text: &str) -> Result<f64, Invalid> {
    World::new().number(text, 5)
}

fn truth(text: &str) -> Result<bool, Invalid> {
    World::new().truth(text)
}

fn input(name: &'static str) -> Invalid {
    Invalid::Input(name.into())
}

#[test]
fn a_minus_in_front_of_a_power_belongs_to_the_power() {
    assert_eq!(number("-2^2"), Ok(-4.0));
}

#[test]
fn powers_group_from_the_right() {
    assert_eq!(number("2^3^2"), Ok(512.0));
}

#[test]
fn an_exponent_may_be_negative() {
    assert_eq!(number("2^-3"), Ok(0.125));
}

#[test]
fn sums_and_terms_group_from_the_left() {
    assert_eq!(number("raw - 3 - 1"), Ok(1.0));
    assert_eq!(number("40 / raw / 2"), Ok(4.0));
}

#[test]
fn hex_numbers_and_decimals_are_numbers() {
    assert_eq!(number("0x1F + 0.25"), Ok(31.25));
}

#[test]
fn mod_has_the_sign_of_the_divisor() {
    let cases =
        [("raw mod 3", 2.0), ("-raw mod 3", 1.0), ("raw mod -3", -1.0), ("-raw mod -3", -2.0), ("-6 mod 3", 0.0)];
    for (text, value) in cases {
        assert_eq!(number(text), Ok(value), "{text}");
        let constant = text.replace("raw", "5");
        assert_eq!(number(&constant), Ok(value), "{constant}");
    }
}

#[test]
fn round_takes_a_half_away_from_zero() {
    for (text, value) in
        [("round(raw / 2)", 3.0), ("round(-raw / 2)", -3.0), ("round(2.5)", 3.0), ("round(-2.5)", -3.0)]
    {
        assert_eq!(number(text), Ok(value), "{text}");
    }
}

#[test]
fn floor_and_ceil_go_down_and_up() {
    let cases = [("floor(-raw / 2)", -3.0), ("ceil(-raw / 2)", -2.0), ("floor(-2.5)", -3.0), ("ceil(-2.5)", -2.0)];
    for (text, value) in cases {
        assert_eq!(number(text), Ok(value), "{text}");
    }
}

#[test]
fn bit_is_a_truth() {
    assert_eq!(truth("bit(raw, 2)"), Ok(true));
    assert_eq!(truth("bit(raw, 1)"), Ok(false));
    assert_eq!(World::new().errors("bit(raw, 2)", Wanted::Number).len(), 1);
}

#[test]
fn bit_of_a_negative_number_is_that_of_its_twos_complement() {
    assert_eq!(truth("bit(-1, 63)"), Ok(true));
    assert_eq!(truth("bit(-2, 0)"), Ok(false));
}

#[test]
fn bit_of_a_broken_number_or_place_is_invalid() {
    assert_eq!(truth("bit(raw / 2, 0)"), Err(Invalid::NoRealResult));
    assert_eq!(truth("bit(raw, 64 + 0 * engine_speed)"), Err(Invalid::NoRealResult));
}

#[test]
fn bit_sees_every_bit_of_a_wide_field() {
    // 2^53 + 1 has no binary64; its lowest bit is seen all the same.
    let world = World::new();
    assert_eq!(world.number("if bit(raw, 0) then 1 else 0", (1 << 53) + 1), Ok(1.0));
}

#[test]
fn clamp_keeps_within_both_ends() {
    assert_eq!(number("clamp(raw, 0, 3)"), Ok(3.0));
    assert_eq!(number("clamp(raw, 7, 9)"), Ok(7.0));
    assert_eq!(number("clamp(raw, 9, raw)"), Err(Invalid::NoRealResult));
}

#[test]
fn min_and_max_take_numbers_and_whole_arrays() {
    assert_eq!(number("min(knock)"), Ok(-3.0));
    assert_eq!(number("max(knock)"), Ok(0.0));
    assert_eq!(number("max(knock, 2, raw)"), Ok(5.0));
    assert_eq!(number("knock.2"), Ok(-1.5));
}

#[test]
fn a_whole_array_stands_only_in_min_and_max() {
    let errors = World::new().errors("knock + 1", Wanted::Number);
    assert_eq!(errors.first().map(|error| error.span.clone()), Some(0..5));
}

#[test]
fn transcendental_functions_are_those_of_libm() {
    assert_eq!(number("exp(raw)"), Ok(libm::exp(5.0)));
    assert_eq!(number("ln(raw)"), Ok(libm::log(5.0)));
    assert_eq!(number("log10(raw)"), Ok(libm::log10(5.0)));
    assert_eq!(number("sqrt(raw)"), Ok(libm::sqrt(5.0)));
    assert_eq!(number("raw ^ 0.5"), Ok(libm::pow(5.0, 0.5)));
}

#[test]
fn constants_fold_in_exact_rationals() {
    // In binary64 0.1 + 0.2 is not 0.3.
    assert_eq!(truth("0.1 + 0.2 == 0.3"), Ok(true));
    assert_eq!(World::new().compile("(1/3 + 1/6) * 2").unwrap().constant, Some(Exact::ONE));
}

#[test]
fn constant_powers_fold_to_an_exponent_of_64() {
    assert_eq!(World::new().compile("2^64 / 2^63").unwrap().constant, Exact::whole(2));
    assert_eq!(World::new().compile("2^-64 * 2^63").unwrap().constant, Exact::new(1, 2));
}

#[test]
fn an_affine_conversion_is_recognised_exactly() {
    let affine = |scale, offset, divisor| Some(Affine { scale, offset, divisor });
    let cases = [
        ("raw / 4", affine(1, 0, 4)),
        ("raw * 3/4 - 48", affine(3, -192, 4)),
        ("0.1 * raw + 0.2", affine(1, 2, 10)),
        ("(raw - 32) / 3", affine(1, -32, 3)),
        ("-(raw - 40) * 2", affine(-2, 80, 1)),
        ("(raw + raw) / 3 + 1/6", affine(4, 1, 6)),
        ("if 1 == 1 then raw else 1", affine(1, 0, 1)),
        ("raw * raw", None),
        ("1 / raw", None),
        ("raw + engine_speed", None),
        ("abs(raw)", None),
    ];
    for (text, wanted) in cases {
        // Equal as fractions; which of them is written does not matter.
        let found = World::new().compile(text).unwrap().affine;
        let value = |a: Affine| {
            let over = |n: i64| Exact::new(i128::from(n), i128::from(a.divisor)).unwrap();
            (over(a.scale), over(a.offset))
        };
        assert_eq!(found.map(value), wanted.map(value), "{text}");
    }
}

#[test]
fn raw_alone_is_no_conversion() {
    assert!(World::new().compile("raw").unwrap().identity);
    assert!(!World::new().compile("raw + 1").unwrap().identity);
}

#[test]
fn a_division_by_zero_is_invalid() {
    assert_eq!(number("1 / (raw - 5)"), Err(Invalid::DivisionByZero));
    assert_eq!(number("1 mod (raw - 5)"), Err(Invalid::DivisionByZero));
    assert_eq!(number("(raw - 5) ^ -1"), Err(Invalid::DivisionByZero));
}

#[test]
fn a_root_or_logarithm_without_a_real_result_is_invalid() {
    for text in ["sqrt(-raw)", "ln(raw - 5)", "log10(-raw)", "(-raw) ^ 0.5"] {
        assert_eq!(number(text), Err(Invalid::NoRealResult), "{text}");
    }
}

#[test]
fn an_overflow_is_invalid() {
    assert_eq!(number("exp(raw * 200)"), Err(Invalid::Overflow));
    assert_eq!(number("(raw * 10) ^ 400"), Err(Invalid::Overflow));
}

#[test]
fn a_constant_without_a_value_is_a_mistake_of_the_file() {
    for text in ["1 / 0", "raw / (2 - 2)", "sqrt(-1)", "0 ^ -1", "clamp(1, 3, 2)", "ln(0)"] {
        let errors = World::new().errors(text, Wanted::Number);
        assert_eq!(errors.first().map(|error| error.rule), Some(crate::formula::Rule::NoValue), "{text}");
    }
}

#[test]
fn an_invalid_input_makes_the_result_invalid_with_its_name() {
    assert_eq!(number("oil + 1"), Err(input("oil")));
    assert_eq!(number("boost_bar"), Err(input("boost_bar")));
}

#[test]
fn an_input_that_is_too_old_says_so() {
    let mut world = World::new();
    world.latest.push(("boost_bar", Err(Invalid::InputTooOld)));
    assert_eq!(world.number("boost_bar", 0), Err(Invalid::InputTooOld));
}

#[test]
fn invalid_gives_its_reason() {
    assert_eq!(number("if raw == 5 then invalid 'no sender' else raw"), Err(Invalid::Declared("no sender".into())));
}

#[test]
fn only_the_taken_branch_is_evaluated() {
    assert_eq!(number("if raw == 5 then 1 else oil"), Ok(1.0));
    assert_eq!(number("if raw != 5 then 1 / (raw - 5) else 2"), Ok(2.0));
}

#[test]
fn false_and_anything_is_false() {
    assert_eq!(truth("raw == 4 and oil > 3"), Ok(false));
    assert_eq!(truth("raw == 5 and oil > 3"), Err(input("oil")));
}

#[test]
fn true_or_anything_is_true() {
    assert_eq!(truth("raw == 5 or oil > 3"), Ok(true));
    assert_eq!(truth("raw == 4 or oil > 3"), Err(input("oil")));
}

#[test]
fn an_invalid_condition_is_neither_true_nor_false() {
    assert_eq!(truth("oil > 3"), Err(input("oil")));
    assert_eq!(truth("not oil > 3"), Err(input("oil")));
    assert_eq!(number("if oil > 3 then 1 else 2"), Err(input("oil")));
    assert_eq!(truth("oil > 3 and raw == 4"), Err(input("oil")));
}

#[test]
fn not_binds_looser_than_a_comparison_and_tighter_than_and() {
    assert_eq!(truth("not raw == 4 and raw == 5"), Ok(true));
    assert_eq!(truth("raw == 5 or raw == 4 and raw == 3"), Ok(true));
}

#[test]
fn a_text_is_compared_with_a_state() {
    assert_eq!(truth("gear == 'drive'"), Ok(true));
    assert_eq!(truth("'neutral' == gear"), Ok(false));
    assert_eq!(truth("gear != 'neutral'"), Ok(true));
}

#[test]
fn a_text_is_compared_with_free_text() {
    assert_eq!(truth("part_number == 'B40-2'"), Ok(true));
    assert_eq!(truth("part_number == 'B40-1'"), Ok(false));
}

#[test]
fn a_channel_in_a_state_has_no_number() {
    assert_eq!(number("mixed * 2"), Err(input("mixed")));
    assert_eq!(truth("mixed == 'shorted'"), Ok(true));
}

#[test]
fn a_channel_that_holds_a_number_is_in_no_state() {
    let mut world = World::new();
    world.latest.insert(0, ("mixed", Ok(Value::Number(3.0))));
    assert_eq!(world.truth("mixed == 'shorted'"), Ok(false));
    assert_eq!(world.truth("mixed != 'shorted'"), Ok(true));
    assert_eq!(world.number("mixed * 2", 0), Ok(6.0));
}

#[test]
fn supported_is_false_once_the_unit_said_so() {
    assert_eq!(truth("supported(oil)"), Ok(false));
    assert_eq!(truth("supported(coolant)"), Ok(true));
}

#[test]
fn asking_whether_a_channel_is_supported_does_not_read_it() {
    let compiled = compile("supported(oil) and coolant > 3", &World::new(), Wanted::Truth).unwrap();
    assert_eq!(compiled.inputs.len(), 1);
}

#[test]
fn rate_is_the_change_per_second() {
    assert_eq!(number("rate(engine_speed) / 60"), Ok(20.0));
    assert_eq!(number("rate(coolant)"), Err(Invalid::NoRate));
}

#[test]
fn a_curve_is_looked_up_by_its_name() {
    assert_eq!(number("ramp(raw)"), Ok(15.0));
    assert_eq!(number("ramp(raw * 5)"), Err(Invalid::OutsideCurve("ramp".into())));
}

#[test]
fn inputs_are_listed_once_in_the_order_of_the_text() {
    let compiled = World::new().compile("manifold - barometer + manifold").unwrap();
    assert_eq!(compiled.inputs.iter().map(|id| id.0).collect::<std::vec::Vec<_>>(), [3, 4]);
}

#[test]
fn operands_stand_before_the_node_that_uses_them() {
    let compiled = World::new().compile("engine_speed * raw + 1").unwrap();
    assert!(matches!(compiled.expr.nodes.last(), Some(Node::Binary(Binary::Add, a, b)) if a.0 == 2 && b.0 == 3));
}

#[test]
fn minus_zero_never_comes_out() {
    let mut channel = sample::channel(0, "x", crate::compiled::Origin::Derived);
    channel.conversion = crate::compiled::Conversion::Expr(World::new().compile("knock.3 * -1").unwrap().expr);
    channel.unit = Some(crate::unit::UnitCode::ONE);
    let layout = sample::layout(std::vec![channel.clone()], std::vec![], 0);
    let reading = crate::decode::derived(&layout, &channel, &World::new());
    assert_eq!(reading.number().map(|number| number.to_string()), Some("0".into()));
}

#[test]
fn names_added_subtracted_or_compared_have_one_unit() {
    for text in [
        "manifold - boost_bar",
        "manifold + coolant",
        "if manifold > boost_bar then 1 else 0",
        "min(manifold, coolant)",
    ] {
        let errors = World::new().errors(text, Wanted::Number);
        assert_eq!(errors.first().map(|error| error.rule), Some(crate::formula::Rule::Unit), "{text}");
    }
    assert_eq!(number("manifold - barometer"), Ok(50.0));
    assert_eq!(number("manifold * coolant"), Ok(13575.0));
    assert_eq!(number("coolant + 1"), Ok(91.5));
}

#[test]
fn the_unit_of_a_sum_is_known_and_that_of_a_product_is_not() {
    let unit = |text: &str| World::new().compile(text).unwrap().unit.map(crate::unit::UnitCode::code);
    assert_eq!(unit("manifold - barometer"), Some("kPa"));
    assert_eq!(unit("manifold / 10"), None);
    // A difference of temperatures is declared in K.
    assert_eq!(unit("coolant - oil"), None);
    assert_eq!(unit("max(knock)"), Some("deg"));
}
