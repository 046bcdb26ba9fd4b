//! From wanted values to bytes, and back through the decoder.

use std::vec;
use std::vec::Vec;

use proptest::prelude::*;

use super::{EncodeError, channel, invalid};
use crate::compiled::{Between, Channel, Code, Coding, Conversion, Field, Outside, Part, State};
use crate::compiled::{Binary, Expr, Node, NodeId, Origin};
use crate::decode::{self, Nothing};
use crate::sample::{self, affine, field, field_channel, layout};
use crate::value::{RecordId, Value};

fn encoded(wanted: Value, one: Channel, data: &mut [u8]) -> Result<Value, EncodeError> {
    let layout = layout(vec![one.clone()], vec![], data.len() as u16);
    channel(&layout, &one, &wanted, &Nothing, data)
}

fn expr(nodes: Vec<Node>) -> Conversion {
    Conversion::Expr(Expr { nodes: nodes.into() })
}

#[test]
fn the_nearest_raw_value_is_written_and_what_it_means_comes_back() {
    let speed = field_channel(0, "x", field(&[0, 1], Coding::Unsigned), affine(1, 0, 4));
    let mut data = [0; 3];
    assert_eq!(encoded(Value::Number(850.1), speed, &mut data), Ok(Value::Number(850.0)));
    assert_eq!(data, [0x0D, 0x48, 0]);
}

#[test]
fn only_the_bits_of_the_field_change() {
    let bits = Field { low_bit: 3, width: 4, ..field(&[1], Coding::Unsigned) };
    let mut data = [0xAA, 0b1000_0111, 0xAA];
    let one = field_channel(0, "x", bits, Conversion::Identity);
    assert_eq!(encoded(Value::Number(5.0), one, &mut data), Ok(Value::Number(5.0)));
    assert_eq!(data, [0xAA, 0b1010_1111, 0xAA]);
}

#[test]
fn a_value_beyond_the_field_becomes_its_nearest_end() {
    let angle = || field_channel(0, "x", field(&[0], Coding::Signed), affine(3, 0, 4));
    let mut data = [0];
    assert_eq!(encoded(Value::Number(1e9), angle(), &mut data), Ok(Value::Number(95.25)));
    assert_eq!(encoded(Value::Number(-1e300), angle(), &mut data), Ok(Value::Number(-96.0)));
    assert_eq!(data, [0x80]);
}

#[test]
fn a_number_never_becomes_a_code_or_a_state() {
    let mut one = field_channel(0, "x", field(&[0], Coding::Unsigned), affine(1, 0, 2));
    one.invalid = vec![Code { first: 0xF0, last: 0xFF, meaning: "fault".into() }].into();
    one.states = vec![State { first: 0, last: 3, name: "off".into() }].into();
    let mut data = [0];
    assert_eq!(encoded(Value::Number(127.0), one.clone(), &mut data), Ok(Value::Number(119.5)));
    assert_eq!(encoded(Value::Number(0.0), one, &mut data), Ok(Value::Number(2.0)));
}

#[test]
fn states_and_codes_are_written_by_name() {
    let mut gear = field_channel(0, "x", field(&[0], Coding::Unsigned), Conversion::None);
    gear.states = vec![State { first: 1, last: 1, name: "drive".into() }].into();
    gear.invalid = vec![Code { first: 0xFE, last: 0xFF, meaning: "no message".into() }].into();
    let mut data = [0];
    assert_eq!(encoded(Value::Text("drive".into()), gear.clone(), &mut data), Ok(Value::Text("drive".into())));
    assert_eq!(data, [1]);
    assert_eq!(invalid(&gear, "no message", &mut data), Ok(()));
    assert_eq!(data, [0xFE]);
    let error = encoded(Value::Text("reverse".into()), gear.clone(), &mut data);
    assert_eq!(error, Err(EncodeError::UnknownState { wanted: "reverse".into() }));
    assert_eq!(encoded(Value::Number(1.0), gear.clone(), &mut data), Err(EncodeError::NotANumber));
    assert_eq!(invalid(&gear, "nothing", &mut data), Err(EncodeError::NoSuchCode));
}

