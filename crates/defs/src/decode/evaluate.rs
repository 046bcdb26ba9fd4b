//! Expressions over a scope. Only what is needed is evaluated, in the order of the tree.

use alloc::borrow::Cow;
use alloc::vec::Vec;

use super::field::Content;
use super::{Scope, arithmetic, curve};
use crate::compiled::{Binary, Channel, Curve, Expr, Function, Node, NodeId, Text, Unary};
use crate::value::{ChannelId, Invalid, Value};

/// Compiled expressions are at most 64 levels deep; one made up by hand may not run away either.
const DEPTH: usize = 72;

/// An expression with all that its nodes refer to.
#[derive(Clone, Copy)]
pub(crate) struct Evaluation<'a> {
    pub(crate) expr: &'a Expr,
    pub(crate) curves: &'a [Curve],
    /// For the names of inputs.
    pub(crate) channels: &'a [Option<Channel>],
    pub(crate) given: Given<'a>,
    pub(crate) scope: &'a dyn Scope,
}

/// What stands in the response itself.
#[derive(Clone, Copy)]
pub(crate) enum Given<'a> {
    Nothing,
    Raw(&'a Content),
    Parts(&'a [Content]),
}

enum Operand<'a> {
    Number(f64),
    Truth(bool),
    Text(&'a str),
}

impl<'a> Evaluation<'a> {
    pub(crate) fn number(&self) -> Result<f64, Invalid> {
        self.number_at(self.root(), 0)
    }

    pub(crate) fn truth(&self) -> Result<bool, Invalid> {
        self.truth_at(self.root(), 0)
    }

    /// A number, or the text of a channel that the expression names.
    pub(crate) fn value(&self) -> Result<Value, Invalid> {
        match self.expr.nodes.get(usize::from(self.root().0)) {
            Some(Node::Channel(id)) => self.latest(*id).cloned(),
            _ => self.number().map(Value::Number),
        }
    }

    fn root(&self) -> NodeId {
        NodeId(self.expr.nodes.len().saturating_sub(1) as u16)
    }

    fn number_at(&self, at: NodeId, depth: usize) -> Result<f64, Invalid> {
        match self.operand(at, depth)? {
            Operand::Number(number) => Ok(number),
            // The compiler has checked all types but one: a channel with states may hold a name where a number is read.
            Operand::Text(_) => match self.expr.nodes.get(usize::from(at.0)) {
                Some(Node::Channel(id)) => Err(Invalid::Input(self.name(*id))),
                _ => Err(Invalid::NotANumber),
            },
            Operand::Truth(_) => Err(Invalid::NotANumber),
        }
    }

    fn truth_at(&self, at: NodeId, depth: usize) -> Result<bool, Invalid> {
        match self.operand(at, depth)? {
            Operand::Truth(truth) => Ok(truth),
            Operand::Number(_) | Operand::Text(_) => Err(Invalid::NotANumber),
        }
    }

    fn operand(&self, at: NodeId, depth: usize) -> Result<Operand<'a>, Invalid> {
        let Some(node) = self.expr.nodes.get(usize::from(at.0)).filter(|_| depth < DEPTH) else {
            return Err(Invalid::NotANumber);
        };
        let next = depth + 1;
        let number = |at: &NodeId| self.number_at(*at, next);
        let truth = |at: &NodeId| self.truth_at(*at, next);
        match node {
            Node::Number(number) => Ok(Operand::Number(*number)),
            Node::Truth(truth) => Ok(Operand::Truth(*truth)),
            Node::Text(text) => Ok(Operand::Text(text)),
            Node::Raw => self.given_number(None),
            Node::Part(part) => self.given_number(Some(*part)),
            Node::Channel(id) => match self.latest(*id)? {
                Value::Number(number) => Ok(Operand::Number(*number)),
                Value::Text(text) => Ok(Operand::Text(text)),
            },
            Node::Unary(Unary::Negate, operand) => Ok(Operand::Number(-number(operand)?)),
            Node::Unary(Unary::Not, operand) => Ok(Operand::Truth(!truth(operand)?)),
            Node::Binary(Binary::And, a, b) => Ok(Operand::Truth(truth(a)? && truth(b)?)),
            Node::Binary(Binary::Or, a, b) => Ok(Operand::Truth(truth(a)? || truth(b)?)),
            Node::Binary(Binary::Equal, a, b) => Ok(Operand::Truth(self.equal(*a, *b, next)?)),
            Node::Binary(Binary::NotEqual, a, b) => Ok(Operand::Truth(!self.equal(*a, *b, next)?)),
            Node::Binary(Binary::Less, a, b) => Ok(Operand::Truth(number(a)? < number(b)?)),
            Node::Binary(Binary::LessOrEqual, a, b) => Ok(Operand::Truth(number(a)? <= number(b)?)),
            Node::Binary(Binary::Greater, a, b) => Ok(Operand::Truth(number(a)? > number(b)?)),
            Node::Binary(Binary::GreaterOrEqual, a, b) => Ok(Operand::Truth(number(a)? >= number(b)?)),
            Node::Binary(operator, a, b) => arithmetic::binary(*operator, number(a)?, number(b)?).map(Operand::Number),
            Node::If(condition, then, otherwise) => {
                let taken = if truth(condition)? { then } else { otherwise };
                self.operand(*taken, next)
            }
            Node::Invalid(reason) => Err(Invalid::Declared(reason.clone())),
            Node::Call(Function::Bit, arguments) => self.bit(arguments, next).map(Operand::Truth),
            Node::Call(function, arguments) => {
                let numbers: Result<Vec<f64>, Invalid> = arguments.iter().map(number).collect();
                arithmetic::call(*function, &numbers?).map(Operand::Number)
            }
            Node::Curve(place, argument) => {
                let Some(curve) = self.curves.get(usize::from(*place)) else {
                    return Err(Invalid::NotANumber);
                };
                curve::look_up(curve, number(argument)?).map(Operand::Number)
            }
            Node::Supported(id) => Ok(Operand::Truth(self.scope.supported(*id))),
            Node::Rate(id) => match self.scope.rate(*id) {
                Ok(rate) => arithmetic::finite(rate).map(Operand::Number),
                Err(Invalid::NoRate) => Err(Invalid::NoRate),
                Err(invalid) => Err(self.input(*id, invalid)),
            },
        }
    }

    fn equal(&self, a: NodeId, b: NodeId, depth: usize) -> Result<bool, Invalid> {
        Ok(match (self.operand(a, depth)?, self.operand(b, depth)?) {
            (Operand::Number(a), Operand::Number(b)) => a == b,
            (Operand::Text(a), Operand::Text(b)) => a == b,
            (Operand::Truth(a), Operand::Truth(b)) => a == b,
            // A channel with states that holds a number just now is in none of them; where its number is wanted,
            // a state is none.
            (Operand::Text(_), _) => self.unlike(a)?,
            (_, Operand::Text(_)) => self.unlike(b)?,
            _ => return Err(Invalid::NotANumber),
        })
    }

    /// A text beside a number.
    fn unlike(&self, text: NodeId) -> Result<bool, Invalid> {
        match self.expr.nodes.get(usize::from(text.0)) {
            Some(Node::Channel(id)) => Err(Invalid::Input(self.name(*id))),
            _ => Ok(false),
        }
    }

    fn bit(&self, arguments: &[NodeId], depth: usize) -> Result<bool, Invalid> {
        let [n, k] = arguments else {
            return Err(Invalid::NotANumber);
        };
        // The bits of a field are known exactly, also where binary64 would have rounded them.
        if let Some(Content::Whole(whole)) = self.expr.nodes.get(usize::from(n.0)).and_then(|node| self.field(node)) {
            return arithmetic::bit_of(*whole, self.number_at(*k, depth)?);
        }
        arithmetic::bit(&[self.number_at(*n, depth)?, self.number_at(*k, depth)?])
    }

    fn field(&self, node: &Node) -> Option<&'a Content> {
        match (node, self.given) {
            (Node::Raw, Given::Raw(content)) => Some(content),
            (Node::Part(part), Given::Parts(parts)) => parts.get(usize::from(*part)),
            _ => None,
        }
    }

    fn given_number(&self, part: Option<u8>) -> Result<Operand<'a>, Invalid> {
        let content = match (part, self.given) {
            (None, Given::Raw(content)) => Some(content),
            (Some(part), Given::Parts(parts)) => parts.get(usize::from(part)),
            _ => None,
        };
        match content {
            Some(Content::Whole(whole)) => Ok(Operand::Number(*whole as f64)),
            Some(Content::Float(float)) => Ok(Operand::Number(*float)),
            Some(Content::Bad(invalid)) => Err(invalid.clone()),
            Some(Content::Text(_)) | None => Err(Invalid::NotANumber),
        }
    }

    fn latest(&self, id: ChannelId) -> Result<&'a Value, Invalid> {
        match self.scope.latest(id) {
            Ok(Value::Number(number)) if !number.is_finite() => Err(Invalid::Input(self.name(id))),
            Ok(value) => Ok(value),
            Err(invalid) => Err(self.input(id, invalid)),
        }
    }

    fn input(&self, id: ChannelId, invalid: Invalid) -> Invalid {
        match invalid {
            Invalid::InputTooOld => Invalid::InputTooOld,
            _ => Invalid::Input(self.name(id)),
        }
    }

    fn name(&self, id: ChannelId) -> Text {
        let channel = self.channels.get(usize::from(id.0)).and_then(Option::as_ref);
        channel.map_or(Cow::Borrowed("?"), |channel| channel.name.clone())
    }
}
