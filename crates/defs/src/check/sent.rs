//! `sent-channel`: a channel that we send says from what, has one way back to bytes, and says what becomes of a value
//! that does not fit.
//!
//! ```toml
//! [channel.shown_speed]
//! record = "display"         # has `send`
//! formula = "raw / 4"
//! from = "engine_speed"      # and 20000 /min? `outside` says it
//! ```

use std::collections::HashSet;
use std::format;
use std::string::String;

use crate::compile::{Built, Placed, Sheet};
use crate::compiled::{self, Coding, Conversion, Direction, Expr, Node, SentOutside};
use crate::diagnostic::{Diagnostic, codes};
use crate::formula::knowledge;
use crate::model::Findings;
use crate::model::channel::Channel;
use crate::source::Span;
use crate::value::{ChannelId, RecordId};

/// How much work may go into looking for inverses: raw values times nodes.
const MOST_WORK: u64 = 100 * 65_536;

pub(crate) fn check(sheet: &Sheet, built: &Built, out: &mut Findings<'_>) {
    let sent: HashSet<RecordId> = built
        .layout
        .records
        .iter()
        .flatten()
        .filter(|record| record.frame.is_some_and(|frame| frame.direction != Direction::Heard))
        .map(|record| record.id)
        .collect();
    let mut work = MOST_WORK;
    for placed in built.placed.iter().filter(|placed| placed.element == 0) {
        let Some(named) = sheet.channels.get(placed.table) else { continue };
        let (Some(channel), Some(compiled)) = (&named.value, built.layout.channel(placed.id)) else { continue };
        let one = One { placed, channel, compiled, built, span: named.span.clone() };
        if placed.record.is_some_and(|record| sent.contains(&record)) {
            one.shape(out);
            one.inputs(&|id| one.record_of(id).is_some_and(|record| sent.contains(&record)), out);
            one.inverse(&mut work, out);
            one.code(out);
            one.outside(out);
        } else {
            one.not_sent(out);
        }
    }
}

struct One<'a> {
    placed: &'a Placed,
    channel: &'a Channel,
    compiled: &'a compiled::Channel,
    built: &'a Built,
    span: Span,
}

