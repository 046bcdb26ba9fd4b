//! `field-overlap`: two fields share bits only if their conditions exclude each other.
//!
//! ```toml
//! [channel.a]
//! at = 0
//! data = "u16be"
//! [channel.b]
//! at = 1                     # byte 1 belongs to `a`
//! data = "u8"
//! ```

use std::collections::HashMap;
use std::format;
use std::vec::Vec;

use crate::compile::{Built, Placed, Sheet};
use crate::compiled::{Binary, Expr, Node, NodeId, Unary};
use crate::diagnostic::{Diagnostic, codes};
use crate::model::Findings;
use crate::model::field::Field;
use crate::value::RecordId;

/// The bits of each byte of each record, with the fields that use them.
type Users<'a> = HashMap<(RecordId, u32), Vec<(u8, &'a Placed, &'a Field)>>;

/// The most fields that may use one byte, each under its own condition.
const SHARERS: usize = 512;

pub(crate) fn check(sheet: &Sheet, built: &Built, out: &mut Findings<'_>) {
    let mut users: Users<'_> = HashMap::new();
    for placed in &built.placed {
        let memory = in_memory(sheet, placed);
        let Some(record) = placed.record.filter(|_| !memory) else { continue };
        for field in &placed.fields {
            for (place, mask) in masks(field) {
                users.entry((record, place)).or_default().push((mask, placed, field));
            }
        }
    }
    let mut said: Vec<(usize, usize)> = Vec::new();
    let mut places: Vec<_> = users.into_iter().collect();
    places.sort_by_key(|((record, place), _)| (record.0, *place));
    for ((_, place), fields) in places {
        if let Some((_, one, field)) = fields.get(SHARERS) {
            let message = format!("at most {SHARERS} fields share a byte; `{}` is one more of byte {place}", one.name);
            out.push(Diagnostic::new(codes::TOO_MANY, field.span.clone(), message));
            return;
        }
        // Each with its follower in the list; quadratic only in the fields of one byte.
        for (later, (mask, placed, field)) in fields.iter().enumerate() {
            let clash = fields.iter().take(later).find(|(other, before, _)| {
                other & mask != 0 && before.id != placed.id && !exclusive(built, before, placed)
            });
            let Some((_, before, first)) = clash else { continue };
            if said.contains(&(before.table, placed.table)) || said.len() > 1000 {
                continue;
            }
            said.push((before.table, placed.table));
            let message = format!("`{}` and `{}` share bits of byte {place}", before.name, placed.name);
            out.push(
                Diagnostic::new(codes::FIELD_OVERLAP, field.span.clone(), message)
                    .label("overlaps")
                    .expected("fields apart, or conditions (`when`) that exclude each other")
                    .related(first.span.clone(), "with this field"),
            );
        }
    }
}

/// Which bits of each byte a field uses.
pub(crate) fn masks(field: &Field) -> Vec<(u32, u8)> {
    if field.width == 0 {
        return field.named.iter().map(|place| (*place, 0xFF)).collect();
    }
    let bits = u32::from(field.low_bit)..u32::from(field.low_bit) + u32::from(field.width);
    let mut all: Vec<(u32, u8)> = Vec::new();
    for (place, byte) in field.ordered.iter().rev().zip(0_u32..) {
        let mask = (0..8).filter(|bit| bits.contains(&(8 * byte + bit))).fold(0_u8, |mask, bit| mask | 1 << bit);
        all.push((*place, mask));
    }
    all
}

/// Channels of memory are records of their own: different views of one address are fine.
fn in_memory(sheet: &Sheet, placed: &Placed) -> bool {
    use crate::model::channel::{From, Origin};
    use crate::model::record::Read;
    let channel = sheet.channels.get(placed.table).and_then(|named| named.value.as_ref());
    match channel.map(|channel| &channel.origin) {
        Some(Origin::Field { from: From::Record(name), .. } | Origin::Parts { from: From::Record(name), .. }) => {
            let record = sheet.record(&name.value).and_then(|named| named.value.as_ref());
            record.is_some_and(|record| matches!(record.read.value, Read::Memory(..)))
        }
        _ => false,
    }
}

/// Whether the conditions of two channels can never hold together.
fn exclusive(built: &Built, a: &Placed, b: &Placed) -> bool {
    let when = |placed: &Placed| built.layout.channel(placed.id)?.when.as_ref();
    match (when(a), when(b)) {
        (Some(a), Some(b)) => exclude(a, b),
        _ => false,
    }
}

