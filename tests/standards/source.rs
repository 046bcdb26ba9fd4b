//! Where an example comes from.

use std::fmt;

/// Where an example comes from.
#[derive(Clone, Copy, Debug)]
pub(crate) enum Source {
    /// Standard with edition, and clause.
    Standard(&'static str, &'static str),
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

impl fmt::Display for Source {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        match self {
            Self::Standard(standard, clause) => write!(f, "{standard} {clause}"),
            Self::Tutorial(page) => write!(f, "tutorial: {page}"),
            Self::Memory(standard) => write!(f, "{standard}, from memory"),
            Self::Framed(standard, clause) => write!(f, "data of {standard} {clause}, framed here"),
        }
    }
}
