//! Frames that we send, each by a permit: on the grid of their period, from the latest readings.

use alloc::format;
use alloc::string::{String, ToString};
use alloc::vec::Vec;
use core::time::Duration;

use tickover_defs::compiled::{Can, Direction, Every, Line, Read, Record};
use tickover_defs::encode::{self, NotSent};
use tickover_defs::{ChannelId, RecordId, UnknownName};
use tickover_framing::Instant;
use tickover_framing::can::{Frame, Id};
use tickover_framing::contract::{Act, Tag, Why, Wire};
use tickover_services::Effect;

use crate::bus::Bus;
use crate::conversation::Conversation;
use crate::derive::age_limit;
use crate::listen::interval;
use crate::machine::Session;
use crate::notes::{advise, note};
use crate::{Fault, NoteKind, Permit, Rate, UnitId};

/// High byte of the tags of these frames: no unit's. The low byte is the sender's number, from 1.
pub(crate) const OURS: u8 = 0xFF;
/// N_As (ISO 15765-2:2016 table 21): so long the next frame waits for the confirmation of the one before. Frames that
/// nobody acknowledges do not pile up in the port.
const N_AS: Duration = Duration::from_secs(1);

/// Why frames are not sent: the caller's mistake, or the definition's.
#[derive(Clone, PartialEq, Eq, Debug, thiserror::Error)]
#[non_exhaustive]
pub enum SendError {
    /// There is no such unit or record.
    #[error(transparent)]
    Unknown(#[from] UnknownName),
    /// The record is asked for or heard.
    #[error("caller: record '{record}' of '{definition}' is no frame to send; one has `send` in its definition")]
    NotOurs {
        /// The record.
        record: String,
        /// Whose definition.
        definition: String,
    },
    /// Other units act on what is sent.
    #[error("caller: a frame makes other units act, the permit is to '{permitted}'; give a permit to 'actuates'")]
    WrongPermit {
        /// What the permit allows.
        permitted: Effect,
    },
    /// Somebody else on this bus uses the identifier.
    #[error("definition: frame {id} of '{record}' is not sent: the same identifier carries {taken}")]
    Taken {
        /// The identifier in hex.
        id: String,
        /// The record.
        record: String,
        /// What it carries.
        taken: String,
    },
    /// More than a session sends.
    #[error("caller: 255 frames are being sent already; stop one first")]
    TooMany,
    /// It is being sent.
    #[error("caller: frame '{record}' is being sent already; stop it first")]
    Already {
        /// The record.
        record: String,
    },
}

/// One frame that is being sent.
#[derive(Debug)]
pub(crate) struct Sender {
    unit: UnitId,
    record: RecordId,
    id: Id,
    number: u8,
    /// Since when a frame is handed over and not confirmed.
    handed: Option<Instant>,
    period: Duration,
    /// The next place on the grid; `None`: the bus is not up yet.
    next: Option<Instant>,
    count: u8,
    /// Why it is not sent now, as it was said.
    silent: Option<NotSent>,
}

impl Session {
    /// To be shown to a person before frames are permitted.
    pub const SEND_CAUTION: &str = "Units on the bus act on what is sent: lamps, gauges, and whatever else listens. \
        Send only on a bench or with the vehicle standing, wheels blocked, nobody near moving parts; stop at once if \
        anything behaves oddly. While driving a passenger operates. Observe what your law and your licence require.";

