//! One test for each rule of the Formulas section of the language.

use super::world::World;
use crate::compiled::Affine;
use crate::value::Invalid;

fn number(text: &str) -> Result<f64, Invalid> {
    World::new().number(text, 5)
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
fn an_affine_conversion_is_recognised_exactly() {
    let affine = World::new().compile("raw * 3/4 - 48").unwrap().affine;
    assert_eq!(affine, Some(Affine { scale: 3, offset: -192, divisor: 4 }));
}
