//! Trustworthy measurements from engine control units, at the highest rate the line can carry.

pub use tickover_defs::Definition;
pub use tickover_session::{Rate, Session};

/// The definition language: parse, check, compile, decode, encode.
pub use tickover_defs as defs;
/// Messages, initialisation and timing on the line, for both sides.
pub use tickover_framing as framing;
/// Diagnostic services as views and builders, their codes and effects.
pub use tickover_services as services;
/// The sans-IO session: connect, poll, decode, measure, recover.
pub use tickover_session as session;

/// A control unit simulated from its definition, an engine model, a line with faults.
#[cfg(feature = "bench")]
pub use tickover_bench as bench;
/// Ports, the clock, the I/O thread and its blocking and asynchronous faces.
#[cfg(feature = "link")]
pub use tickover_link as link;
/// What to do with rows: CSV files and running statistics.
#[cfg(feature = "record")]
pub use tickover_record as record;

/// The front page's program compiles.
#[cfg(all(doctest, feature = "link"))]
#[doc = include_str!("../../../README.md")]
#[derive(Debug)]
pub struct FrontPage;
