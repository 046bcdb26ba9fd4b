//! Where an example comes from.

use std::fmt;

/// Where an example comes from.
#[derive(Clone, Copy, Debug)]
pub(crate) enum Source {
    /// Standard with edition, and clause.
    Standard(&'static str, &'static str),
    /// Standard with edition, and clause, as notes on it give the example.
    Cited(&'static str, &'static str),
    /// A page that is no standard.
    Tutorial(&'static str),
    /// Nobody looked it up.
    Memory(&'static str),
    /// Data printed in a standard, inside a header whose addresses (11 and F1) are made up here.
    Framed(&'static str, &'static str),
}

/// SSF 14230-2 issue 1.
pub(crate) const LINK: &str = "SSF 14230-2 issue 1 (1997-04-22)";
/// SSF 14230-3 issue 2.
pub(crate) const APPLICATION: &str = "SSF 14230-3 issue 2 (2000-02-01)";

/// ISO 15765-2, third edition.
pub(crate) const TRANSPORT: &str = "ISO 15765-2:2016";
/// The draft of ISO 15765-3.
pub(crate) const UDS_ON_CAN: &str = "ISO/DIS 15765-3.5 (2002-10-01)";
/// ISO 14229-1, second edition.
pub(crate) const UDS: &str = "ISO 14229-1:2013";

impl fmt::Display for Source {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        match self {
            Self::Standard(standard, clause) => write!(f, "{standard} {clause}"),
            Self::Cited(standard, clause) => write!(f, "{standard} {clause}, as notes on it give it"),
            Self::Tutorial(page) => write!(f, "tutorial: {page}"),
            Self::Memory(standard) => write!(f, "{standard}, from memory"),
            Self::Framed(standard, clause) => write!(f, "data of {standard} {clause}, framed here"),
        }
    }
}
