//! From a checked tree to the nodes of the compiled form: operands first, the root last.

use std::borrow::Cow;
use std::vec::Vec;

use super::term::Term;
use crate::compiled::{Expr, Node, NodeId};
use crate::value::ChannelId;

/// Nodes and the channels that they read, each once; `None` if a node would have no place.
pub(super) fn flatten(term: &Term) -> Option<(Expr, Vec<ChannelId>)> {
    let mut flat = Flat { nodes: Vec::new(), inputs: Vec::new() };
    flat.push(term)?;
    Some((Expr { nodes: Cow::Owned(flat.nodes) }, flat.inputs))
}

struct Flat {
    nodes: Vec<Node>,
    inputs: Vec<ChannelId>,
}

impl Flat {
    fn push(&mut self, term: &Term) -> Option<NodeId> {
        let node = match term {
            Term::Exact(exact) => Node::Number(exact.to_f64()),
            Term::Rounded(number) => Node::Number(*number),
            Term::Truth(truth) => Node::Truth(*truth),
            Term::Text(text) => Node::Text(Cow::Owned(text.clone())),
            Term::Raw => Node::Raw,
            Term::Part(part) => Node::Part(*part),
            Term::Channel(id) => Node::Channel(self.input(*id)),
            Term::Unary(unary, operand) => Node::Unary(*unary, self.push(operand)?),
            Term::Binary(binary, left, right) => Node::Binary(*binary, self.push(left)?, self.push(right)?),
            Term::If(condition, then, otherwise) => {
                Node::If(self.push(condition)?, self.push(then)?, self.push(otherwise)?)
            }
            Term::Invalid(reason) => Node::Invalid(Cow::Owned(reason.clone())),
            Term::Call(function, arguments) => {
                let places: Option<Vec<NodeId>> = arguments.iter().map(|argument| self.push(argument)).collect();
                Node::Call(*function, Cow::Owned(places?))
            }
            Term::Curve(curve, argument) => Node::Curve(*curve, self.push(argument)?),
            // Not an input: asking does not read it.
            Term::Supported(id) => Node::Supported(*id),
            Term::Rate(id) => Node::Rate(self.input(*id)),
        };
        let place = u16::try_from(self.nodes.len()).ok()?;
        self.nodes.push(node);
        Some(NodeId(place))
    }

    fn input(&mut self, id: ChannelId) -> ChannelId {
        if !self.inputs.contains(&id) {
            self.inputs.push(id);
        }
        id
    }
}
