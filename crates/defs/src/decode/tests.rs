//! From bytes to readings.

use std::string::ToString;
use std::vec;
use std::vec::Vec;

use proptest::prelude::*;

use super::{Nothing, Scope, channel, convert, curve, derived, record};
use crate::compiled::{Affine, Between, Binary, Channel, Code, Coding, Conversion, Expr, Field, Node, NodeId, Origin};
use crate::compiled::{Outside, Part, State};
use crate::sample::{self, affine, field, field_channel, layout};
use crate::unit::UnitCode;
use crate::value::{ChannelId, Invalid, Raw, RecordId, Value};

fn expr(nodes: Vec<Node>) -> Expr {
    Expr { nodes: nodes.into() }
}

/// `channel == 'text'`
fn is(id: u16, text: &'static str) -> Expr {
    let nodes =
        vec![Node::Channel(ChannelId(id)), Node::Text(text.into()), Node::Binary(Binary::Equal, NodeId(0), NodeId(1))];
    expr(nodes)
}

fn value_of(channel: Channel, data: &[u8]) -> Result<Value, Invalid> {
    let layout = layout(vec![channel.clone()], vec![], data.len() as u16);
    super::channel(&layout, &channel, data, &Nothing).map_or(Err(Invalid::NoReading), |reading| reading.value)
}

fn number_of(field: Field, conversion: Conversion, data: &[u8]) -> Result<Value, Invalid> {
    value_of(field_channel(0, "x", field, conversion), data)
}

fn number(number: f64) -> Result<Value, Invalid> {
    Ok(Value::Number(number))
}

fn text(text: &str) -> Result<Value, Invalid> {
    Ok(Value::Text(text.to_string().into()))
}

#[test]
fn bytes_stand_in_the_order_that_the_field_names() {
    let data = [0x12, 0x34, 0x56];
    let unsigned = |bytes: &[u16]| number_of(field(bytes, Coding::Unsigned), Conversion::Identity, &data);
    assert_eq!(unsigned(&[0, 1]), number(f64::from(0x1234)));
    assert_eq!(unsigned(&[1, 0]), number(f64::from(0x3412)));
    assert_eq!(unsigned(&[2, 0]), number(f64::from(0x5612)));
}

#[test]
fn bits_are_numbered_from_the_least_significant() {
    let bits = Field { low_bit: 4, width: 2, ..field(&[0], Coding::Unsigned) };
    assert_eq!(number_of(bits, Conversion::Identity, &[0b0010_0000]), number(2.0));
    // Bits 2 to 15 of a little-endian pair: 40 5E is 5E40, shifted by 2.
    let across = Field { low_bit: 2, width: 14, ..field(&[1, 0], Coding::Unsigned) };
    assert_eq!(number_of(across, Conversion::Identity, &[0x40, 0x5E]), number(f64::from(0x5E40 >> 2)));
}

#[test]
fn a_signed_field_is_twos_complement_of_its_own_width() {
    let twelve = || Field { low_bit: 4, width: 12, ..field(&[0, 1], Coding::Signed) };
    assert_eq!(number_of(twelve(), Conversion::Identity, &[0xFC, 0x0F]), number(-64.0));
    assert_eq!(number_of(twelve(), Conversion::Identity, &[0x7F, 0xF0]), number(2047.0));
    assert_eq!(number_of(field(&[0], Coding::Signed), Conversion::Identity, &[0x80]), number(-128.0));
}

#[test]
fn all_sixty_four_bits_are_used() {
    let wide = field(&[0, 1, 2, 3, 4, 5, 6, 7], Coding::Unsigned);
    let reading = number_of(wide, Conversion::Identity, &[0xFF; 8]);
    assert_eq!(reading, number(18_446_744_073_709_551_615.0));
}

#[test]
fn an_affine_conversion_is_rounded_once() {
    // 100/255 of 77: the nearest binary64 of 1540/51, which two rounded steps miss for other values.
    let duty = || affine(100, 0, 255);
    for raw in 0..=255u8 {
        let exact = number_of(field(&[0], Coding::Unsigned), duty(), &[raw]);
        assert_eq!(exact, number(f64::from(raw) * 100.0 / 255.0));
    }
    assert_eq!(number_of(field(&[0], Coding::Unsigned), affine(3, -192, 4), &[0x70]), number(36.0));
}

