//! What reaches the stations and the tester, and what strikes it on the way.

use tickover_framing::contract::{Input, Level, Output};
use tickover_framing::drive::Woke;

use super::Line;
use super::fault::Strike;
use crate::station::{Station, Who};

impl<S: Station> Line<S> {
    /// A character that ended, for everyone who hears whole characters.
    pub(super) fn deliver_sent(&mut self, from: Who, byte: u8, buffer: &mut [u8]) -> Option<Woke> {
        for place in 0..self.units.len() {
            let who = Who::Unit(place as u8);
            let hears =
                self.units.get(place).is_some_and(|(_, end)| !end.ear.is_sampling() && end.ear.deaf_to != Some(from));
            if hears {
                self.deliver_to(who, byte, buffer);
            }
        }
        let hears = !self.tester.ear.is_sampling() && self.tester.ear.deaf_to != Some(from);
        if hears { self.deliver_to(Who::Tester, byte, buffer) } else { None }
    }

    /// One character for one listener, with what strikes it.
    pub(super) fn deliver_to(&mut self, who: Who, byte: u8, buffer: &mut [u8]) -> Option<Woke> {
        let end = self.now;
        let mut heard = [byte, 0];
        let count = match self.faults.on_heard(end, who, byte) {
            Some(Strike::Flip(bits)) => {
                heard = [byte ^ bits, 0];
                1
            }
            Some(Strike::Lose) => return None,
            Some(Strike::Extra(extra)) => {
                heard = [byte, extra];
                2
            }
            _ => 1,
        };
        let bytes = heard.get(..count)?;
        match who {
            Who::Unit(place) => {
                let place = usize::from(place);
                self.units.get_mut(place)?.0.handle(Input::Bytes { end, bytes });
                self.settle(place);
                None
            }
            _ => {
                for byte in bytes.iter().filter(|_| self.keep_heard > 0) {
                    self.heard.truncate(self.keep_heard - 1);
                    self.heard.push_front((end, *byte));
                }
                let len = bytes.len().min(buffer.len());
                buffer.get_mut(..len)?.copy_from_slice(bytes.get(..len)?);
                Some(Woke::Bytes { end, len })
            }
        }
    }

    pub(super) fn deliver_edge(&mut self, by: Who, level: Level) -> Option<Woke> {
        let at = self.now;
        for place in 0..self.units.len() {
            if by != Who::Unit(place as u8)
                && let Some((unit, _)) = self.units.get_mut(place)
            {
                unit.handle(Input::Edge { at, level });
                self.settle(place);
            }
        }
        (by != Who::Tester).then_some(Woke::Edge { at, level })
    }

    /// Obeys a station until it waits.
    pub(super) fn settle(&mut self, place: usize) {
        let who = Who::Unit(place as u8);
        while let Some((unit, end)) = self.units.get_mut(place) {
            match unit.poll() {
                Output::Act(act) => {
                    let report = self.obey(who, &act);
                    if let Some((unit, _)) = self.units.get_mut(place) {
                        unit.handle(report);
                    }
                }
                Output::WaitUntil { at, .. } => {
                    end.deadline = Some(at);
                    return;
                }
                Output::Idle => {
                    end.deadline = None;
                    return;
                }
            }
        }
    }
}