    /// Sends a record with `send`, `display` or with several units `gearbox:display`, from now on with its period, until
    /// it is stopped or the session closed. The permit is one to [`Effect::Actuates`]; show
    /// [`SEND_CAUTION`](Self::SEND_CAUTION) before you make it.
    ///
    /// What goes into the frame is read as often as it is sent; what is too old, or invalid, is sent as the channel's
    /// `invalid` code, and a frame with a channel that has none is left out.
    ///
    /// # Errors
    /// [`SendError`]: there is no such record or it is not to be sent, the permit is for something else, a unit of this
    /// session uses the identifier, or it is being sent already. A permit given is consumed in every case.
    pub fn send_frame(&mut self, now: Instant, record: &str, permit: Permit) -> Result<(), SendError> {
        self.now = self.now.max(now);
        let (unit, id, compiled) = self.sent_record(record)?;
        let (Read::Frame(frame), Every::Period(period)) = (compiled.read, compiled.every) else {
            return Err(self.not_ours(unit, record));
        };
        if permit.effect() != Effect::Actuates {
            return Err(SendError::WrongPermit { permitted: permit.effect() });
        }
        if self.senders.iter().any(|sender| (sender.unit, sender.record) == (unit, id)) {
            return Err(SendError::Already { record: record.to_string() });
        }
        if let Some(taken) = self.taken(unit, id, frame) {
            return Err(SendError::Taken { id: frame.to_string(), record: record.to_string(), taken });
        }
        let text = format!("frame {frame} ('{record}') is sent every {period:?} from now on");
        self.note(advise(now, NoteKind::Sending, Fault::Nobody, text, Self::SEND_CAUTION));
        let taken = |number: &u8| self.senders.iter().any(|sender| sender.number == *number);
        let number = (1..=u8::MAX).find(|number| !taken(number)).ok_or(SendError::TooMany)?;
        let (handed, next, silent) = (None, None, None);
        self.senders.push(Sender { unit, record: id, id: frame, number, handed, period, next, count: 0, silent });
        self.feed(unit);
        Ok(())
    }

    /// Sends this record no more; false: it was not being sent.
    pub fn stop_frame(&mut self, now: Instant, record: &str) -> bool {
        self.now = self.now.max(now);
        let Ok((unit, id, _)) = self.sent_record(record) else { return false };
        let before = self.senders.len();
        self.senders.retain(|sender| (sender.unit, sender.record) != (unit, id));
        let stopped = self.senders.len() < before;
        if stopped {
            self.note(note(now, NoteKind::Sending, Fault::Nobody, format!("'{record}' is sent no more")));
            self.feed(unit);
        }
        stopped
    }

    fn sent_record(&self, name: &str) -> Result<(UnitId, RecordId, Record), SendError> {
        let (unit, bare) = self.split_name(name)?;
        let conversation = self.conversation(unit).unwrap_or(&self.first);
        let definition = &conversation.unit.definition;
        let place = definition.records.iter().position(|known| known == bare).ok_or_else(|| {
            UnknownName::among("record", bare, definition, definition.records.iter().map(|known| &**known))
        })?;
        let id = RecordId(place as u16);
        match conversation.unit.record(id) {
            Some(record) if is_sent(record) => Ok((unit, id, record.clone())),
            _ => Err(self.not_ours(unit, bare)),
        }
    }

    fn not_ours(&self, unit: UnitId, record: &str) -> SendError {
        let definition = self.definition_of(unit).map_or_else(String::new, |definition| definition.id.to_string());
        SendError::NotOurs { record: record.to_string(), definition }
    }

    /// What the identifier carries already, by any definition of this session.
    fn taken(&self, own: UnitId, record: RecordId, id: Id) -> Option<String> {
        self.conversations().find_map(|it| {
            if let Some(Line::Can(Can { unit: Some(unit), .. })) = it.line_as_found() {
                let asked = [Some(unit.path.request), Some(unit.path.response), unit.functional];
                if asked.into_iter().flatten().any(|address| address.id() == id) {
                    return Some(format!("requests or answers of unit '{}'", it.name));
                }
            }
            let layout = it.unit.layout();
            let other = layout
                .records
                .iter()
                .flatten()
                .find(|other| other.read == Read::Frame(id) && (it.id, other.id) != (own, record))?;
            Some(format!("'{}' of unit '{}'", it.unit.definition.record_name(other.id), it.name))
        })
    }