#[test]
fn codes_come_before_states_and_both_before_the_conversion() {
    let mut mixed = field_channel(0, "x", field(&[0], Coding::Unsigned), affine(1, 0, 2));
    mixed.invalid = vec![Code { first: 0xFE, last: 0xFF, meaning: "no sender".into() }].into();
    mixed.states = vec![State { first: 0, last: 1, name: "off".into() }].into();
    assert_eq!(value_of(mixed.clone(), &[0xFE]), Err(Invalid::Declared("no sender".into())));
    assert_eq!(value_of(mixed.clone(), &[1]), text("off"));
    assert_eq!(value_of(mixed, &[9]), number(4.5));
}

#[test]
fn a_raw_value_that_no_state_lists_is_invalid_without_a_formula() {
    let mut flag = field_channel(0, "x", field(&[0], Coding::Unsigned), Conversion::None);
    flag.states =
        vec![State { first: 0, last: 0, name: "no".into() }, State { first: 1, last: 1, name: "yes".into() }].into();
    assert_eq!(value_of(flag.clone(), &[1]), text("yes"));
    assert_eq!(value_of(flag, &[2]), Err(Invalid::Unlisted));
}

#[test]
fn codes_of_a_signed_field_are_signed() {
    let mut signed = field_channel(0, "x", field(&[0], Coding::Signed), Conversion::Identity);
    signed.invalid = vec![Code { first: -128, last: -128, meaning: "open".into() }].into();
    assert_eq!(value_of(signed.clone(), &[0x80]), Err(Invalid::Declared("open".into())));
    assert_eq!(value_of(signed, &[0x81]), number(-127.0));
}

/// IEEE 754-2019, 3.4: 0x41C80000 is 25.0, 0x7FC00000 a quiet NaN, 0x7F800000 infinity.
#[test]
fn a_float_field_is_its_float_and_never_a_nan() {
    let single = || field(&[0, 1, 2, 3], Coding::Float);
    assert_eq!(number_of(single(), Conversion::Identity, &[0x41, 0xC8, 0, 0]), number(25.0));
    assert_eq!(number_of(single(), Conversion::Identity, &[0x7F, 0xC0, 0, 0]), Err(Invalid::NotANumber));
    assert_eq!(number_of(single(), Conversion::Identity, &[0x7F, 0x80, 0, 0]), Err(Invalid::NotANumber));
    let double = field(&[7, 6, 5, 4, 3, 2, 1, 0], Coding::Float);
    assert_eq!(number_of(double, Conversion::Identity, &25.5f64.to_le_bytes()), number(25.5));
}

#[test]
fn codes_of_a_float_field_are_bit_patterns() {
    let mut float = field_channel(0, "x", field(&[0, 1, 2, 3], Coding::Float), Conversion::Identity);
    float.invalid = vec![Code { first: 0x7FC0_0000, last: 0x7FC0_0000, meaning: "not fitted".into() }].into();
    assert_eq!(value_of(float, &[0x7F, 0xC0, 0, 0]), Err(Invalid::Declared("not fitted".into())));
}

#[test]
fn text_drops_its_padding_and_refuses_other_bytes() {
    let ascii = |data: &[u8]| {
        let bytes: Vec<u16> = (0..data.len() as u16).collect();
        number_of(field(&bytes, Coding::Ascii), Conversion::None, data)
    };
    assert_eq!(ascii(b"B40-2  \x00\xFF"), text("B40-2"));
    assert_eq!(ascii(b"  B 4"), text("  B 4"));
    assert_eq!(ascii(&[0xFF; 4]), text(""));
    assert_eq!(ascii(b"B\x0040"), Err(Invalid::NotText));
    assert_eq!(ascii(b"B\xE440"), Err(Invalid::NotText));
}

#[test]
fn bcd_digits_are_a_number_and_a_to_f_are_none() {
    let bcd = |data: &[u8]| {
        let bytes: Vec<u16> = (0..data.len() as u16).collect();
        number_of(field(&bytes, Coding::Bcd), affine(1, 0, 10), data)
    };
    assert_eq!(bcd(&[0x12, 0x34]), number(123.4));
    assert_eq!(bcd(&[0x1A]), Err(Invalid::NotADigit));
    assert_eq!(bcd(&[0x99; 30]), Err(Invalid::Overflow));
}

#[test]
fn hex_is_written_as_bytes_are_written_everywhere() {
    assert_eq!(number_of(field(&[0, 1], Coding::Hex), Conversion::None, &[0x0D, 0x48]), text("0D 48"));
}

