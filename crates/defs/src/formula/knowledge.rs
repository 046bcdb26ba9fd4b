//! What can be known of a conversion before any byte has come: resolution, decimals, range, direction.
//!
//! A straight line is known exactly. Anything else is tried on every raw value of up to 16 bits, once for each way its
//! conditions on other channels can turn out.

use std::borrow::Cow;
use std::vec;
use std::vec::Vec;

use crate::compiled::{Affine, Code, Coding, Conversion, Curve, Expr, Field, Node, NodeId, State};
use crate::decode::field::{Content, content};
use crate::decode::{self, Evaluation, Given, Nothing};
use crate::encode;

/// Conditions on other channels that are tried both ways; more are not tried.
const CONDITIONS: usize = 4;
/// Bits of a field that are tried through.
const TRIED_BITS: u8 = 16;
/// Where a curve's or root's steps grow small, more decimals show nothing.
const MOST_DECIMALS: u8 = 6;
/// Of a conversion that could not be tried.
const UNKNOWN_DECIMALS: u8 = 3;

/// What is known of a conversion from one field.
#[derive(Clone, Copy, PartialEq, Debug)]
pub struct Knowledge {
    /// Smallest step between the numbers of neighbouring raw values; `None`: not known, or there is one number only.
    pub resolution: Option<f64>,
    /// Digits after the point worth showing: `ceil(-log10(resolution))`, never less than 0.
    pub decimals: u8,
    /// Least and greatest number that comes out, codes and states left out.
    pub range: Option<(f64, f64)>,
    /// `None`: neither way, or not known.
    pub direction: Option<Direction>,
    /// No two raw values give the same number; `None`: not known.
    pub invertible: Option<bool>,
    /// Some raw value that is neither code nor state gives no number; `None`: not known.
    pub ever_invalid: Option<bool>,
}

/// Which way the number goes when the raw value rises; steps on the way do not turn it round.
#[derive(Clone, Copy, PartialEq, Eq, Debug)]
pub enum Direction {
    /// Never falls.
    Rising,
    /// Never rises.
    Falling,
}

/// What is known of the conversion of a field with these codes and states.
pub fn of_field(
    field: &Field,
    conversion: &Conversion,
    invalid: &[Code],
    states: &[State],
    curves: &[Curve],
) -> Knowledge {
    let taken = Taken { invalid, states };
    match (conversion, field.coding) {
        (Conversion::None, _) => Knowledge { decimals: 0, ..UNKNOWN },
        (_, Coding::Float) => UNKNOWN,
        (Conversion::Identity, _) => line(field, Affine { scale: 1, offset: 0, divisor: 1 }, taken),
        (Conversion::Affine(affine), _) => line(field, *affine, taken),
        (Conversion::Expr(expr), _) => tried(field, expr, taken, curves).unwrap_or(UNKNOWN),
    }
}

/// How much work [`of_field`] makes of trying: raw values times nodes; 0 for what is known without.
pub(crate) fn work(field: &Field, conversion: &Conversion) -> u64 {
    let (Conversion::Expr(expr), Some((least, greatest))) = (conversion, encode::limits(field)) else { return 0 };
    let values = u64::try_from(greatest - least).unwrap_or(u64::MAX);
    if field.coding == Coding::Float || values >= 1 << TRIED_BITS { 0 } else { (values + 1) * expr.nodes.len() as u64 }
}

/// Digits after the point that show a step of this size: `ceil(-log10(|scale| / divisor))`, exactly.
pub fn decimals(affine: Affine) -> u8 {
    let (mut scale, divisor) = (i128::from(affine.scale).abs(), i128::from(affine.divisor));
    let mut decimals = 0;
    while scale < divisor && scale != 0 {
        scale *= 10;
        decimals += 1;
    }
    decimals
}

const UNKNOWN: Knowledge = Knowledge {
    resolution: None,
    decimals: UNKNOWN_DECIMALS,
    range: None,
    direction: None,
    invertible: None,
    ever_invalid: None,
};

/// Raw values that mean something else than a number.
#[derive(Clone, Copy)]
struct Taken<'a> {
    invalid: &'a [Code],
    states: &'a [State],
}

