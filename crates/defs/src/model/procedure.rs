//! Steps, and `[procedure]`: what can be asked of the unit with a permit.

use std::borrow::Cow;
use std::vec::Vec;

use tickover_services::Effect;

use super::line::effects::WORDS;
use super::{At, Findings, Keys, TextAt, bytes, time, value};
use crate::compiled::Step;
use crate::source::{Node, Table};

const KEYS: [&str; 8] = ["title", "effect", "caution", "needs", "steps", "finally", "then_read", "source"];

/// A procedure as it is written.
#[derive(Clone, Debug)]
pub(crate) struct Procedure {
    pub(crate) title: TextAt,
    pub(crate) effect: At<Effect>,
    pub(crate) caution: TextAt,
    pub(crate) needs: Option<TextAt>,
    pub(crate) steps: Vec<At<Step>>,
    pub(crate) finally: Vec<At<Step>>,
    pub(crate) then_read: Option<TextAt>,
}

/// Reads a procedure; `None` if something is wrong or missing.
pub(crate) fn read(table: &Table, out: &mut Findings<'_>) -> Option<Procedure> {
    let keys = Keys::new(table, "a procedure", &KEYS, &[], out);
    if let Some(node) = keys.get("source") {
        value::text(node, "source", out);
    }
    let title = keys.need("title", "\"Reset learned values\"", out).and_then(|node| value::text(node, "title", out));
    let effect = keys
        .need("effect", "\"clears\"", out)
        .and_then(|node| Some(At { value: value::word(node, "effect", &WORDS, out)?, span: node.span.clone() }));
    let caution = keys.need("caution", "\"Keep hands away from the fan.\"", out);
    let caution = caution.and_then(|node| value::text(node, "caution", out));
    let needs = keys.get("needs").and_then(|node| value::text(node, "needs", out));
    let steps = keys.need("steps", "[{ send = \"31 41\", expect = \"71 41\" }]", out);
    let steps = steps.and_then(|node| read_steps(node, "steps", out));
    let finally = keys.get("finally").map(|node| read_steps(node, "finally", out)).unwrap_or(Some(Vec::new()));
    let then_read = keys.get("then_read").and_then(|node| value::text(node, "then_read", out));
    Some(Procedure {
        title: title?,
        effect: effect?,
        caution: caution?,
        needs,
        steps: steps?,
        finally: finally?,
        then_read,
    })
}

/// Reads a list of steps; `None` if one is wrong.
pub(crate) fn read_steps(node: &Node, key: &str, out: &mut Findings<'_>) -> Option<Vec<At<Step>>> {
    let items = value::items(node, key, out)?;
    let read: Vec<Option<At<Step>>> = items.iter().map(|item| step(item, key, out)).collect();
    read.into_iter().collect()
}

fn step(node: &Node, key: &str, out: &mut Findings<'_>) -> Option<At<Step>> {
    let table = value::table(node, key, out)?;
    let keys = Keys::new(table, "a step", &["send", "expect", "within", "wait"], &[], out);
    keys.exclusive(&["send", "wait"], out);
    let span = node.span.clone();
    if let Some(node) = keys.get("wait") {
        return Some(At { value: Step::Wait(time::duration(node, "wait", out)?), span });
    }
    let send = keys.need("send", "\"31 41\"", out).and_then(|node| bytes::constant(node, "send", out));
    let expect = keys.need("expect", "\"71 41\"", out).and_then(|node| bytes::pattern(node, "expect", out));
    let within = match keys.get("within") {
        Some(node) => Some(time::duration(node, "within", out)?),
        None => None,
    };
    Some(At { value: Step::Send { send: Cow::Owned(send?), expect: expect?, within }, span })
}