#[test]
fn a_channel_is_there_only_when_its_condition_holds() {
    let mut page = field_channel(0, "page", field(&[0], Coding::Unsigned), Conversion::None);
    page.states =
        vec![State { first: 0, last: 0, name: "a".into() }, State { first: 1, last: 1, name: "b".into() }].into();
    let mut first = field_channel(1, "first", field(&[1], Coding::Unsigned), Conversion::Identity);
    first.when = Some(is(0, "a"));
    first.inputs = vec![ChannelId(0)].into();
    let mut second = field_channel(2, "second", field(&[1], Coding::Unsigned), Conversion::Identity);
    second.when = Some(is(0, "b"));
    second.inputs = vec![ChannelId(0)].into();
    let layout = layout(vec![page, first, second], vec![], 2);
    let here = |data: &[u8]| {
        let readings = record(&layout, layout.record(RecordId(0)).unwrap(), data, &Nothing).unwrap();
        readings.into_iter().map(|reading| reading.channel.0).collect::<Vec<_>>()
    };
    assert_eq!(here(&[0, 7]), [0, 1]);
    assert_eq!(here(&[1, 7]), [0, 2]);
    // An invalid condition is never true.
    assert_eq!(here(&[2, 7]), [0]);
}

#[test]
fn an_input_of_the_same_record_is_of_the_same_response_wherever_it_stands() {
    // The channel that reads comes first in the file; what the scope knows is older.
    let mut doubled = field_channel(0, "doubled", field(&[0], Coding::Unsigned), Conversion::None);
    let nodes = vec![Node::Raw, Node::Channel(ChannelId(1)), Node::Binary(Binary::Multiply, NodeId(0), NodeId(1))];
    doubled.conversion = Conversion::Expr(expr(nodes));
    doubled.inputs = vec![ChannelId(1)].into();
    let factor = field_channel(1, "factor", field(&[1], Coding::Unsigned), Conversion::Identity);
    let layout = layout(vec![doubled, factor], vec![], 2);
    let readings = record(&layout, layout.record(RecordId(0)).unwrap(), &[5, 3], &Known(Value::Number(100.0))).unwrap();
    assert_eq!(readings.iter().map(|reading| reading.number()).collect::<Vec<_>>(), [Some(15.0), Some(3.0)]);
}

#[test]
fn a_circle_of_inputs_ends() {
    let mut a =
        field_channel(0, "a", field(&[0], Coding::Unsigned), Conversion::Expr(expr(vec![Node::Channel(ChannelId(0))])));
    a.inputs = vec![ChannelId(0)].into();
    let layout = layout(vec![a], vec![], 1);
    assert_eq!(record(&layout, layout.record(RecordId(0)).unwrap(), &[1], &Nothing), Ok(vec![]));
}

#[test]
fn a_response_of_another_length_is_not_decoded() {
    let layout = layout(vec![field_channel(0, "x", field(&[0], Coding::Unsigned), Conversion::Identity)], vec![], 2);
    let error = record(&layout, layout.record(RecordId(0)).unwrap(), &[1, 2, 3], &Nothing).unwrap_err();
    assert_eq!(error.to_string(), "the response has 3 data bytes, the definition says 2");
}

#[test]
fn a_field_behind_the_end_of_a_shorter_response_has_no_reading() {
    let x = field_channel(0, "x", field(&[3], Coding::Unsigned), Conversion::Identity);
    let layout = layout(vec![x.clone()], vec![], 2);
    assert_eq!(channel(&layout, &x, &[1, 2], &Nothing), None);
}

#[test]
fn parts_are_named_by_their_place() {
    let part = |name: &'static str, at: u16| Part { name: name.into(), field: field(&[at], Coding::Unsigned) };
    let origin = Origin::Parts { record: RecordId(0), parts: vec![part("step", 0), part("count", 1)].into() };
    let mut pressure = sample::channel(0, "oil_pressure", origin);
    let nodes = vec![
        Node::Part(0),
        Node::Number(0.0),
        Node::Binary(Binary::Equal, NodeId(0), NodeId(1)),
        Node::Invalid("no sender".into()),
        Node::Part(1),
        Node::Binary(Binary::Multiply, NodeId(0), NodeId(4)),
        Node::If(NodeId(2), NodeId(3), NodeId(5)),
    ];
    pressure.conversion = Conversion::Expr(expr(nodes));
    assert_eq!(value_of(pressure.clone(), &[5, 7]), number(35.0));
    assert_eq!(value_of(pressure, &[0, 7]), Err(Invalid::Declared("no sender".into())));
}