    /// What goes into frames is read as often as they are sent.
    fn feed(&mut self, unit: UnitId) {
        let senders = self.senders.iter().filter(|sender| sender.unit == unit);
        let wanted: Vec<(RecordId, Duration)> = senders.map(|sender| (sender.record, sender.period)).collect();
        let Some(conversation) = self.conversation_mut(unit) else { return };
        let layout = conversation.unit.layout();
        let mut feeds: Vec<(ChannelId, Rate)> = Vec::new();
        for (record, period) in wanted {
            let channels = layout.record(record).map_or(&[][..], |record| &record.channels);
            let inputs = channels.iter().filter_map(|id| layout.channel(*id)).flat_map(|channel| channel.inputs.iter());
            feeds.extend(inputs.map(|input| (*input, Rate::Every(period).held())));
        }
        conversation.unit.feeds = feeds;
        conversation.replan();
    }

    /// The next frame whose time has come.
    pub(crate) fn poll_senders(&mut self) -> Option<Act> {
        let now = self.now;
        if !matches!(self.bus, Bus::Up { off_since: None }) {
            self.senders.iter_mut().for_each(|sender| (sender.next, sender.handed) = (None, None));
            return None;
        }
        for place in 0..self.senders.len() {
            let Some(sender) = self.senders.get_mut(place) else { continue };
            let period = sender.period;
            let next = *sender.next.get_or_insert(now);
            if now < next {
                continue;
            }
            // Places on the grid that have gone by are left out.
            let gone = now.since(next).as_nanos() / period.as_nanos().max(1);
            let steps = u32::try_from(gone).unwrap_or(u32::MAX).saturating_add(1);
            sender.next = Some(next.after(period.saturating_mul(steps)));
            if sender.handed.is_some_and(|handed| now.since(handed) < N_AS) {
                continue;
            }
            let (unit, record, id, count) = (sender.unit, sender.record, sender.id, sender.count);
            let Some(conversation) = self.conversations().nth(unit.place()) else { continue };
            let made = made(conversation, record, now, count);
            let Some(sender) = self.senders.get_mut(place) else { continue };
            match made {
                Ok(made) => {
                    sender.count = made.after;
                    sender.silent = None;
                    let frame = match made.fd {
                        true => Frame::fd(id, &made.data, true),
                        false => Frame::classic(id, &made.data),
                    };
                    if let Some(frame) = frame {
                        sender.handed = Some(now);
                        let tag = Tag(u16::from_be_bytes([OURS, sender.number]));
                        return Some(Act::Transmit { tag, wire: Wire::Frame(frame) });
                    }
                }
                Err(why) if sender.silent.as_ref() != Some(&why) => {
                    let text = format!("frame {id} is not sent: {why}");
                    sender.silent = Some(why);
                    self.note(note(now, NoteKind::Sending, Fault::Definition, text));
                }
                Err(_) => {}
            }
        }
        None
    }

    /// A frame of ours is out.
    pub(crate) fn frame_is_out(&mut self, number: u8) {
        let sender = self.senders.iter_mut().find(|sender| sender.number == number);
        sender.into_iter().for_each(|sender| sender.handed = None);
    }

    /// When the next frame is to be sent.
    pub(crate) fn sends_at(&self) -> Option<(Instant, Why)> {
        let next = self.senders.iter().filter_map(|sender| sender.next).min()?;
        Some((next, Why { name: "frame period", clause: "" }))
    }
}

/// A frame's data, and the count of the next.
struct Made {
    data: Vec<u8>,
    after: u8,
    fd: bool,
}

fn made(conversation: &Conversation, id: RecordId, now: Instant, count: u8) -> Result<Made, NotSent> {
    let layout = conversation.unit.layout();
    let record = layout.record(id).ok_or(NotSent::NotOurs)?;
    let schedule = &conversation.schedule;
    let interval = |id: RecordId| interval(layout, id, &|id| schedule.interval(id));
    let limit = |channel| age_limit(layout, channel, &interval);
    let scope = conversation.unit.store.at(now, &limit);
    let data = encode::frame(layout, record, &scope, count)?;
    let counter = record.frame.and_then(|rules| rules.counter);
    let fd = matches!(conversation.unit.base_line(), Some(Line::Can(Can { data_rate: Some(_), .. })));
    Ok(Made { data, after: counter.map_or(0, |counter| counter.after(count)), fd })
}

fn is_sent(record: &Record) -> bool {
    record.frame.is_some_and(|rules| rules.direction != Direction::Heard)
}
