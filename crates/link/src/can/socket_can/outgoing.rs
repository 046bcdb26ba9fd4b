//! Frames on their way out: waiting for room in the interface's queue, then for their confirmation.
//!
//! The kernel confirms a frame by handing it back; which one it was shows in its content. Frames with one
//! identifier keep their order, so a confirmation also tells that earlier ones with its identifier never come.

use std::collections::VecDeque;
use std::time::Duration;

use tickover_framing::Instant;
use tickover_framing::can::{Frame, Id};
use tickover_framing::contract::Tag;

/// A frame that was given to us to send.
#[derive(Clone, Copy, PartialEq, Eq, Debug)]
pub(super) struct Given {
    pub(super) tag: Tag,
    pub(super) frame: Frame,
    /// When it was handed over; when it was written, once it was.
    pub(super) at: Instant,
}

#[derive(Clone, Default, Debug)]
pub(super) struct Outgoing {
    waiting: VecDeque<Given>,
    written: VecDeque<Given>,
}

impl Outgoing {
    /// More frames than any interface's queue and controller hold.
    const MOST: usize = 1024;

    /// A frame that is not out after this meets nobody who waits for it (N_As, ISO 15765-2:2016 table 21), and says
    /// what was true then.
    const STALE: Duration = Duration::from_secs(1);

    /// Takes a frame in. If too many wait already, the oldest is never sent.
    pub(super) fn give(&mut self, given: Given) {
        if self.waiting.len() == Self::MOST {
            self.waiting.pop_front();
        }
        self.waiting.push_back(given);
    }

    /// Forgets frames that have waited for too long: their confirmation never comes.
    pub(super) fn forget_stale(&mut self, now: Instant) {
        while self.waiting.pop_front_if(|given| now.since(given.at) > Self::STALE).is_some() {}
    }

    pub(super) fn is_waiting(&self) -> bool {
        !self.waiting.is_empty()
    }

    /// The frame to write next.
    pub(super) fn next(&self) -> Option<&Frame> {
        self.waiting.front().map(|given| &given.frame)
    }

    /// The next frame was written.
    pub(super) fn wrote(&mut self, at: Instant) {
        let Some(given) = self.waiting.pop_front() else { return };
        if self.written.len() == Self::MOST {
            // Never confirmed, and nobody waits for it any more.
            self.written.pop_front();
        }
        self.written.push_back(Given { at, ..given });
    }

    /// Whose confirmation this frame is, if it is one.
    pub(super) fn confirm(&mut self, frame: &Frame) -> Option<Given> {
        let place = self.written.iter().position(|given| given.frame == *frame)?;
        let confirmed = self.written.remove(place)?;
        let mut index = 0;
        self.written.retain(|given| {
            let earlier = index < place;
            index += 1;
            !(earlier && given.frame.id == frame.id)
        });
        Some(confirmed)
    }

    /// The connection has ended: nothing given before it is sent or confirmed after it.
    pub(super) fn clear(&mut self) {
        self.waiting.clear();
        self.written.clear();
    }
}

/// The identifiers that we send with: the kernel's filters must let our own frames back.
#[derive(Clone, Default, Debug)]
pub(super) struct Ours(Vec<Id>);

impl Ours {
    /// `true` if it is a new one.
    pub(super) fn insert(&mut self, id: Id) -> bool {
        let place = self.0.binary_search(&id);
        if let Err(place) = place {
            self.0.insert(place, id);
        }
        place.is_err()
    }

    pub(super) fn ids(&self) -> &[Id] {
        &self.0
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn frame(id: u16, byte: u8) -> Frame {
        Frame::classic(Id::Standard(id), &[byte]).unwrap()
    }

    fn written(frames: &[(u16, Frame)]) -> Outgoing {
        let mut outgoing = Outgoing::default();
        for (tag, frame) in frames {
            outgoing.give(Given { tag: Tag(*tag), frame: *frame, at: Instant::ORIGIN });
            outgoing.wrote(Instant::ORIGIN);
        }
        outgoing
    }

    fn tag(outgoing: &mut Outgoing, frame: Frame) -> Option<u16> {
        outgoing.confirm(&frame).map(|given| given.tag.0)
    }

    #[test]
    fn equal_frames_are_confirmed_in_the_order_they_were_written() {
        let mut outgoing = written(&[(1, frame(0x7E0, 1)), (2, frame(0x7E0, 1))]);
        assert_eq!(tag(&mut outgoing, frame(0x7E0, 1)), Some(1));
        assert_eq!(tag(&mut outgoing, frame(0x7E0, 1)), Some(2));
        assert_eq!(tag(&mut outgoing, frame(0x7E0, 1)), None);
    }

    #[test]
    fn a_confirmation_ends_the_wait_for_earlier_frames_of_its_identifier_alone() {
        let mut outgoing = written(&[(1, frame(0x7E0, 1)), (2, frame(0x7E1, 1)), (3, frame(0x7E0, 2))]);
        assert_eq!(tag(&mut outgoing, frame(0x7E0, 2)), Some(3));
        assert_eq!(tag(&mut outgoing, frame(0x7E0, 1)), None, "it was lost");
        assert_eq!(tag(&mut outgoing, frame(0x7E1, 1)), Some(2));
    }

    #[test]
    fn frames_that_nobody_confirms_take_bounded_memory() {
        let mut outgoing = written(&vec![(1, frame(0x7E0, 1)); 3 * Outgoing::MOST]);
        assert_eq!(outgoing.written.len(), Outgoing::MOST);
        let given = |tag| Given { tag: Tag(tag), frame: frame(0x7E0, 1), at: Instant::ORIGIN };
        (0..3 * Outgoing::MOST).for_each(|tag| outgoing.give(given(tag as u16)));
        assert_eq!(outgoing.waiting.len(), Outgoing::MOST);
        assert_eq!(outgoing.waiting.front(), Some(&given(2 * Outgoing::MOST as u16)), "the oldest are not sent");
    }

    /// ISO 15765-2:2016 table 21: N_As, 1000 ms.
    #[test]
    fn a_frame_that_found_no_room_for_too_long_is_not_sent_late() {
        let mut outgoing = Outgoing::default();
        let at = |ms: u64| Instant::from_nanos(ms * 1_000_000);
        for (tag, ms) in [(1, 0), (2, 500)] {
            outgoing.give(Given { tag: Tag(tag), frame: frame(0x7E0, 1), at: at(ms) });
        }
        outgoing.forget_stale(at(1_000));
        assert_eq!(outgoing.waiting.len(), 2);
        outgoing.forget_stale(at(1_001));
        assert_eq!(outgoing.waiting.front().map(|given| given.tag), Some(Tag(2)));
    }

    #[test]
    fn an_identifier_is_new_once_and_its_width_counts() {
        let mut ours = Ours::default();
        assert!(ours.insert(Id::Standard(0x123)));
        assert!(ours.insert(Id::Extended(0x123)));
        assert!(!ours.insert(Id::Standard(0x123)));
        assert_eq!(ours.ids().len(), 2);
    }
}