#[test]
fn codes_and_states_of_a_derived_channel_are_looked_up_on_the_result() {
    let mut derived_channel = sample::channel(1, "level", Origin::Derived);
    derived_channel.conversion = Conversion::Expr(expr(vec![Node::Channel(ChannelId(0))]));
    derived_channel.states = vec![State { first: 0, last: 10, name: "low".into() }].into();
    derived_channel.invalid = vec![Code { first: 255, last: 255, meaning: "none".into() }].into();
    derived_channel.unit = Some(UnitCode::ONE);
    let layout = layout(vec![], vec![], 0);
    let level = |known: f64| derived(&layout, &derived_channel, &Known(Value::Number(known))).value;
    assert_eq!(level(9.5), text("low"));
    assert_eq!(level(255.0), Err(Invalid::Declared("none".into())));
    assert_eq!(level(10.5), number(10.5));
}

#[test]
fn a_curve_between_its_points() {
    let at = |between, x| curve::look_up(&sample::curve("c", between, Outside::Invalid), x);
    assert_eq!(at(Between::Linear, 2.5), Ok(12.5));
    assert_eq!(at(Between::Linear, 15.0), Ok(10.0));
    assert_eq!(at(Between::Step, 9.9), Ok(10.0));
    assert_eq!(at(Between::Step, 10.0), Ok(20.0));
    assert_eq!(at(Between::Nearest, 5.0), Ok(10.0));
    assert_eq!(at(Between::Nearest, 5.1), Ok(20.0));
    for between in [Between::Linear, Between::Step, Between::Nearest] {
        assert_eq!((at(between, 0.0), at(between, 10.0), at(between, 20.0)), (Ok(10.0), Ok(20.0), Ok(0.0)));
    }
}

#[test]
fn a_curve_outside_its_points() {
    let at = |between, outside, x| curve::look_up(&sample::curve("c", between, outside), x);
    assert_eq!(at(Between::Linear, Outside::Invalid, 20.1), Err(Invalid::OutsideCurve("c".into())));
    assert_eq!(at(Between::Linear, Outside::Clamp, 30.0), Ok(0.0));
    assert_eq!(at(Between::Linear, Outside::Clamp, -1.0), Ok(10.0));
    assert_eq!(at(Between::Linear, Outside::Extend, 25.0), Ok(-10.0));
    assert_eq!(at(Between::Linear, Outside::Extend, -5.0), Ok(5.0));
    assert_eq!(at(Between::Step, Outside::Extend, 25.0), Ok(0.0));
}

/// Every channel has this latest value.
struct Known(Value);

impl Scope for Known {
    fn latest(&self, _channel: ChannelId) -> Result<&Value, Invalid> {
        Ok(&self.0)
    }
}

fn any_node() -> impl Strategy<Value = Node> {
    let id = || (0u16..8).prop_map(NodeId);
    prop_oneof![
        any::<f64>().prop_map(|number| Node::Number(if number.is_finite() { number } else { 1e308 })),
        any::<bool>().prop_map(Node::Truth),
        Just(Node::Raw),
        (0u8..3).prop_map(Node::Part),
        (0u16..3).prop_map(|id| Node::Channel(ChannelId(id))),
        Just(Node::Text("x".into())),
        (id(), id()).prop_map(|(a, b)| Node::Binary(Binary::Divide, a, b)),
        (id(), id()).prop_map(|(a, b)| Node::Binary(Binary::Equal, a, b)),
        (id(), id(), id()).prop_map(|(a, b, c)| Node::If(a, b, c)),
        (id(), 0u16..2).prop_map(|(a, curve)| Node::Curve(curve, a)),
        prop::collection::vec(id(), 0..3).prop_map(|ids| Node::Call(crate::compiled::Function::Bit, ids.into())),
        prop::collection::vec(id(), 0..4).prop_map(|ids| Node::Call(crate::compiled::Function::Clamp, ids.into())),
    ]
}

fn any_field() -> impl Strategy<Value = Field> {
    use Coding::{Ascii, Bcd, Float, Hex, Signed, Unsigned};
    let codings = prop::sample::select(vec![Unsigned, Signed, Float, Ascii, Bcd, Hex]);
    (prop::collection::vec(0u16..12, 0..20), codings, any::<u8>(), any::<u8>())
        .prop_map(|(bytes, coding, low_bit, width)| Field { bytes: bytes.into(), coding, low_bit, width })
}

