//! Frames that a unit sends by itself: each at its period with its pages in turn, or when its content changes.

use core::time::Duration;

use tickover_defs::compiled::{Direction, Every, Expr, FrameRules, Layout, Node, Read, Record};
use tickover_defs::{ChannelId, RecordId, Value};
use tickover_framing::Instant;
use tickover_framing::can::{Frame, Id};
use tickover_framing::contract::{Act, Tag, Wire};
use tickover_framing::time::earliest;

use super::data::Sensors;

/// Tags of these frames: the place in the list in the low byte.
const TAGS: u16 = 0x0100;
/// From one frame to the first of the next: not all at once.
const APART: Duration = Duration::from_millis(1);
/// How often content is looked at that is sent when it changes.
const LOOKS_EVERY: Duration = Duration::from_millis(100);

/// All frames of a unit.
#[derive(Clone, Debug, Default)]
pub(super) struct Broadcasts(Vec<Broadcast>);

/// One frame.
#[derive(Clone, Debug)]
struct Broadcast {
    record: RecordId,
    id: Id,
    rules: FrameRules,
    period: Option<Duration>,
    due: Instant,
    count: u8,
    pages: Vec<(ChannelId, Value)>,
    next_page: usize,
    /// Sent last; of one that is sent when it changes.
    last: Vec<u8>,
    /// Handed over and not yet sent.
    sending: Option<Vec<u8>>,
}

impl Broadcasts {
    /// Those that the definition says are heard; the first of each comes soon after `now`.
    pub(super) fn new(layout: &Layout, now: Instant) -> Self {
        let mut all = Vec::new();
        for record in layout.records.iter().flatten() {
            let (Read::Frame(id), Some(rules)) = (record.read, record.frame) else { continue };
            // A tag holds the place in one byte.
            if rules.direction != Direction::Heard || all.len() > 0xFF {
                continue;
            }
            let period = match record.every {
                Every::Period(period) => Some(period),
                _ => None,
            };
            let due = now.after(APART.saturating_mul(all.len() as u32 + 1));
            let (pages, last) = (pages(layout, record), Vec::new());
            let record = record.id;
            let (count, next_page, sending) = (0, 0, None);
            all.push(Broadcast { record, id, rules, period, due, count, pages, next_page, last, sending });
        }
        Self(all)
    }

    pub(super) fn due(&self) -> Option<Instant> {
        self.0.iter().fold(None, |due, broadcast| earliest(due, Some(broadcast.due)))
    }

    /// A frame whose time has come.
    pub(super) fn next(&mut self, now: Instant, layout: &Layout, sensors: &mut Sensors) -> Option<Act> {
        let (place, broadcast) = self.0.iter_mut().enumerate().find(|(_, broadcast)| broadcast.due <= now)?;
        let step = broadcast.period.unwrap_or(LOOKS_EVERY);
        broadcast.due = broadcast.due.after(step).max(now);
        // One that has not got onto the bus keeps its place: none overtakes another.
        if broadcast.sending.is_some() {
            return None;
        }
        let page = broadcast.pages.get(broadcast.next_page).cloned();
        let mut data = sensors.frame(layout, broadcast.record, now, page)?;
        if broadcast.period.is_none() && data == broadcast.last {
            return None;
        }
        broadcast.last.clone_from(&data);
        broadcast.next_page = (broadcast.next_page + 1).checked_rem(broadcast.pages.len()).unwrap_or(0);
        broadcast.finish(&mut data);
        let frame = match data.len() {
            0..=8 => Frame::classic(broadcast.id, &data)?,
            _ => Frame::fd(broadcast.id, &data, true)?,
        };
        broadcast.sending = Some(data);
        Some(Act::Transmit { tag: Tag(TAGS | place as u16), wire: Wire::Frame(frame) })
    }

    /// What was sent with this tag; `None` if it is none of ours.
    pub(super) fn sent(&mut self, tag: Tag) -> Option<(RecordId, Vec<u8>)> {
        let place = usize::from(tag.0.checked_sub(TAGS)?);
        let broadcast = self.0.get_mut(place)?;
        Some((broadcast.record, broadcast.sending.take()?))
    }

    /// The controller has lost what it had to send.
    pub(super) fn forget(&mut self) {
        self.0.iter_mut().for_each(|broadcast| broadcast.sending = None);
    }
}

impl Broadcast {
    /// Counter and checksum.
    fn finish(&mut self, data: &mut [u8]) {
        if let Some(counter) = self.rules.counter {
            counter.write(self.count, data);
            self.count = counter.after(self.count);
        }
        if let Some(checksum) = &self.rules.checksum
            && let Some(sum) = checksum.of(data)
            && let Some(byte) = data.get_mut(usize::from(checksum.at))
        {
            *byte = sum;
        }
    }
}

/// The values of the channel that other channels' `when` asks for: one page each.
fn pages(layout: &Layout, record: &Record) -> Vec<(ChannelId, Value)> {
    let channels = || record.channels.iter().filter_map(|id| layout.channel(*id));
    let whens: Vec<&Expr> = channels().filter_map(|channel| channel.when.as_ref()).collect();
    let nodes = || whens.iter().flat_map(|when| when.nodes.iter());
    let asked = |id: ChannelId| nodes().any(|node| matches!(node, Node::Channel(other) if *other == id));
    let Some(selector) = channels().find(|channel| asked(channel.id)) else { return Vec::new() };
    if !selector.states.is_empty() {
        let named = selector.states.iter().map(|state| (selector.id, Value::Text(state.name.clone())));
        return named.collect();
    }
    let mut pages: Vec<(ChannelId, Value)> = Vec::new();
    for node in nodes() {
        if let Node::Number(number) = node {
            let page = (selector.id, Value::Number(*number));
            if !pages.contains(&page) {
                pages.push(page);
            }
        }
    }
    pages
}
