//! The latest reading of every channel, and what is computed from them when an input arrives.

use alloc::collections::BTreeMap;
use alloc::vec;
use alloc::vec::Vec;
use core::time::Duration;

use tickover_defs::compiled::{Every, Layout, Origin, Record};
use tickover_defs::decode::{self, Counted, Scope, WrongLength};
use tickover_defs::{ChannelId, Invalid, Reading, RecordId, Value};
use tickover_framing::Instant;

/// The latest reading of every channel.
#[derive(Clone, Debug, Default)]
pub(crate) struct Store {
    latest: Vec<Option<Latest>>,
    /// Channels that the unit does not have.
    absent: Vec<bool>,
    /// How far counters have come, and when that was; kept over connections.
    counted: BTreeMap<ChannelId, (Counted, Instant)>,
}

#[derive(Clone, Debug)]
struct Latest {
    value: Result<Value, Invalid>,
    at: Instant,
    /// Time of the oldest input that ages; `None`: everything was read once.
    oldest: Option<Instant>,
    /// Change per second from the reading before.
    rate: Result<f64, Invalid>,
}

impl Store {
    pub(crate) fn new(channels: usize) -> Self {
        Self { latest: vec![None; channels], absent: vec![false; channels], counted: BTreeMap::new() }
    }

    /// A new connection: what was read before is no longer the latest of this unit. Totals go on.
    pub(crate) fn forget(&mut self) {
        let counted = core::mem::take(&mut self.counted);
        *self = Self { counted, ..Self::new(self.latest.len()) };
    }

    /// Notes which channels this layout does not have.
    pub(crate) fn fit(&mut self, layout: &Layout) {
        for (place, absent) in self.absent.iter_mut().enumerate() {
            *absent = layout.channels.get(place).is_none_or(Option::is_none);
        }
    }

    /// The unit has said that it does not have this record.
    pub(crate) fn refuse(&mut self, layout: &Layout, record: RecordId) {
        let Some(record) = layout.record(record) else { return };
        for id in record.channels.iter() {
            self.absent.iter_mut().skip(usize::from(id.0)).take(1).for_each(|absent| *absent = true);
            self.latest.iter_mut().skip(usize::from(id.0)).take(1).for_each(|latest| *latest = None);
        }
    }

    /// Decodes a response, then every channel of `derived` that reads any of it.
    ///
    /// `limit`: the age that a channel's inputs may reach by default.
    pub(crate) fn take(
        &mut self,
        layout: &Layout,
        record: &Record,
        response: Response<'_>,
        derived: &[ChannelId],
        limit: &dyn Fn(ChannelId) -> Option<Duration>,
    ) -> Result<Vec<Reading>, WrongLength> {
        self.doubt_totals(layout, record, response);
        let scope = Aged { store: self, at: response.at, limit };
        let mut readings = decode::record(layout, record, response.data, &scope)?;
        self.count(layout, &readings, response.at);
        let oldest = (record.every != Every::Once).then_some(response.at);
        readings.iter().for_each(|reading| self.keep(reading, response.at, oldest));
        let mut fresh: Vec<ChannelId> = readings.iter().map(|reading| reading.channel).collect();
        for id in derived {
            let Some(channel) = layout.channel(*id) else { continue };
            if !channel.inputs.iter().any(|input| fresh.contains(input)) {
                continue;
            }
            let oldest = channel.inputs.iter().filter_map(|input| self.get(*input)?.oldest).min();
            let mut reading = decode::derived(layout, channel, self);
            reading.age = oldest.map_or(Duration::ZERO, |oldest| response.at.since(oldest));
            if channel.max_age.or_else(|| limit(*id)).is_some_and(|limit| reading.age > limit) {
                reading.value = Err(Invalid::InputTooOld);
            }
            self.keep(&reading, response.at, oldest);
            fresh.push(*id);
            readings.push(reading);
        }
        Ok(readings)
    }

    /// A counter that may have gone round while nothing was read has counted nobody knows how far.
    fn doubt_totals(&mut self, layout: &Layout, record: &Record, response: Response<'_>) {
        let Some(interval) = response.interval.filter(|interval| !interval.is_zero()) else { return };
        for id in record.channels.iter() {
            let rule = layout.channel(*id).and_then(|channel| channel.total);
            let (Some(rule), Some((counted, at))) = (rule, self.counted.get_mut(id)) else { continue };
            let readings = response.at.since(*at).as_nanos() / interval.as_nanos().max(1);
            if readings > 1 && readings.saturating_mul(rule.largest_step.into()) > rule.last.into() {
                counted.raw = None;
            }
        }
    }