fn any_conversion() -> impl Strategy<Value = Conversion> {
    prop_oneof![
        Just(Conversion::None),
        Just(Conversion::Identity),
        (any::<i64>(), any::<i64>(), any::<i64>()).prop_map(|(scale, offset, divisor)| Conversion::Affine(Affine {
            scale,
            offset,
            divisor
        })),
        prop::collection::vec(any_node(), 0..8).prop_map(|nodes| Conversion::Expr(expr(nodes))),
    ]
}

proptest! {
    #[test]
    fn no_bytes_and_no_definition_panic_or_give_a_nan(
        field in any_field(),
        conversion in any_conversion(),
        data in prop::collection::vec(any::<u8>(), 0..16),
    ) {
        // Divisors below one, widths past 64 and expressions that go round in circles: no compiler makes these.
        let channel = field_channel(0, "x", field, conversion);
        let layout = layout(vec![channel.clone()], vec![sample::curve("c", Between::Linear, Outside::Extend)], 4);
        let value = super::channel(&layout, &channel, &data, &Nothing).map(|reading| reading.value);
        if let Some(Ok(Value::Number(number))) = value {
            prop_assert!(number.is_finite());
        }
    }

    #[test]
    fn a_field_of_any_place_and_width_is_the_bits_of_the_number_its_bytes_make(
        bytes in prop::collection::vec(any::<u8>(), 1..=8),
        low in any::<prop::sample::Index>(),
        width in any::<prop::sample::Index>(),
    ) {
        let bits = 8 * bytes.len() as u8;
        let low = low.index(usize::from(bits)) as u8;
        let width = 1 + width.index(usize::from(bits - low)) as u8;
        let offsets: Vec<u16> = (0..bytes.len() as u16).collect();
        let field = Field { bytes: offsets.into(), coding: Coding::Unsigned, low_bit: low, width };
        // Another way to the same bits: text of the binary digits.
        let digits: std::string::String = bytes.iter().map(|byte| std::format!("{byte:08b}")).collect();
        let (from, to) = (usize::from(bits - low - width), usize::from(bits - low));
        let expected = u64::from_str_radix(&digits[from..to], 2).unwrap();
        prop_assert_eq!(super::raw(&field, &bytes), Some(Raw::Unsigned(expected)));
        let signed = Field { coding: Coding::Signed, ..field };
        let negative = if digits.as_bytes()[from] == b'1' { 1i128 << width } else { 0 };
        prop_assert_eq!(super::raw(&signed, &bytes), Some(Raw::Signed((i128::from(expected) - negative) as i64)));
    }

    /// Exact in integers, by a way that the decoder does not go: a binary64 is `m * 2^e`, and the distance of
    /// `n / d` to it is at most half a unit of the last place, half only where `m` is even (IEEE 754-2019, 4.3.1).
    #[test]
    fn an_affine_conversion_is_the_nearest_number(
        scale in any::<i32>(),
        offset in any::<i64>(),
        divisor in 1..i64::MAX,
        raw in any::<i64>(),
    ) {
        let conversion = affine(i64::from(scale), offset, divisor);
        let channel = field_channel(0, "x", field(&[0, 1, 2, 3, 4, 5, 6, 7], Coding::Signed), conversion);
        let layout = layout(vec![channel.clone()], vec![], 8);
        let found = convert(&layout, &channel, &Raw::Signed(raw), &Nothing);
        let (n, d) = (i128::from(scale) * i128::from(raw) + i128::from(offset), i128::from(divisor));
        let Ok(Value::Number(found)) = found else {
            return Err(TestCaseError::fail("an affine conversion always has a value"));
        };
        prop_assume!(n != 0);
        let bits = found.abs().to_bits();
        let m = i128::from(bits & ((1 << 52) - 1) | 1 << 52);
        let e = (bits >> 52) as i32 - 1075;
        let (difference, half) =
            if e >= 0 { (n.abs() - ((m * d) << e), d << e) } else { ((n.abs() << -e) - m * d, d) };
        let twice = 2 * difference.abs();
        prop_assert!(twice < half || (twice == half && m % 2 == 0), "{} of {}/{}", found, n, d);
        prop_assert_eq!(found < 0.0, n < 0);
    }
}
