//! Expressions as plain data: nodes in one list, each naming its operands by place.

use super::{List, Text};
use crate::value::ChannelId;

/// A typed, checked expression. Operands stand before the node that uses them; the last node is the root.
#[derive(Clone, PartialEq, Debug)]
pub struct Expr {
    /// Nodes; at most 65 536, nested at most 64 deep.
    pub nodes: List<Node>,
}

/// Place of a node in its expression.
#[derive(Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Debug)]
pub struct NodeId(pub u16);

/// One node.
#[derive(Clone, PartialEq, Debug)]
pub enum Node {
    /// A finite number; constants are folded in exact rationals and rounded once.
    Number(f64),
    /// A truth that folding found.
    Truth(bool),
    /// A text, only compared.
    Text(Text),
    /// The raw value as a number.
    Raw,
    /// A part of a channel of several parts, by place.
    Part(u8),
    /// Another channel's value: a number, or a state or text.
    Channel(ChannelId),
    /// One operand.
    Unary(Unary, NodeId),
    /// Two operands.
    Binary(Binary, NodeId, NodeId),
    /// Condition, then, else: only the taken branch is evaluated.
    If(NodeId, NodeId, NodeId),
    /// No value, for this reason.
    Invalid(Text),
    /// A function of numbers.
    Call(Function, List<NodeId>),
    /// A conversion table, by place in the layout.
    Curve(u16, NodeId),
    /// False once the unit has said that it does not have this channel.
    Supported(ChannelId),
    /// Change per second between the channel's last two readings.
    Rate(ChannelId),
}

/// Operators with one operand.
#[derive(Clone, Copy, PartialEq, Eq, Debug)]
pub enum Unary {
    /// `-x`
    Negate,
    /// `not x`
    Not,
}

/// Operators with two operands. Comparisons of texts use `Equal` and `NotEqual`.
#[derive(Clone, Copy, PartialEq, Eq, Debug)]
pub enum Binary {
    /// `a + b`
    Add,
    /// `a - b`
    Subtract,
    /// `a * b`
    Multiply,
    /// `a / b`
    Divide,
    /// `a mod b`: the divisor's sign.
    Modulo,
    /// `a ^ b`
    Power,
    /// `a < b`
    Less,
    /// `a <= b`
    LessOrEqual,
    /// `a > b`
    Greater,
    /// `a >= b`
    GreaterOrEqual,
    /// `a == b`
    Equal,
    /// `a != b`
    NotEqual,
    /// `a and b`: false if a is false, whatever b is.
    And,
    /// `a or b`: true if a is true, whatever b is.
    Or,
}

/// Functions of numbers.
#[derive(Clone, Copy, PartialEq, Eq, Debug)]
pub enum Function {
    /// Magnitude.
    Abs,
    /// Least of its arguments.
    Min,
    /// Greatest of its arguments.
    Max,
    /// `clamp(x, low, high)`
    Clamp,
    /// Next whole number down.
    Floor,
    /// Next whole number up.
    Ceil,
    /// Nearest whole number; a half away from zero.
    Round,
    /// Square root.
    Sqrt,
    /// e to the power of x.
    Exp,
    /// Natural logarithm.
    Ln,
    /// Decimal logarithm.
    Log10,
    /// `bit(n, k)`: whether bit k of n is set; a truth.
    Bit,
}
