//! What a station does to the line: sending, holding a level, changing its speed.

use tickover_framing::contract::{Act, Chunk, Input, Known, Level, Lost, Speed, Tag, Wire};
use tickover_framing::time::Instant;

use super::wire::{Hold, Sending, Shape};
use super::{End, Line};
use crate::station::{Station, Who};

impl<S: Station> Line<S> {
    fn end_of(&mut self, who: Who) -> &mut End {
        match who {
            Who::Unit(place) => self.units.get_mut(usize::from(place)).map_or(&mut self.tester, |(_, end)| end),
            _ => &mut self.tester,
        }
    }

    pub(super) fn obey(&mut self, who: Who, act: &Act) -> Input<'static> {
        match *act {
            Act::Transmit { tag, wire: Wire::Bytes(chunk) } => self.transmit(who, tag, chunk),
            Act::Transmit { wire: Wire::Frame(_), .. } => Input::Lost { at: self.now, cause: Lost::Refused },
            Act::Line { level, .. } => self.hold(who, level),
            Act::Speed(speed) => self.set_speed(who, speed),
        }
    }

    fn transmit(&mut self, who: Who, tag: Tag, chunk: Chunk) -> Input<'static> {
        let now = self.now;
        let end = self.end_of(who);
        let (start, shape) = (end.free.max(now), end.ear.shape);
        let mut sending = Sending::new(who, shape, start, chunk);
        if let Some((index, by)) = self.faults.on_sent(start, who, chunk.as_slice()) {
            sending.delay(index, by);
        }
        let (start, end) = (sending.char_start(0), sending.end());
        self.end_of(who).free = end;
        self.put(sending);
        Input::Sent { tag, start, end, known: Known::Computed }
    }

    /// On the wire with it: whoever does not hear it cleanly samples from now on.
    pub(super) fn put(&mut self, sending: Sending) {
        if sending.chunk.as_slice().is_empty() {
            return;
        }
        let (start, end) = (sending.char_start(0), sending.end());
        let other = self.wire.sendings.iter().filter(|s| !s.is_over() && s.from != sending.from);
        let overlapped = other.filter(|s| s.char_start(s.next) < end && start < s.end());
        let mut sample_from = overlapped.map(|s| s.char_start(s.next)).min();
        if sample_from.is_some() {
            self.faults.counts.collided += 1;
        }
        if self.wire.holds.iter().any(|h| h.by != sending.from && h.until.is_none_or(|until| start < until)) {
            sample_from = Some(sample_from.map_or(start, |at| at.min(start)));
        }
        let sample_from = sample_from.map(|at| at.min(start));
        let ends = self.units.iter_mut().map(|(_, end)| end).chain([&mut self.tester]);
        for ear in ends.map(|end| &mut end.ear) {
            if let Some(from) = sample_from {
                ear.sample_from(from);
            } else if ear.shape != sending.shape && ear.deaf_to != Some(sending.from) {
                ear.sample_from(start);
            }
        }
        self.wire.sendings.push(sending);
    }

    fn hold(&mut self, who: Who, level: Level) -> Input<'static> {
        let at = self.now;
        if who != Who::Tester || self.reach.pulse {
            let before = self.wire.holds.iter().any(|h| h.until.is_none());
            match level {
                Level::Low => self.wire.holds.push(Hold { by: who, since: at, until: None }),
                Level::High => {
                    for hold in self.wire.holds.iter_mut().filter(|h| h.by == who && h.until.is_none()) {
                        hold.until = Some(at);
                    }
                }
            }
            let after = self.wire.holds.iter().any(|h| h.until.is_none());
            if before != after {
                self.edges.push_back((who, level));
            }
            if level == Level::Low {
                self.sample_hold(at);
            }
            self.tidy();
        }
        Input::LineIs { at, level }
    }

    /// A level held low spoils what is being sent; and it may be read as 00.
    fn sample_hold(&mut self, at: Instant) {
        let spoiled = self.wire.sendings.iter().filter(|s| !s.is_over()).map(|s| s.char_start(s.next).min(at)).min();
        if let Some(from) = spoiled {
            let ends = self.units.iter_mut().map(|(_, end)| end).chain([&mut self.tester]);
            ends.for_each(|end| end.ear.sample_from(from));
        } else if self.breaks_read_as_bytes && self.echoes {
            self.tester.ear.sample_from(at);
        }
    }

    fn set_speed(&mut self, who: Who, wanted: Speed) -> Input<'static> {
        let at = self.now;
        let always = if who == Who::Tester { self.tester_always } else { None };
        let made = Shape::of(wanted).map(|shape| Shape { baud: always.unwrap_or(shape.baud), ..shape });
        if let Some(shape) = made {
            let running = self.wire.sendings.iter().filter(|s| !s.is_over() && s.shape != shape);
            let from = running.filter(|s| s.from != who).map(|s| s.char_start(s.next)).min();
            let ear = &mut self.end_of(who).ear;
            ear.shape = shape;
            if let Some(from) = from {
                ear.sample_from(from);
            }
        }
        Input::SpeedIs { at, got: made.map(Shape::speed) }
    }
}
