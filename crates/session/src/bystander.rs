//! Units that no lane waits for, but that answer a request to all.
//!
//! A unit whose answer takes several frames sends nothing more until the tester has given it flow control, and may not
//! hear the next request while it waits. ISO 15765-4 6.4.3 has a tester take the answers of all eight units; a session
//! needs none of these and gives them flow control only, so that their units are soon free again.

use alloc::collections::VecDeque;

use tickover_defs::compiled::{Can, CanUnit, Line};
use tickover_framing::Instant;
use tickover_framing::can::Frame;
use tickover_framing::contract::{Act, Tag, Wire};
use tickover_framing::isotp::{FlowControl, FlowStatus, OwnedPdu, Path, Pdu, SeparationTime};

use crate::machine::Session;
use crate::start::Width;

/// Beyond those of any lane.
const TAG: Tag = Tag(0xFF00);
/// ISO 15765-4 6.3.1.2: so many units are on a bus.
const UNITS: usize = 8;

/// What is owed to them.
#[derive(Debug, Default)]
pub(crate) struct Bystanders {
    /// Answers to the last request to all begin until then.
    until: Option<Instant>,
    pub(crate) waiting: VecDeque<Act>,
}

impl Session {
    /// Until when answers to the last request to all may begin.
    pub(crate) fn asked_all(&mut self, until: Instant) {
        self.bystanders.until = Some(until);
    }

    /// Gives flow control to a unit that answers though no lane waits for it.
    pub(crate) fn serve_bystander(&mut self, end: Instant, frame: &Frame) {
        if self.bystanders.until.is_none_or(|until| end > until) || self.bystanders.waiting.len() >= UNITS {
            return;
        }
        // Most frames are no first frames: nothing is looked up for them.
        if frame.data.as_slice().first().is_none_or(|control| control >> 4 != 1) {
            return;
        }
        let Some(unit) = self.asks_all_of() else { return };
        let path = unit.functional.and_then(|all| Width::standard(all)?.path(frame.id));
        let Some(Path { request, response }) = path.filter(|path| !self.is_asked_by_a_lane(path)) else { return };
        if let Ok(Pdu::First { .. }) = Pdu::parse(frame.data.as_slice(), response, &unit.line.frames) {
            let go_on = FlowControl { status: FlowStatus::CONTINUE, block_size: 0, st_min: SeparationTime(0) };
            let frame = OwnedPdu::FlowControl(go_on).emit(request, &unit.line.frames);
            self.bystanders.waiting.extend(frame.map(|frame| Act::Transmit { tag: TAG, wire: Wire::Frame(frame) }));
        }
    }

    /// The first unit with an address for all.
    pub(crate) fn asks_all_of(&self) -> Option<CanUnit> {
        self.conversations().find_map(|conversation| match conversation.line_as_found()? {
            Line::Can(Can { unit: Some(unit), .. }) if unit.functional.is_some() => Some(unit),
            _ => None,
        })
    }

    /// A lane with a request under way gives flow control by itself.
    fn is_asked_by_a_lane(&self, path: &Path) -> bool {
        self.conversations().filter(|conversation| conversation.is_asking()).any(|conversation| {
            match conversation.line_as_found() {
                Some(Line::Can(Can { unit: Some(unit), .. })) => unit.path.response.id() == path.response.id(),
                _ => false,
            }
        })
    }
}
