//! What each channel is to be: fixed by the caller or the variant, given by the engine, or slowly moving.

use std::collections::HashMap;

use tickover_defs::compiled::{Binary, Channel, Definition, Expr, Layout, Node, NodeId, Unary};
use tickover_defs::{ChannelId, Invalid, Value, decode};

use crate::engine::{Amount, Phase, Quantity, State};

/// Values wanted of the channels of one layout.
#[derive(Clone, Debug)]
pub(super) struct Values {
    fixed: HashMap<ChannelId, Value>,
    sources: Vec<Source>,
}

/// Where a channel's value comes from.
#[derive(Clone, Copy, PartialEq, Debug)]
struct Source {
    quantity: Option<Quantity>,
    /// Place in its array.
    nth: usize,
    /// The definition counts what the model counts negative.
    negated: bool,
}

/// What a channel is to be.
#[derive(Clone, PartialEq, Debug)]
pub(super) enum Wanted {
    /// This value, or the nearest that the field can hold.
    Value(Value),
    /// A share of the field's raw range, 0 to 1: nothing better is known.
    Share(f64),
}

impl Values {
    pub(super) fn new(definition: &Definition, layout: &Layout) -> Self {
        let source = |(place, name): (usize, &std::borrow::Cow<'static, str>)| {
            let id = ChannelId(place as u16);
            let label = layout.channel(id).map_or("", |channel| &channel.label);
            let array = definition
                .arrays
                .iter()
                .find(|array| (array.first.0..).zip(array.elements.iter()).any(|(element, _)| element == id.0));
            Source {
                quantity: Quantity::named(name, label),
                nth: array.map_or(0, |array| usize::from(id.0 - array.first.0)),
                negated: label.contains("positive is later"),
            }
        };
        let sources = definition.channels.iter().enumerate().map(source).collect();
        Self { fixed: HashMap::new(), sources }
    }

    /// This channel keeps this value.
    pub(super) fn fix(&mut self, id: ChannelId, value: Value) {
        self.fixed.insert(id, value);
    }

    /// This channel keeps this value, or none; what it kept before.
    pub(super) fn swap(&mut self, id: ChannelId, value: Option<Value>) -> Option<Value> {
        match value {
            Some(value) => self.fixed.insert(id, value),
            None => self.fixed.remove(&id),
        }
    }

    /// Fixes what an expression reads so that it holds, as far as comparisons with constants go.
    /// True if it then does.
    pub(super) fn make_hold(&mut self, layout: &Layout, when: &Expr) -> bool {
        if let Some(root) = when.nodes.len().checked_sub(1) {
            self.assume(when, NodeId(root as u16), true);
        }
        self.holds(layout, when)
    }

    /// Whether an expression holds for what is fixed.
    pub(super) fn holds(&self, layout: &Layout, when: &Expr) -> bool {
        decode::holds(layout, when, &Fixed(&self.fixed))
    }

    fn assume(&mut self, expr: &Expr, node: NodeId, truth: bool) {
        match expr.nodes.get(usize::from(node.0)) {
            Some(Node::Unary(Unary::Not, x)) => self.assume(expr, *x, !truth),
            Some(Node::Binary(Binary::And, a, b)) if truth => {
                self.assume(expr, *a, true);
                self.assume(expr, *b, true);
            }
            Some(Node::Binary(Binary::Or, a, b)) if !truth => {
                self.assume(expr, *a, false);
                self.assume(expr, *b, false);
            }
            Some(Node::Binary(Binary::And | Binary::Or, a, _)) => self.assume(expr, *a, truth),
            Some(Node::Binary(comparison, a, b)) => {
                let at = |id: &NodeId| expr.nodes.get(usize::from(id.0));
                match (at(a), at(b)) {
                    (Some(Node::Channel(id)), Some(constant)) => self.compare(*id, *comparison, constant, truth),
                    (Some(constant), Some(Node::Channel(id))) => {
                        self.compare(*id, mirrored(*comparison), constant, truth);
                    }
                    _ => {}
                }
            }
            _ => {}
        }
    }