#[test]
fn text_is_padded_with_blanks_and_hex_is_written_byte_by_byte() {
    let mut data = [0; 4];
    let name = field_channel(0, "x", field(&[0, 1, 2, 3], Coding::Ascii), Conversion::None);
    assert_eq!(encoded(Value::Text("B4".into()), name.clone(), &mut data), Ok(Value::Text("B4".into())));
    assert_eq!(&data, b"B4  ");
    assert_eq!(
        encoded(Value::Text("B40-22".into()), name.clone(), &mut data),
        Err(EncodeError::TextLength { field: 4, text: 6 })
    );
    assert_eq!(encoded(Value::Text("é".into()), name, &mut data), Err(EncodeError::NotText));
    let hex = field_channel(0, "x", field(&[0, 1], Coding::Hex), Conversion::None);
    assert_eq!(encoded(Value::Text("0D 48".into()), hex.clone(), &mut data), Ok(Value::Text("0D 48".into())));
    assert_eq!(encoded(Value::Text("0D48".into()), hex, &mut data), Err(EncodeError::NotText));
}

#[test]
fn bcd_digits_are_written() {
    let mut data = [0xFF; 2];
    let one = field_channel(0, "x", field(&[0, 1], Coding::Bcd), affine(1, 0, 10));
    assert_eq!(encoded(Value::Number(123.44), one, &mut data), Ok(Value::Number(123.4)));
    assert_eq!(data, [0x12, 0x34]);
}

#[test]
fn a_float_field_holds_the_number() {
    let mut data = [0; 4];
    let one = field_channel(0, "x", field(&[3, 2, 1, 0], Coding::Float), Conversion::Identity);
    assert_eq!(encoded(Value::Number(25.0), one, &mut data), Ok(Value::Number(25.0)));
    assert_eq!(data, 25.0f32.to_le_bytes());
}

#[test]
fn a_curve_is_inverted_through_its_segments() {
    let nodes = vec![Node::Raw, Node::Curve(0, NodeId(0))];
    let one = field_channel(0, "x", field(&[0], Coding::Unsigned), expr(nodes));
    let layout = layout(vec![one.clone()], vec![sample::curve("c", Between::Linear, Outside::Invalid)], 1);
    let mut data = [0];
    assert_eq!(channel(&layout, &one, &Value::Number(4.1), &Nothing, &mut data), Ok(Value::Number(4.0)));
    assert_eq!(data, [18]);
}

#[test]
fn a_conversion_that_turns_round_still_finds_the_nearest_of_all() {
    // (raw - 40000)^2, sixteen bits: rises on one side only as far as 1.6e9.
    let nodes = vec![
        Node::Raw,
        Node::Number(40_000.0),
        Node::Binary(Binary::Subtract, NodeId(0), NodeId(1)),
        Node::Number(2.0),
        Node::Binary(Binary::Power, NodeId(2), NodeId(3)),
    ];
    let one = field_channel(0, "x", field(&[0, 1], Coding::Unsigned), expr(nodes));
    let mut data = [0; 2];
    for raw in [0.0f64, 1.0, 39_999.0] {
        let wanted = (raw - 40_000.0) * (raw - 40_000.0);
        assert_eq!(encoded(Value::Number(wanted), one.clone(), &mut data), Ok(Value::Number(wanted)));
    }
}

#[test]
fn parts_are_found_together() {
    let part = |name: &'static str, at: u16| Part { name: name.into(), field: field(&[at], Coding::Unsigned) };
    let origin = Origin::Parts { record: RecordId(0), parts: vec![part("step", 0), part("count", 1)].into() };
    let mut pressure = sample::channel(0, "oil_pressure", origin);
    pressure.conversion =
        expr(vec![Node::Part(0), Node::Part(1), Node::Binary(Binary::Multiply, NodeId(0), NodeId(1))]);
    let mut data = [0, 0];
    assert_eq!(encoded(Value::Number(35_000.0), pressure.clone(), &mut data), Ok(Value::Number(35_000.0)));
    // With a step there, the count alone gets near enough.
    data = [10, 0];
    assert_eq!(encoded(Value::Number(352.0), pressure, &mut data), Ok(Value::Number(350.0)));
    assert_eq!(data, [10, 35]);
}

