//! Which PIDs a unit supports: 01 00, then 20, 40, .. as far as its records reach (SAE J1979, service 01).

use alloc::format;
use alloc::string::String;
use alloc::vec;
use alloc::vec::Vec;

use tickover_defs::compiled::{Layout, Read, Record};
use tickover_defs::{ChannelId, RecordId};
use tickover_framing::transport::Answers;
use tickover_services::Effect;
use tickover_services::obd::SupportMask;

use crate::connect::Phase;
use crate::conversation::Conversation;
use crate::derive::record_of;
use crate::exchange::Outcome;
use crate::lane::{Purpose, Sending};
use crate::machine::Session;
use crate::notes::{self, list, note};
use crate::unit::{Unit, layout_of};
use crate::{ChannelKey, Fault, NoteKind};

/// Service 01.
const CURRENT_DATA: u8 = 0x01;

impl Session {
    /// Whether the unit has this channel; `None` while nobody knows: before a connection, and where only a first
    /// answer tells. A derived channel is there as far as its inputs are.
    pub fn supports(&self, channel: impl Into<ChannelKey>) -> Option<bool> {
        let ChannelKey { unit, channel } = channel.into();
        self.conversation(unit)?.unit.supports(channel)
    }
}

impl Conversation {
    /// The first phase with a unit that is there.
    pub(crate) fn next_discover(&mut self) -> Phase {
        let line = self.lane.as_ref().map(|lane| &lane.line);
        let reads = line.is_some_and(|line| line.effect_of(&[CURRENT_DATA, 0]) == Some(Effect::Reads));
        match reads && self.unit.furthest_pid().is_some() {
            true => Phase::Discover { asked: 0 },
            false => self.next_identify(),
        }
    }

    pub(crate) fn discover(&mut self, asked: u8) {
        let request = vec![CURRENT_DATA, asked];
        let sending = Sending { request, effect: Effect::Reads, answers: Answers::One, with: Vec::new() };
        self.send(Purpose::Discover(asked), sending);
    }

    pub(crate) fn discover_finished(&mut self, asked: u8, outcome: Outcome) {
        let what = self.say(Purpose::Discover(asked));
        match outcome {
            Outcome::Answer(answer) => {
                let mask = match *answer.data {
                    [0x41, id, a, b, c, d] if id == asked => Some([a, b, c, d]),
                    _ => None,
                };
                let supported = self.unit.pids.get_or_insert_default();
                if !mask.is_some_and(|mask| supported.add(asked, mask)) {
                    self.unit.pids = None;
                    let wrong = format!("41 {asked:02X} and four bytes were expected");
                    self.note(notes::misfit(self.now, &what, &wrong, &answer.data));
                    self.phase = self.next_identify();
                    return;
                }
                let reach = self.unit.furthest_pid().unwrap_or_default();
                let next = supported_after(self.unit.pids, asked).filter(|next| *next < reach);
                self.phase = match next {
                    Some(asked) => Phase::Discover { asked },
                    None => self.next_identify(),
                };
            }
            // Then each record's own answer tells.
            Outcome::Refused(refusal) => {
                self.meter.refusals += 1;
                self.note(notes::refused(self.now, NoteKind::Refused, &refusal, &what, ""));
                self.unit.pids = None;
                self.phase = self.next_identify();
            }
            Outcome::Failed(failure) => self.turn_lost(failure, Purpose::Discover(asked)),
            Outcome::Sent => {}
        }
    }

    /// Records that the unit does not support are not asked for; says which wanted channels that leaves out.
    pub(crate) fn drop_unsupported(&mut self) {
        for id in self.unit.unsupported() {
            let unit = &mut self.unit;
            unit.store.refuse(layout_of(&unit.definition, unit.variant), id);
            unit.asked(id).into_iter().for_each(|asked| asked.refused = true);
        }
        let wanted = self.unit.wishes();
        let missing = wanted.iter().filter(|(channel, _)| self.unit.lacks_pid(*channel));
        let missing: Vec<ChannelId> = missing.map(|(channel, _)| *channel).collect();
        self.say_unsupported(&missing);
    }

    pub(crate) fn say_unsupported(&mut self, channels: &[ChannelId]) {
        if channels.is_empty() {
            return;
        }
        let names: Vec<String> =
            channels.iter().map(|id| format!("'{}'", self.unit.definition.channel_name(*id))).collect();
        let noun = if names.len() == 1 { "channel" } else { "channels" };
        let text =
            format!("the unit does not support {noun} {}: not asked for", list(names.iter().map(String::as_str)));
        self.note(note(self.now, NoteKind::NotSupported, Fault::Unit, text));
    }
}

fn supported_after(supported: Option<SupportMask>, asked: u8) -> Option<u8> {
    supported?.after(asked)
}

impl Unit {
    /// The highest PID that any layout reads.
    fn furthest_pid(&self) -> Option<u8> {
        let variants = self.definition.variants.iter().map(|variant| &variant.layout);
        core::iter::once(&self.definition.base).chain(variants).flat_map(pids).map(|(_, pid)| pid).max()
    }

    /// Records of PIDs that the unit has said it does not have.
    fn unsupported(&self) -> Vec<RecordId> {
        let Some(supported) = self.pids else { return Vec::new() };
        pids(self.layout()).filter(|(_, pid)| *pid != 0 && !supported.contains(*pid)).map(|(id, _)| id).collect()
    }

    /// Whether a channel stands in a PID that the unit has said it does not have.
    pub(crate) fn lacks_pid(&self, channel: ChannelId) -> bool {
        record_of(self.layout(), channel).is_some_and(|record| self.unsupported().contains(&record))
    }

    fn supports(&self, channel: ChannelId) -> Option<bool> {
        let records = crate::plan::needs(self.layout(), channel).records;
        if self.layout().channel(channel).is_none() {
            // Before the variant is known another one may have it.
            return (self.variant.is_some() || self.definition.variants.is_empty()).then_some(false);
        }
        let known: Vec<Option<bool>> = records.iter().map(|id| self.has_record(*id)).collect();
        match known.contains(&Some(false)) {
            true => Some(false),
            false => known.into_iter().all(|known| known == Some(true)).then_some(true),
        }
    }

    fn has_record(&self, id: RecordId) -> Option<bool> {
        let asked = self.asked.get(usize::from(id.0))?;
        let by_mask = match self.record(id).map(|record| record.read) {
            Some(Read::Pid(pid)) => self.pids.map(|supported| pid == 0 || supported.contains(pid)),
            _ => None,
        };
        if asked.refused { Some(false) } else { by_mask.or_else(|| asked.answered.then_some(true)) }
    }
}

fn pids(layout: &Layout) -> impl Iterator<Item = (RecordId, u8)> {
    let pid = |record: &Record| match record.read {
        Read::Pid(pid) => Some((record.id, pid)),
        _ => None,
    };
    layout.records.iter().flatten().filter_map(pid)
}
