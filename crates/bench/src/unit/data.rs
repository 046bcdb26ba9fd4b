//! The bytes of answers: wanted values through the inverse of their conversions.

use core::time::Duration;
use std::collections::HashMap;

use tickover_defs::compiled::{Channel, Coding, Field, Layout, Origin, Read, Record};
use tickover_defs::{ChannelId, Definition, Invalid, Raw, RecordId, Value, decode, encode};
use tickover_framing::Instant;
use tickover_services::obd::SupportMask;

use super::Options;
use super::dialogue::first_bytes;
use super::faults::FaultStore;
use super::values::{Values, Wanted};
use crate::engine::{Engine, State};

/// When the freeze frame was taken, after the engine was cranked.
const DROVE_FOR: Duration = Duration::from_secs(25);

/// What the unit measures and remembers.
#[derive(Clone, Debug)]
pub(super) struct Sensors {
    engine: Engine,
    values: Values,
    looks_every: Duration,
    /// What each channel last was, as formulas of other channels read it.
    known: Known,
    /// Answers of the last look, while it is fresh.
    fresh: HashMap<RecordId, (u64, Vec<u8>)>,
    pub(super) faults: FaultStore,
    supported_pids: SupportMask,
    supported_infos: SupportMask,
    /// What the freeze frame shows.
    frozen_at: Instant,
    channel_names: Vec<String>,
    record_names: Vec<String>,
}

#[derive(Clone, Debug, Default)]
struct Known(HashMap<ChannelId, Result<Value, Invalid>>);

impl decode::Scope for Known {
    fn latest(&self, channel: ChannelId) -> Result<&Value, Invalid> {
        match self.0.get(&channel) {
            Some(Ok(value)) => Ok(value),
            Some(Err(reason)) => Err(reason.clone()),
            None => Err(Invalid::NoReading),
        }
    }
}

impl Sensors {
    pub(super) fn new(
        definition: &Definition,
        layout: &Layout,
        values: Values,
        options: &Options,
        (supported_pids, supported_infos): (SupportMask, SupportMask),
        now: Instant,
    ) -> Self {
        Self {
            engine: Engine::cranked_at(now),
            values,
            looks_every: options.looks_every,
            known: Known::default(),
            fresh: HashMap::new(),
            faults: FaultStore::new(layout, options.faults.clone()),
            supported_pids,
            supported_infos,
            frozen_at: now.after(DROVE_FOR),
            channel_names: definition.channels.iter().map(|name| name.to_string()).collect(),
            record_names: definition.records.iter().map(|name| name.to_string()).collect(),
        }
    }

    pub(super) fn record_name(&self, id: RecordId) -> String {
        self.record_names.get(usize::from(id.0)).cloned().unwrap_or_default()
    }

    /// The whole response of a record, service byte and echo included.
    pub(super) fn response(&mut self, layout: &Layout, id: RecordId, now: Instant) -> Option<Vec<u8>> {
        let record = layout.record(id)?;
        let period = self.looks_every.as_nanos() as u64;
        let look = now.as_nanos().checked_div(period);
        if let (Some(look), Some((then, response))) = (look, self.fresh.get(&id))
            && look == *then
        {
            return Some(response.clone());
        }
        let seen_at = look.map_or(now, |look| Instant::from_nanos(look * period));
        let mut response = first_bytes(&record.answer);
        if let (Read::InfoType(_), [_, _, count]) = (record.read, response.as_mut_slice()) {
            *count = 1;
        }
        let data = self.data(layout, record, &self.engine.at(seen_at));
        response.extend_from_slice(&data);
        if let Some(look) = look {
            self.fresh.insert(id, (look, response.clone()));
        }
        Some(response)
    }

    /// The data of a record without the echo.
    pub(super) fn plain(&mut self, layout: &Layout, id: RecordId, now: Instant) -> Option<Vec<u8>> {
        let response = self.response(layout, id, now)?;
        layout.record(id)?.answer.strip(&response).map(<[u8]>::to_vec)
    }

    /// The data of a record as they were when the first fault came.
    pub(super) fn frozen(&mut self, layout: &Layout, id: RecordId) -> Option<Vec<u8>> {
        let record = layout.record(id)?;
        let state = self.engine.at(self.frozen_at);
        Some(self.data(layout, record, &state))
    }

    /// The data of a frame; `page` keeps this value in it.
    pub(super) fn frame(
        &mut self,
        layout: &Layout,
        id: RecordId,
        now: Instant,
        page: Option<(ChannelId, Value)>,
    ) -> Option<Vec<u8>> {
        let record = layout.record(id)?;
        let state = self.engine.at(now);
        let Some((channel, value)) = page else { return Some(self.data(layout, record, &state)) };
        let before = self.values.swap(channel, Some(value));
        let data = self.data(layout, record, &state);
        self.values.swap(channel, before);
        Some(data)
    }

    /// A learned value is as new: one for a factor, else zero, or the nearest that the field can hold.
    pub(super) fn unlearn(&mut self, layout: &Layout, id: ChannelId) {
        let Some(channel) = layout.channel(id) else { return };
        let factor = channel.label.to_lowercase().contains("factor");
        self.values.fix(id, Value::Number(if factor { 1.0 } else { 0.0 }));
        self.fresh.clear();
    }