impl Taken<'_> {
    fn ranges(self) -> impl Iterator<Item = (i128, i128)> {
        let codes = self.invalid.iter().map(|code| (code.first, code.last));
        codes.chain(self.states.iter().map(|state| (state.first, state.last)))
    }

    fn has(self, raw: i128) -> bool {
        self.ranges().any(|(first, last)| (first..=last).contains(&raw))
    }

    /// The least and greatest raw value that is a number.
    fn limits(self, field: &Field) -> Option<(i128, i128)> {
        let (mut least, mut greatest) = encode::limits(field)?;
        while let Some((_, last)) = self.ranges().find(|(first, last)| (*first..=*last).contains(&least)) {
            least = last.checked_add(1)?;
        }
        while let Some((first, _)) = self.ranges().find(|(first, last)| (*first..=*last).contains(&greatest)) {
            greatest = first.checked_sub(1)?;
        }
        (least <= greatest).then_some((least, greatest))
    }
}

fn line(field: &Field, affine: Affine, taken: Taken<'_>) -> Knowledge {
    let ends = taken.limits(field).and_then(|(least, greatest)| {
        let (a, b) = (decode::exactly(affine, least).ok()?, decode::exactly(affine, greatest).ok()?);
        Some((a.min(b), a.max(b)))
    });
    let direction = if affine.scale < 0 { Direction::Falling } else { Direction::Rising };
    let step = decode::quotient(i128::from(affine.scale).abs(), i128::from(affine.divisor));
    Knowledge {
        resolution: (step > 0.0).then_some(step),
        decimals: decimals(affine),
        range: ends,
        direction: Some(direction),
        // Beyond 53 bits several raw values round to one number.
        invertible: Some(affine.scale != 0 && field.width <= 53),
        ever_invalid: Some(false),
    }
}

fn tried(field: &Field, expr: &Expr, taken: Taken<'_>, curves: &[Curve]) -> Option<Knowledge> {
    let (least, greatest) = encode::limits(field)?;
    if greatest - least >= 1 << TRIED_BITS {
        return None;
    }
    let mut known: Option<Knowledge> = None;
    for expr in ways(expr)? {
        let mut trial = Trial::default();
        for raw in (least..=greatest).filter(|raw| !taken.has(*raw)) {
            let content = match field.coding {
                Coding::Unsigned | Coding::Signed | Coding::Bcd => Content::Whole(raw),
                _ => content(field, &encode::raw_of(field, raw)?),
            };
            let evaluation =
                Evaluation { expr: &expr, curves, channels: &[], given: Given::Raw(&content), scope: &Nothing };
            trial.add(evaluation.number().ok());
        }
        let one = trial.knowledge();
        known = Some(known.map_or(one, |known| both(known, one)));
    }
    known
}

/// The expression with its conditions on other channels decided, one way after the other; `None` if there are too many
/// or its numbers depend on other channels.
fn ways(expr: &Expr) -> Option<Vec<Expr>> {
    let depends = dependent(expr);
    let on_others = |node: &NodeId| depends.get(usize::from(node.0)).copied().unwrap_or(false);
    let mut conditions: Vec<usize> = expr
        .nodes
        .iter()
        .filter_map(|node| match node {
            Node::If(condition, ..) if on_others(condition) => Some(usize::from(condition.0)),
            _ => None,
        })
        .collect();
    conditions.dedup();
    if conditions.len() > CONDITIONS {
        return None;
    }
    let mut ways = vec![expr.nodes.to_vec()];
    for condition in conditions {
        let decided = |truth: bool| {
            move |nodes: &Vec<Node>| {
                let mut nodes = nodes.clone();
                if let Some(node) = nodes.get_mut(condition) {
                    *node = Node::Truth(truth);
                }
                nodes
            }
        };
        ways = ways.iter().map(decided(true)).chain(ways.iter().map(decided(false))).collect();
    }
    let exprs: Vec<Expr> = ways.into_iter().map(|nodes| Expr { nodes: Cow::Owned(nodes) }).collect();
    let free = |expr: &Expr| !dependent(expr).last().copied().unwrap_or(false);
    exprs.iter().all(free).then_some(exprs)
}