/// Some part of one conjunction contradicts some part of the other.
fn exclude(a: &Expr, b: &Expr) -> bool {
    let (facts_a, facts_b) = (facts(a), facts(b));
    facts_a.iter().any(|a| facts_b.iter().any(|b| contradict(a, b)))
}

/// What must be true for a condition to hold.
#[derive(PartialEq, Debug)]
enum Fact {
    Compared(crate::value::ChannelId, Binary, Node),
    Bit(crate::value::ChannelId, bool, std::string::String),
}

fn contradict(a: &Fact, b: &Fact) -> bool {
    match (a, b) {
        (Fact::Bit(a, x, s), Fact::Bit(b, y, t)) => a == b && s == t && x != y,
        (Fact::Compared(a, how, x), Fact::Compared(b, also, y)) if a == b => match (x, y) {
            (Node::Number(x), Node::Number(y)) => apart((*how, *x), (*also, *y)),
            (Node::Text(x), Node::Text(y)) => match (how, also) {
                (Binary::Equal, Binary::Equal) => x != y,
                (Binary::Equal, Binary::NotEqual) | (Binary::NotEqual, Binary::Equal) => x == y,
                _ => false,
            },
            _ => false,
        },
        _ => false,
    }
}

/// Whether no number satisfies both comparisons.
fn apart(a: (Binary, f64), b: (Binary, f64)) -> bool {
    let bounds = |(how, x): (Binary, f64)| match how {
        Binary::Equal => Some((x, true, x, true)),
        Binary::Less => Some((f64::NEG_INFINITY, false, x, false)),
        Binary::LessOrEqual => Some((f64::NEG_INFINITY, false, x, true)),
        Binary::Greater => Some((x, false, f64::INFINITY, false)),
        Binary::GreaterOrEqual => Some((x, true, f64::INFINITY, false)),
        _ => None,
    };
    if let ((Binary::NotEqual, x), (Binary::Equal, y)) | ((Binary::Equal, x), (Binary::NotEqual, y)) = (a, b) {
        return x == y;
    }
    let (Some(a), Some(b)) = (bounds(a), bounds(b)) else { return false };
    let before = |a: (f64, bool, f64, bool), b: (f64, bool, f64, bool)| a.2 < b.0 || (a.2 == b.0 && !(a.3 && b.1));
    before(a, b) || before(b, a)
}

fn facts(expr: &Expr) -> Vec<Fact> {
    let mut found = Vec::new();
    let Some(root) = expr.nodes.len().checked_sub(1).and_then(|root| u16::try_from(root).ok()) else { return found };
    let mut open = Vec::from([(NodeId(root), true)]);
    while let Some((id, holds)) = open.pop() {
        match node(expr, id) {
            Some(Node::Binary(Binary::And, a, b)) if holds => open.extend([(*a, true), (*b, true)]),
            Some(Node::Unary(Unary::Not, a)) => open.push((*a, !holds)),
            Some(Node::Binary(how, a, b)) if holds => found.extend(compared(expr, *how, *a, *b)),
            Some(Node::Call(crate::compiled::Function::Bit, arguments)) => {
                if let [Some(Node::Channel(channel)), Some(bit)] =
                    arguments.iter().map(|id| node(expr, *id)).collect::<Vec<_>>().as_slice()
                {
                    found.push(Fact::Bit(*channel, holds, format!("{bit:?}")));
                }
            }
            _ => {}
        }
    }
    found
}

fn node(expr: &Expr, id: NodeId) -> Option<&Node> {
    expr.nodes.get(usize::from(id.0))
}

/// `channel == 3`, `3 < channel` turned round.
fn compared(expr: &Expr, how: Binary, a: NodeId, b: NodeId) -> Option<Fact> {
    let turned = match how {
        Binary::Less => Binary::Greater,
        Binary::LessOrEqual => Binary::GreaterOrEqual,
        Binary::Greater => Binary::Less,
        Binary::GreaterOrEqual => Binary::LessOrEqual,
        Binary::Equal | Binary::NotEqual => how,
        _ => return None,
    };
    match (node(expr, a)?, node(expr, b)?) {
        (Node::Channel(channel), constant @ (Node::Number(_) | Node::Text(_))) => {
            Some(Fact::Compared(*channel, how, constant.clone()))
        }
        (constant @ (Node::Number(_) | Node::Text(_)), Node::Channel(channel)) => {
            Some(Fact::Compared(*channel, turned, constant.clone()))
        }
        _ => None,
    }
}