    /// All channels of a response, by name.
    pub(super) fn decoded(
        &self,
        layout: &Layout,
        id: RecordId,
        response: &[u8],
    ) -> Vec<(String, Result<Value, Invalid>)> {
        let Some(record) = layout.record(id) else { return Vec::new() };
        let data = record.answer.strip(response).unwrap_or_default();
        let readings = decode::record(layout, record, data, &self.known).unwrap_or_default();
        let named = |id: ChannelId| self.channel_names.get(usize::from(id.0)).cloned().unwrap_or_default();
        readings.into_iter().map(|reading| (named(reading.channel), reading.value)).collect()
    }

    /// Each channel once those that its formula or `when` reads in this record are there.
    fn data(&mut self, layout: &Layout, record: &Record, state: &State) -> Vec<u8> {
        let mut data = vec![0; usize::from(record.length.1)];
        let mut left: Vec<&Channel> = record.channels.iter().filter_map(|id| layout.channel(*id)).collect();
        while !left.is_empty() {
            let waiting: Vec<ChannelId> = left.iter().map(|channel| channel.id).collect();
            let waits = |channel: &&Channel| channel.inputs.iter().any(|id| *id != channel.id && waiting.contains(id));
            let (later, now): (Vec<&Channel>, Vec<&Channel>) = left.iter().copied().partition(waits);
            for channel in if now.is_empty() { &later } else { &now } {
                self.put(layout, channel, state, &mut data);
            }
            left = if now.is_empty() { Vec::new() } else { later };
        }
        self.overlay(record.read, &mut data);
        data
    }

    /// What follows from the unit itself, whatever the channels say: masks, and how many faults are stored.
    fn overlay(&self, read: Read, data: &mut [u8]) {
        let mask = match read {
            Read::Pid(pid) => self.supported_pids.answer(pid),
            Read::InfoType(info) => self.supported_infos.answer(info),
            _ => None,
        };
        if let (Some(mask), Some(start)) = (mask, data.first_chunk_mut()) {
            *start = mask;
        }
        if let (Read::Pid(0x01), Some(first)) = (read, data.first_mut()) {
            *first = self.faults.lamp_and_count();
        }
    }

    /// Writes one channel: what is wanted, else any valid raw value, else nothing.
    fn put(&mut self, layout: &Layout, channel: &Channel, state: &State, data: &mut [u8]) {
        if channel.when.as_ref().is_some_and(|when| !decode::holds(layout, when, &self.known)) {
            return;
        }
        let written = match self.values.wanted(channel, state) {
            _ if channel.total.is_some() => Self::put_total(channel, state, data),
            Wanted::Value(value) => encode::channel(layout, channel, &value, &self.known, data).is_ok(),
            Wanted::Share(share) => self.put_share(layout, channel, share, data),
        };
        if !written {
            let _ = [0.5, 0.25, 0.75, 0.0, 1.0].iter().any(|share| self.put_share(layout, channel, *share, data));
        }
        if let Some(reading) = decode::channel(layout, channel, data, &self.known) {
            self.known.0.insert(channel.id, reading.value);
        }
    }

    /// A counter that goes up by less than its largest step and starts again after its last value.
    fn put_total(channel: &Channel, state: &State, data: &mut [u8]) -> bool {
        let (Some(total), Origin::Field { field, .. }) = (channel.total, &channel.origin) else { return false };
        let step = (total.largest_step / 4).clamp(1, 20);
        let counted = (state.seconds.max(0.0) * 10.0) as u64 * step;
        let raw = counted.checked_rem(total.last.saturating_add(1)).unwrap_or(0);
        encode::raw(field, &Raw::Unsigned(raw), data).is_ok()
    }

    /// Writes a share of the raw range; true if that is a valid value.
    fn put_share(&self, layout: &Layout, channel: &Channel, share: f64, data: &mut [u8]) -> bool {
        match &channel.origin {
            Origin::Derived => return true,
            Origin::Field { field, .. } => put_raw_share(field, share, data),
            Origin::Parts { parts, .. } => {
                for part in parts.iter() {
                    put_raw_share(&part.field, share, data);
                }
            }
        }
        decode::channel(layout, channel, data, &self.known).is_some_and(|reading| reading.value.is_ok())
    }
}

fn put_raw_share(field: &Field, share: f64, data: &mut [u8]) {
    let bits = u32::from(field.width.clamp(1, 64));
    let largest = u64::MAX >> (64 - bits);
    let wanted = match field.coding {
        Coding::Unsigned => Raw::Unsigned((largest as f64 * share) as u64 & largest),
        Coding::Signed => {
            let half = (largest / 2) as f64;
            Raw::Signed((half * (2.0 * share - 1.0)) as i64)
        }
        Coding::Float if bits <= 32 => Raw::Unsigned(u64::from((100.0 * share as f32).to_bits())),
        Coding::Float => Raw::Unsigned((100.0 * share).to_bits()),
        Coding::Ascii => Raw::Bytes(text(field.bytes.len()).into()),
        Coding::Bcd => {
            let digit = ((share * 9.0) as u8).min(9);
            Raw::Bytes(vec![digit << 4 | digit; field.bytes.len()].into())
        }
        Coding::Hex => Raw::Bytes(vec![(share * 255.0) as u8; field.bytes.len()].into()),
    };
    // A field that does not fit its record keeps its zeros.
    let _ = encode::raw(field, &wanted, data);
}

/// Text of this length that is plainly made up.
fn text(length: usize) -> Vec<u8> {
    b"BENCH-".iter().copied().chain((0..10).cycle().map(|digit| b'0' + digit)).take(length).collect()
}
