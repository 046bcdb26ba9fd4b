//! From wanted channels to the records that must be read: several channels of one record share one request.

use alloc::vec::Vec;
use core::time::Duration;

use tickover_defs::compiled::{Direction, Every, Layout, Origin};
use tickover_defs::{ChannelId, RecordId};

use crate::Rate;
use crate::pack::pack;

/// A request that is sent again and again.
#[derive(Clone, PartialEq, Debug)]
pub(crate) struct Polled {
    /// The record that it is known by.
    pub(crate) record: RecordId,
    /// Others that the same request asks for.
    pub(crate) with: Vec<RecordId>,
    /// The shortest period wished for.
    pub(crate) period: Option<Duration>,
    /// Also wished for as fast as possible.
    pub(crate) fastest: bool,
}

impl Polled {
    /// All records that it asks for.
    pub(crate) fn records(&self) -> impl Iterator<Item = RecordId> + '_ {
        core::iter::once(self.record).chain(self.with.iter().copied())
    }
}

impl Plan {
    /// The record that the request for this one is known by.
    pub(crate) fn leader(&self, record: RecordId) -> RecordId {
        let group = self.polled.iter().find(|polled| polled.with.contains(&record));
        group.map_or(record, |polled| polled.record)
    }

    /// The records that are asked for together with this one, itself included.
    pub(crate) fn group(&self, leader: RecordId) -> Vec<RecordId> {
        let group = self.polled.iter().find(|polled| polled.record == leader);
        group.map_or_else(|| [leader].into(), |polled| polled.records().collect())
    }
}

/// Why a wanted channel is not read.
#[derive(Clone, Copy, PartialEq, Eq, Debug)]
pub(crate) enum Missing {
    /// This variant does not have the channel or its record.
    NotInVariant,
    /// The request needs a value put in, such as a fault code.
    NeedsValue(RecordId),
    /// Its record is read in another session only.
    OtherSession(u16),
    /// Its record is a frame that we send.
    Sent,
}

/// What is read for a choice of channels.
#[derive(Clone, PartialEq, Debug, Default)]
pub(crate) struct Plan {
    pub(crate) polled: Vec<Polled>,
    /// Read at connect and after a clear.
    pub(crate) once: Vec<RecordId>,
    /// Frames that come by themselves.
    pub(crate) heard: Vec<RecordId>,
    /// Derived channels to compute, inputs before what reads them.
    pub(crate) derived: Vec<ChannelId>,
    /// Wanted but not to be had.
    pub(crate) missing: Vec<(ChannelId, Missing)>,
}

/// Plans the reading of `wishes` in the session `entered`; `refused` are records that the unit does not have, `alone`
/// those that it does not answer together with others.
pub(crate) fn plan(
    layout: &Layout,
    wishes: &[(ChannelId, Rate)],
    entered: Option<u16>,
    refused: impl Fn(RecordId) -> bool,
    alone: impl Fn(RecordId) -> bool,
) -> Plan {
    let mut plan = Plan::default();
    for (channel, rate) in wishes {
        let needs = needs(layout, *channel);
        plan.missing.extend(needs.missing.map(|missing| (*channel, missing)));
        for id in needs.records {
            let Some(record) = layout.record(id) else { continue };
            if refused(id) {
                continue;
            }
            match record.frame.map(|rules| rules.direction) {
                Some(Direction::Heard) => {
                    add(&mut plan.heard, id);
                    continue;
                }
                Some(Direction::Sent { .. }) => {
                    plan.missing.push((*channel, Missing::Sent));
                    continue;
                }
                None => {}
            }
            match record.session.filter(|session| Some(*session) != entered) {
                Some(session) => plan.missing.push((*channel, Missing::OtherSession(session))),
                None if record.request.constant().is_none() => {
                    plan.missing.push((*channel, Missing::NeedsValue(id)));
                }
                None if record.every == Every::Once => add(&mut plan.once, id),
                None => wish(&mut plan.polled, id, *rate),
            }
        }
        needs.derived.into_iter().for_each(|id| add(&mut plan.derived, id));
    }
    plan.polled = pack(layout, plan.polled, alone);
    plan
}

/// The session that a wanted record asks for, if the caller chose none: the first in the order of wishes.
pub(crate) fn wanted_session(layout: &Layout, wishes: &[(ChannelId, Rate)]) -> Option<u16> {
    let records = wishes.iter().flat_map(|(channel, _)| needs(layout, *channel).records);
    records.filter_map(|id| layout.record(id)?.session).next()
}

/// What must be read and computed for one channel.
#[derive(Default)]
pub(crate) struct Needs {
    pub(crate) records: Vec<RecordId>,
    /// Inputs before what reads them; the channel itself last if it is derived.
    pub(crate) derived: Vec<ChannelId>,
    missing: Option<Missing>,
    seen: Vec<ChannelId>,
}

/// The records and derived channels behind a channel.
pub(crate) fn needs(layout: &Layout, channel: ChannelId) -> Needs {
    let mut needs = Needs::default();
    needs.follow(layout, channel);
    needs
}

impl Needs {
    fn follow(&mut self, layout: &Layout, id: ChannelId) {
        if self.seen.contains(&id) {
            return;
        }
        self.seen.push(id);
        let Some(channel) = layout.channel(id) else {
            self.miss(id);
            return;
        };
        channel.inputs.iter().for_each(|input| self.follow(layout, *input));
        match &channel.origin {
            Origin::Field { record, .. } | Origin::Parts { record, .. } => match layout.record(*record) {
                Some(_) => add(&mut self.records, *record),
                None => self.miss(id),
            },
            Origin::Derived => self.derived.push(id),
        }
    }

    /// Only the wanted channel itself: what reads an absent input becomes invalid, or asks `supported` first.
    fn miss(&mut self, id: ChannelId) {
        if self.seen.first() == Some(&id) {
            self.missing = Some(Missing::NotInVariant);
        }
    }
}

fn add<T: PartialEq>(list: &mut Vec<T>, item: T) {
    if !list.contains(&item) {
        list.push(item);
    }
}

fn wish(polled: &mut Vec<Polled>, record: RecordId, rate: Rate) {
    let place = polled.iter().position(|polled| polled.record == record).unwrap_or_else(|| {
        polled.push(Polled { record, with: Vec::new(), period: None, fastest: false });
        polled.len() - 1
    });
    if let Some(polled) = polled.get_mut(place) {
        match rate {
            Rate::Every(period) => polled.period = Some(polled.period.map_or(period, |known| known.min(period))),
            Rate::Fastest => polled.fastest = true,
        }
    }
}