    fn count(&mut self, layout: &Layout, readings: &[Reading], at: Instant) {
        for reading in readings {
            let Some(channel) = layout.channel(reading.channel).filter(|channel| channel.total.is_some()) else {
                continue;
            };
            let before = self.counted.get(&channel.id).map(|(counted, _)| *counted);
            let after = decode::counted(channel, before, reading);
            // A code counts nothing: the time of the last count stays.
            if let Some(after) = after.filter(|_| after != before || reading.value.is_ok()) {
                self.counted.insert(channel.id, (after, at));
            }
        }
    }

    /// The latest readings as something that reads them at this time sees them: `limit` is the age they may have.
    pub(crate) fn at<'a>(&'a self, at: Instant, limit: &'a dyn Fn(ChannelId) -> Option<Duration>) -> impl Scope + 'a {
        Aged { store: self, at, limit }
    }

    fn keep(&mut self, reading: &Reading, at: Instant, oldest: Option<Instant>) {
        let Some(place) = self.latest.get_mut(usize::from(reading.channel.0)) else { return };
        let rate = match (&*place, reading.number()) {
            (Some(Latest { value: Ok(Value::Number(before)), at: earlier, .. }), Some(now)) if at > *earlier => {
                let change = (now - before) / at.since(*earlier).as_secs_f64();
                if change.is_finite() { Ok(change) } else { Err(Invalid::Overflow) }
            }
            _ => Err(Invalid::NoRate),
        };
        *place = Some(Latest { value: reading.value.clone(), at, oldest, rate });
    }

    fn get(&self, id: ChannelId) -> Option<&Latest> {
        self.latest.get(usize::from(id.0))?.as_ref()
    }
}

/// The data of one good response.
#[derive(Clone, Copy, Debug)]
pub(crate) struct Response<'a> {
    /// Without echo.
    pub(crate) data: &'a [u8],
    /// Start of its first byte.
    pub(crate) at: Instant,
    /// The time from one such response to the next that is to be expected.
    pub(crate) interval: Option<Duration>,
}

impl Scope for Store {
    fn latest(&self, id: ChannelId) -> Result<&Value, Invalid> {
        match self.get(id) {
            Some(latest) => latest.value.as_ref().map_err(Clone::clone),
            None if self.supported(id) => Err(Invalid::NoReading),
            None => Err(Invalid::NotSupported),
        }
    }

    fn supported(&self, id: ChannelId) -> bool {
        self.absent.get(usize::from(id.0)).is_some_and(|absent| !absent)
    }

    fn rate(&self, id: ChannelId) -> Result<f64, Invalid> {
        match self.get(id) {
            Some(latest) => latest.rate.clone(),
            None => Err(Invalid::NoRate),
        }
    }

    fn counted(&self, id: ChannelId) -> Option<Counted> {
        self.counted.get(&id).map(|(counted, _)| *counted)
    }
}

/// The store as a field's formula sees it: what another record brought too long ago counts no more.
struct Aged<'a> {
    store: &'a Store,
    at: Instant,
    limit: &'a dyn Fn(ChannelId) -> Option<Duration>,
}

impl Scope for Aged<'_> {
    fn latest(&self, id: ChannelId) -> Result<&Value, Invalid> {
        let oldest = self.store.get(id).and_then(|latest| latest.oldest);
        match (oldest, (self.limit)(id)) {
            (Some(oldest), Some(limit)) if self.at.since(oldest) > limit => Err(Invalid::InputTooOld),
            _ => self.store.latest(id),
        }
    }

    fn supported(&self, id: ChannelId) -> bool {
        self.store.supported(id)
    }

    fn rate(&self, id: ChannelId) -> Result<f64, Invalid> {
        self.store.rate(id)
    }

    fn counted(&self, id: ChannelId) -> Option<Counted> {
        self.store.counted(id)
    }
}

/// Twice the slowest interval among the records behind a channel; read-once records do not age.
pub(crate) fn age_limit(
    layout: &Layout,
    channel: ChannelId,
    interval: &impl Fn(RecordId) -> Option<Duration>,
) -> Option<Duration> {
    let records = crate::plan::needs(layout, channel).records;
    records.into_iter().filter_map(interval).max().map(|slowest| slowest.saturating_mul(2))
}

/// The record that a channel stands in.
pub(crate) fn record_of(layout: &Layout, id: ChannelId) -> Option<RecordId> {
    match &layout.channel(id)?.origin {
        Origin::Field { record, .. } | Origin::Parts { record, .. } => Some(*record),
        Origin::Derived => None,
    }
}
