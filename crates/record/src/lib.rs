//! What to do with rows: CSV files and running statistics.
//!
//! Everything here takes [`Row`](tickover_session::Row)s, the same stream that every program gets, and reads no clock.

pub mod csv;
pub mod statistics;

pub use csv::{Column, Csv, CsvError, Flush, Hold, Safe, Start};
pub use statistics::{ChannelStatistics, Statistics};