/// Of each node: whether it reads another channel.
fn dependent(expr: &Expr) -> Vec<bool> {
    let mut depends: Vec<bool> = Vec::with_capacity(expr.nodes.len());
    for node in expr.nodes.iter() {
        let at = |node: &NodeId| depends.get(usize::from(node.0)).copied().unwrap_or(false);
        let reads = match node {
            Node::Channel(_) | Node::Supported(_) | Node::Rate(_) => true,
            Node::Number(_) | Node::Truth(_) | Node::Text(_) | Node::Raw | Node::Part(_) | Node::Invalid(_) => false,
            Node::Unary(_, a) | Node::Curve(_, a) => at(a),
            Node::Binary(_, a, b) => at(a) || at(b),
            Node::If(condition, a, b) => at(condition) || at(a) || at(b),
            Node::Call(_, arguments) => arguments.iter().any(at),
        };
        depends.push(reads);
    }
    depends
}

/// Numbers in the order of rising raw values.
#[derive(Default)]
struct Trial {
    last: Option<f64>,
    least: Option<f64>,
    greatest: Option<f64>,
    smallest_step: Option<f64>,
    rises: bool,
    falls: bool,
    invalid: bool,
    numbers: Vec<u64>,
}

impl Trial {
    fn add(&mut self, number: Option<f64>) {
        let Some(number) = number.map(|number| number + 0.0) else {
            self.invalid = true;
            return;
        };
        self.least = Some(self.least.map_or(number, |least| least.min(number)));
        self.greatest = Some(self.greatest.map_or(number, |greatest| greatest.max(number)));
        if let Some(last) = self.last {
            self.rises |= number > last;
            self.falls |= number < last;
            let step = (number - last).abs();
            if step > 0.0 {
                self.smallest_step = Some(self.smallest_step.map_or(step, |smallest| smallest.min(step)));
            }
        }
        self.last = Some(number);
        self.numbers.push(number.to_bits());
    }

    fn knowledge(mut self) -> Knowledge {
        let count = self.numbers.len();
        self.numbers.sort_unstable();
        self.numbers.dedup();
        let direction = match (self.rises, self.falls) {
            (true, true) => None,
            (_, false) => Some(Direction::Rising),
            (false, true) => Some(Direction::Falling),
        };
        Knowledge {
            resolution: self.smallest_step,
            decimals: self.smallest_step.map_or(0, places),
            range: self.least.zip(self.greatest),
            direction: direction.filter(|_| count > 0),
            invertible: Some(count > 0 && self.numbers.len() == count),
            ever_invalid: Some(self.invalid),
        }
    }
}

/// What holds whichever of two ways is taken.
fn both(a: Knowledge, b: Knowledge) -> Knowledge {
    let resolution = match (a.resolution, b.resolution) {
        (Some(a), Some(b)) => Some(a.min(b)),
        (a, b) => a.or(b),
    };
    let range = match (a.range, b.range) {
        (Some(a), Some(b)) => Some((a.0.min(b.0), a.1.max(b.1))),
        (a, b) => a.or(b),
    };
    let direction = match (a.range, b.range) {
        (Some(_), Some(_)) if a.direction != b.direction => None,
        (None, _) => b.direction,
        _ => a.direction,
    };
    let invertible = match (a.range, b.range) {
        (None, _) => b.invertible,
        (_, None) => a.invertible,
        _ => Some(a.invertible == Some(true) && b.invertible == Some(true)),
    };
    let ever_invalid = Some(a.ever_invalid != Some(false) || b.ever_invalid != Some(false));
    Knowledge { resolution, decimals: a.decimals.max(b.decimals), range, direction, invertible, ever_invalid }
}

/// `ceil(-log10(step))`, within reason.
fn places(step: f64) -> u8 {
    let mut places = 0;
    let mut unit = 1.0;
    // A step of 0.1 that binary64 made a little smaller still shows with one place.
    while unit > step * (1.0 + 1e-9) && places < MOST_DECIMALS {
        places += 1;
        unit /= 10.0;
    }
    places
}
