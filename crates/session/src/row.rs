//! A row: one record of one response, decoded.

use alloc::vec::Vec;
use core::time::Duration;

use tickover_defs::{Reading, RecordId};
use tickover_framing::Instant;

use crate::{ChannelKey, UnitId};

/// One record of a response and every watched channel in it, whatever their rates. They share one time.
///
/// A response is a row. Only of several identifiers in one request the response makes a row for each, all with its time,
/// and each with what the response would have been to its identifier alone.
#[derive(Clone, PartialEq, Debug)]
pub struct Row {
    /// Start of the response's first byte on the line, or of the frame.
    pub at: Instant,
    /// Which unit answered.
    pub unit: UnitId,
    /// Which record answered, or came by itself.
    pub record: RecordId,
    /// The response's data as it came: service identifier, echo and all; of one of several identifiers its share; of a
    /// frame its data.
    pub response: Vec<u8>,
    /// End of the request to the start of the response (P2 as measured); zero for a frame, which nobody asked for.
    pub response_time: Duration,
    /// The record's watched channels in file order, then derived channels that it brought up to date.
    pub readings: Vec<Reading>,
}

impl Row {
    /// The reading of a channel, if this response carries it.
    pub fn get(&self, channel: impl Into<ChannelKey>) -> Option<&Reading> {
        let ChannelKey { unit, channel } = channel.into();
        self.readings.iter().find(|reading| self.unit == unit && reading.channel == channel)
    }
}