#[test]
fn what_cannot_be_written_says_so() {
    let mut data = [0; 2];
    let derived = sample::channel(0, "x", Origin::Derived);
    assert_eq!(encoded(Value::Number(1.0), derived, &mut data), Err(EncodeError::Derived));
    let constant = field_channel(0, "x", field(&[0], Coding::Unsigned), affine(0, 1, 1));
    assert_eq!(encoded(Value::Number(1.0), constant, &mut data), Err(EncodeError::NotInvertible));
    let far = field_channel(0, "x", field(&[5], Coding::Unsigned), Conversion::Identity);
    assert_eq!(encoded(Value::Number(1.0), far, &mut data), Err(EncodeError::TooShort { needed: 6, came: 2 }));
    let mut elsewhere = field_channel(0, "x", field(&[0], Coding::Unsigned), Conversion::Identity);
    elsewhere.when = Some(Expr { nodes: vec![Node::Truth(false)].into() });
    assert_eq!(encoded(Value::Number(1.0), elsewhere, &mut data), Err(EncodeError::NotPresent));
    let reciprocal = vec![
        Node::Number(-1.0),
        Node::Raw,
        Node::Binary(Binary::Power, NodeId(0), NodeId(1)),
        Node::Call(crate::compiled::Function::Ln, vec![NodeId(0)].into()),
    ];
    let never = field_channel(0, "x", field(&[0], Coding::Unsigned), expr(reciprocal));
    assert!(matches!(encoded(Value::Number(1.0), never, &mut data), Err(EncodeError::Invalid(_))));
    assert_eq!(data, [0; 2]);
}

fn any_affine() -> impl Strategy<Value = (i64, i64, i64)> {
    (1i64..100_000, -1_000_000i64..1_000_000, 1i64..100_000, any::<bool>())
        .prop_map(|(scale, offset, divisor, falls)| (if falls { -scale } else { scale }, offset, divisor))
}

fn any_field() -> impl Strategy<Value = Field> {
    (1u16..=8, any::<bool>(), any::<prop::sample::Index>(), any::<prop::sample::Index>()).prop_map(
        |(bytes, signed, low, width)| {
            let bits = 8 * bytes as usize;
            let low = low.index(bits);
            let width = 1 + width.index(bits - low);
            let coding = if signed { Coding::Signed } else { Coding::Unsigned };
            let offsets: Vec<u16> = (0..bytes).rev().collect();
            Field { bytes: offsets.into(), coding, low_bit: low as u8, width: width as u8 }
        },
    )
}

proptest! {
    #[test]
    fn any_raw_value_is_written_and_read_back(field in any_field(), before in any::<[u8; 8]>(), bits in any::<[u8; 8]>()) {
        let raw = decode::raw(&field, &bits).unwrap();
        let mut data = before;
        super::raw(&field, &raw, &mut data).unwrap();
        prop_assert_eq!(decode::raw(&field, &data), Some(raw));
        // Every other bit is as it was.
        let zero = if field.coding == Coding::Signed { crate::Raw::Signed(0) } else { crate::Raw::Unsigned(0) };
        let mut before = before;
        super::raw(&field, &zero, &mut before).unwrap();
        super::raw(&field, &zero, &mut data).unwrap();
        prop_assert_eq!(before, data);
    }

    #[test]
    fn a_value_comes_back_within_half_a_resolution((scale, offset, divisor) in any_affine(), field in any_field(), place in 0.0..1.0f64) {
        let (least, greatest) = super::write::limits(&field).unwrap();
        let ends = [least, greatest].map(|raw| (scale as f64 * raw as f64 + offset as f64) / divisor as f64);
        let (low, high) = (ends[0].min(ends[1]), ends[0].max(ends[1]));
        let wanted = low + place * (high - low);
        let one = field_channel(0, "x", field, affine(scale, offset, divisor));
        let Ok(Value::Number(found)) = encoded(Value::Number(wanted), one, &mut [0; 8]) else {
            return Err(TestCaseError::fail("an affine conversion has an inverse"));
        };
        let half = scale.unsigned_abs() as f64 / divisor as f64 / 2.0;
        // Beside half a step, the rounding of numbers of this size.
        let slack = 4.0 * f64::EPSILON * (wanted.abs() + offset.unsigned_abs() as f64 / divisor as f64);
        prop_assert!((found - wanted).abs() <= half + slack, "wanted {}, found {}, half a step {}", wanted, found, half);
    }

    #[test]
    fn every_value_that_a_field_can_mean_comes_back_exactly((scale, offset, divisor) in any_affine(), raw in any::<u16>()) {
        let one = field_channel(0, "x", field(&[0, 1], Coding::Unsigned), affine(scale, offset, divisor));
        let layout = layout(vec![one.clone()], vec![], 2);
        let wanted = decode::convert(&layout, &one, &crate::Raw::Unsigned(raw.into()), &Nothing).unwrap();
        let mut data = [0; 2];
        prop_assert_eq!(channel(&layout, &one, &wanted, &Nothing, &mut data), Ok(wanted));
        prop_assert_eq!(data, raw.to_be_bytes());
    }
}
