//! A bench without hardware: a control unit simulated from its definition, an engine, a line with faults.

pub mod engine;
pub mod line;
pub mod random;
#[cfg(feature = "real-time")]
pub mod real_time;