    fn compare(&mut self, id: ChannelId, comparison: Binary, constant: &Node, truth: bool) {
        let value = match (constant, comparison, truth) {
            (Node::Text(text), Binary::Equal, true) | (Node::Text(text), Binary::NotEqual, false) => {
                Value::Text(text.clone())
            }
            (Node::Number(x), Binary::Equal | Binary::LessOrEqual | Binary::GreaterOrEqual, true)
            | (Node::Number(x), Binary::NotEqual | Binary::Less | Binary::Greater, false) => Value::Number(*x),
            (Node::Number(x), Binary::Less, true) | (Node::Number(x), Binary::GreaterOrEqual, false) => {
                Value::Number(x - 1.0)
            }
            (Node::Number(x), Binary::Greater | Binary::NotEqual, true)
            | (Node::Number(x), Binary::LessOrEqual | Binary::Equal, false) => Value::Number(x + 1.0),
            _ => return,
        };
        self.fixed.entry(id).or_insert(value);
    }

    /// What a channel is to be while the engine is in this state.
    pub(super) fn wanted(&self, channel: &Channel, state: &State) -> Wanted {
        if let Some(value) = self.fixed.get(&channel.id) {
            return Wanted::Value(value.clone());
        }
        let source = self.sources.get(usize::from(channel.id.0));
        let amount = source.and_then(|source| Some(state.amount(source.quantity?, source.nth)));
        if !channel.states.is_empty() && channel.unit.is_none() {
            return named_state(channel, state, amount).map_or(Wanted::Share(0.0), Wanted::Value);
        }
        let number = source.zip(channel.unit).and_then(|(source, unit)| {
            let number = state.amount_in(source.quantity?, source.nth, unit)?;
            Some(if source.negated { -number } else { number })
        });
        if let Some(number) = number {
            return Wanted::Value(Value::Number(match channel.range {
                Some((low, high)) if low <= high => number.clamp(low, high),
                _ => number,
            }));
        }
        // Nothing known: it wanders through the middle of what it can be, each channel at its own pace.
        let period = 20.0 + f64::from(channel.id.0 % 17) * 3.0;
        let share = 0.5 + 0.3 * (4.0 * ((state.seconds / period).fract() - 0.5).abs() - 1.0);
        match channel.range {
            Some((low, high)) => Wanted::Value(Value::Number(low + (high - low) * share)),
            None => Wanted::Share(share),
        }
    }
}

/// The state whose name says what the engine does.
fn named_state(channel: &Channel, state: &State, amount: Option<Amount>) -> Option<Value> {
    let words: &[&str] = match amount {
        Some(Amount::Truth(true)) => &["yes", "on", "true", "active", "closed", "1"],
        Some(Amount::Truth(false)) => &["no", "off", "false", "inactive", "open", "0"],
        Some(Amount::Number(..)) if state.throttle < 0.05 => &["closed", "idle", "no", "off"],
        Some(Amount::Number(..)) if state.throttle > 0.8 => &["full", "open", "yes", "on"],
        Some(Amount::Number(..)) => &["part", "partial", "no", "off"],
        None => match state.phase {
            Phase::Cranking => &["cranking", "starting", "yes", "on"],
            Phase::Idle => &["idle", "running", "no", "off"],
            Phase::Sweep => &["running", "drive", "no", "off"],
            Phase::Overrun => &["over-run", "overrun", "running", "no", "off"],
        },
    };
    let named = |word: &&str| channel.states.iter().find(|state| state.name.eq_ignore_ascii_case(word));
    let first = words.iter().find_map(named).or_else(|| channel.states.first())?;
    Some(Value::Text(first.name.clone()))
}

const fn mirrored(comparison: Binary) -> Binary {
    match comparison {
        Binary::Less => Binary::Greater,
        Binary::LessOrEqual => Binary::GreaterOrEqual,
        Binary::Greater => Binary::Less,
        Binary::GreaterOrEqual => Binary::LessOrEqual,
        other => other,
    }
}

/// Only what is fixed is known.
struct Fixed<'a>(&'a HashMap<ChannelId, Value>);

impl decode::Scope for Fixed<'_> {
    fn latest(&self, channel: ChannelId) -> Result<&Value, Invalid> {
        self.0.get(&channel).ok_or(Invalid::NoReading)
    }
}