impl One<'_> {
    fn wrong(&self, span: &Span, message: String) -> Diagnostic {
        Diagnostic::new(codes::SENT_CHANNEL, span.clone(), message)
    }

    fn not_sent(&self, out: &mut Findings<'_>) {
        let keys = [
            ("from", self.channel.from.as_ref().map(|from| &from.span)),
            ("outside", self.channel.outside.as_ref().map(|outside| &outside.span)),
        ];
        for (key, span) in keys {
            if let Some(span) = span {
                let message = format!("`{key}` is about what we send, and `{}` is read", self.placed.name);
                out.push(self.wrong(span, message).expected("a channel of a record with `send`"));
            }
        }
    }

    /// What cannot be sent at all.
    fn shape(&self, out: &mut Findings<'_>) {
        if self.channel.from.is_none() {
            let message = format!("nothing says what `{}` is sent from", self.placed.name);
            out.push(self.wrong(&self.span, message).expected("`from = \"..\"` with a channel, or an expression"));
        }
        if let Some(when) = &self.channel.when {
            let message = format!("`{}` is sent in every frame of its record", self.placed.name);
            out.push(self.wrong(&when.span, message).expected("a channel without `when`"));
        }
        if let Some(total) = &self.channel.total {
            let message = "a total is read, not sent".into();
            out.push(self.wrong(&total.span, message));
        }
    }

    /// A frame that is sent says what comes in, not what goes out.
    fn inputs(&self, sent: &dyn Fn(ChannelId) -> bool, out: &mut Findings<'_>) {
        let (Some(from), Some(compiled)) = (&self.channel.from, &self.compiled.sent) else { return };
        let own = channels(&compiled.from).find(|id| sent(*id));
        if let Some(name) = own.and_then(|id| Some(&self.built.layout.channel(id)?.name)) {
            let message = format!("`{name}` is sent itself");
            out.push(self.wrong(&from.span, message).expected("channels that are heard, asked for or derived"));
        }
    }

    fn inverse(&self, work: &mut u64, out: &mut Findings<'_>) {
        let none = |why: &str| {
            let span = self.channel.formula.as_ref().map_or(&self.span, |formula| &formula.span);
            self.wrong(span, format!("`{}` has no way back from its value to bytes: {why}", self.placed.name))
                .expected("a formula that gives each number once, of one field")
        };
        let compiled::Origin::Field { field, .. } = &self.compiled.origin else {
            out.push(none("it has several parts"));
            return;
        };
        if matches!(field.coding, Coding::Ascii | Coding::Hex) {
            out.push(none("it is a text"));
            return;
        }
        let Conversion::Expr(expr) = &self.compiled.conversion else {
            if matches!(&self.compiled.conversion, Conversion::Affine(affine) if affine.scale == 0) {
                out.push(none("its formula gives one number for all"));
            }
            return;
        };
        if channels(expr).next().is_some() {
            out.push(none("its formula reads other channels"));
            return;
        }
        let needed = knowledge::work(field, &self.compiled.conversion);
        let Some(left) = work.checked_sub(needed) else {
            out.push(none("too many formulas of this file had to be tried"));
            return;
        };
        *work = left;
        let (invalid, states) = (&self.compiled.invalid, &self.compiled.states);
        let known = knowledge::of_field(field, &self.compiled.conversion, invalid, states, &self.built.layout.curves);
        match known.invertible {
            Some(true) => {}
            Some(false) => out.push(none("its formula gives a number more than once")),
            None => out.push(none("it has more raw values than can be tried")),
        }
    }

    /// While a value is invalid, one raw value says so.
    fn code(&self, out: &mut Findings<'_>) {
        let several = match self.channel.invalid.as_slice() {
            [] => None,
            [one] => Some(one).filter(|code| code.first != code.last),
            [_, second, ..] => Some(second),
        };
        if let Some(code) = several {
            let message = format!("`{}` would have several codes to choose from while it is invalid", self.placed.name);
            out.push(self.wrong(&code.span, message).expected("one raw value in `invalid`, the one that is sent"));
        }
    }

    fn outside(&self, out: &mut Findings<'_>) {
        let (Some(from), Some(sent)) = (&self.channel.from, &self.compiled.sent) else { return };
        let source = match &*sent.from.nodes {
            [Node::Channel(id)] => self.built.layout.channel(*id),
            _ => None,
        };
        let number = self.compiled.unit.is_some();
        let text = source.is_some_and(|source| source.unit.is_none());
        if number == text {
            let (own, other) = if number { ("a number", "a text") } else { ("one of its states", "a number") };
            let message = format!("`{}` is {own}, and `from` gives {other}", self.placed.name);
            out.push(self.wrong(&from.span, message).expected(match number {
                true => "an expression that gives a number",
                false => "the name of a channel with the same states",
            }));
            return;
        }
        let states = source.map_or(&[][..], |source| &source.states);
        let lacking = states.iter().find(|state| !self.compiled.states.iter().any(|own| own.name == state.name));
        match (&self.channel.outside, lacking) {
            (None, _) if number => {
                let message = format!("nothing says what is sent for a value that `{}` cannot hold", self.placed.name);
                out.push(self.wrong(&from.span, message).expected("`outside = \"clamp\"` or `outside = \"invalid\"`"));
            }
            (None, None) if states.is_empty() && !number => {
                let message = format!("nothing says that the text of `from` is a state of `{}`", self.placed.name);
                out.push(self.wrong(&from.span, message).expected("a channel with states, or `outside = \"invalid\"`"));
            }
            (None, Some(state)) => {
                let message = format!("`{}` has no state '{}', which `from` can give", self.placed.name, state.name);
                out.push(self.wrong(&from.span, message).expected("the same states, or `outside = \"invalid\"`"));
            }
            (Some(outside), _) if !number && outside.value == SentOutside::Clamp => {
                let message = "no state is nearest to another".into();
                out.push(self.wrong(&outside.span, message).expected("\"invalid\""));
            }
            _ => {}
        }
    }

    fn record_of(&self, id: ChannelId) -> Option<RecordId> {
        match &self.built.layout.channel(id)?.origin {
            compiled::Origin::Field { record, .. } | compiled::Origin::Parts { record, .. } => Some(*record),
            compiled::Origin::Derived => None,
        }
    }
}

fn channels(expr: &Expr) -> impl Iterator<Item = ChannelId> {
    expr.nodes.iter().filter_map(|node| match node {
        Node::Channel(id) | Node::Rate(id) | Node::Supported(id) => Some(*id),
        _ => None,
    })
}
