//! `[curve]`: a conversion table.

use std::borrow::Cow;
use std::borrow::ToOwned;
use std::format;
use std::vec::Vec;

use super::{Findings, Keys, value};
use crate::compiled::{Between, Curve, Outside};
use crate::diagnostic::{Diagnostic, codes};
use crate::source::{Node, Table};

const MOST: usize = 4096;

/// Reads a curve; `None` if something is wrong or missing.
pub(crate) fn read(name: &str, table: &Table, out: &mut Findings<'_>) -> Option<Curve> {
    let keys = Keys::new(table, "a curve", &["points", "between", "outside", "source"], &[], out);
    if let Some(node) = keys.get("source") {
        value::text(node, "source", out);
    }
    let points = keys.need("points", "[[12, 120], [230, -10]]", out).and_then(|node| points(node, out));
    let between = keys.need("between", "\"linear\"", out).and_then(|node| {
        let words = [("linear", Between::Linear), ("step", Between::Step), ("nearest", Between::Nearest)];
        value::word(node, "between", &words, out)
    });
    let outside = keys.need("outside", "\"invalid\"", out).and_then(|node| {
        let words = [("invalid", Outside::Invalid), ("clamp", Outside::Clamp), ("extend", Outside::Extend)];
        value::word(node, "outside", &words, out)
    });
    if let Some(node) = keys.get("outside")
        && outside == Some(Outside::Extend)
        && between.is_some_and(|between| between != Between::Linear)
    {
        out.push(
            Diagnostic::new(codes::CURVE, node.span.clone(), "only a linear curve can be extended")
                .expected("`between = \"linear\"`, or `outside` as \"invalid\" or \"clamp\""),
        );
        return None;
    }
    Some(Curve { name: Cow::Owned(name.to_owned()), points: Cow::Owned(points?), between: between?, outside: outside? })
}

fn points(node: &Node, out: &mut Findings<'_>) -> Option<Vec<(f64, f64)>> {
    let items = value::items(node, "points", out)?;
    if !(2..=MOST).contains(&items.len()) {
        let message = format!("a curve has at least 2 points and at most {MOST}, not {}", items.len());
        out.push(Diagnostic::new(codes::CURVE, node.span.clone(), message));
        return None;
    }
    let mut all: Vec<(f64, f64)> = Vec::new();
    let mut good = true;
    for item in items {
        let pair = value::items(item, "points", out).unwrap_or_default();
        let [x, y] = pair else {
            let message = "a point is an argument and a value";
            out.push(Diagnostic::new(codes::CURVE, item.span.clone(), message).expected("like [12, 120]"));
            good = false;
            continue;
        };
        let (Some(x_value), Some(y_value)) = (value::number(x, "points", out), value::number(y, "points", out)) else {
            good = false;
            continue;
        };
        if let Some((before, _)) = all.last().filter(|(before, _)| *before >= x_value) {
            let message = format!("the argument {x_value} comes after {before}: arguments rise");
            out.push(Diagnostic::new(codes::CURVE, x.span.clone(), message).label("not above the one before"));
            good = false;
        }
        all.push((x_value, y_value));
    }
    good.then_some(all)
}
