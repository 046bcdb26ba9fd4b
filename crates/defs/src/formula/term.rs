//! A checked and folded expression on its way from tree to nodes.

use std::boxed::Box;
use std::string::String;
use std::vec::Vec;

use crate::compiled::{Binary, Function, Unary};
use crate::number::Exact;
use crate::value::ChannelId;

#[derive(Clone, PartialEq, Debug)]
pub(super) enum Term {
    /// A constant, still exact.
    Exact(Exact),
    /// A constant that had to be rounded.
    Rounded(f64),
    Truth(bool),
    Text(String),
    Raw,
    Part(u8),
    Channel(ChannelId),
    Unary(Unary, Box<Self>),
    Binary(Binary, Box<Self>, Box<Self>),
    If(Box<Self>, Box<Self>, Box<Self>),
    Invalid(String),
    Call(Function, Vec<Self>),
    Curve(u16, Box<Self>),
    Supported(ChannelId),
    Rate(ChannelId),
}

impl Term {
    /// A constant as it will be evaluated.
    pub(super) fn constant(&self) -> Option<f64> {
        match self {
            Self::Exact(exact) => Some(exact.to_f64()),
            Self::Rounded(number) => Some(*number),
            _ => None,
        }
    }

    /// Factor and summand if this is `factor * raw + summand`, exactly.
    pub(super) fn affine(&self) -> Option<(Exact, Exact)> {
        match self {
            Self::Exact(exact) => Some((Exact::ZERO, *exact)),
            Self::Raw => Some((Exact::ONE, Exact::ZERO)),
            Self::Unary(Unary::Negate, operand) => {
                let (a, b) = operand.affine()?;
                Some((a.negate(), b.negate()))
            }
            Self::Binary(Binary::Add, left, right) => {
                let ((a, b), (c, d)) = (left.affine()?, right.affine()?);
                Some((a.plus(c)?, b.plus(d)?))
            }
            Self::Binary(Binary::Subtract, left, right) => {
                let ((a, b), (c, d)) = (left.affine()?, right.affine()?);
                Some((a.minus(c)?, b.minus(d)?))
            }
            Self::Binary(Binary::Multiply, left, right) => {
                let ((a, b), (c, d)) = (left.affine()?, right.affine()?);
                if a == Exact::ZERO {
                    Some((b.times(c)?, b.times(d)?))
                } else if c == Exact::ZERO {
                    Some((a.times(d)?, b.times(d)?))
                } else {
                    None
                }
            }
            Self::Binary(Binary::Divide, left, right) => match right.affine()? {
                (factor, divisor) if factor == Exact::ZERO => {
                    let (a, b) = left.affine()?;
                    Some((a.over(divisor)?, b.over(divisor)?))
                }
                _ => None,
            },
            _ => None,
        }
    }
}
