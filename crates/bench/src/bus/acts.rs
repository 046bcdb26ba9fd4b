//! What a participant does to the bus: sending and changing its speed.

use tickover_framing::contract::{Act, Input, Level, Lost, Output, Speed, Wire};

use super::wire::Rates;
use super::{Bus, Station, Who};

impl<S: Station> Bus<S> {
    /// Does what a participant wants. `None`: its frame waits, and the report comes once it has been sent.
    pub(super) fn obey(&mut self, who: Who, act: &Act) -> Option<Input<'static>> {
        let at = self.now;
        match *act {
            Act::Transmit { tag, wire: Wire::Frame(frame) } => {
                let fd = matches!(frame.kind, tickover_framing::can::FrameKind::Fd { .. });
                let node = self.node_mut(who)?;
                if fd && node.rates.data_rate.is_none() {
                    return Some(Input::Lost { at, cause: Lost::Refused });
                }
                let full_for = self.faults.on_put(at, who, frame);
                let node = self.node_mut(who)?;
                if let Some(full_for) = full_for {
                    node.close_queue_until(at.after(full_for));
                }
                node.put(at, tag, frame);
                None
            }
            Act::Transmit { wire: Wire::Bytes(_), .. } => Some(Input::Lost { at, cause: Lost::Refused }),
            // A bus has no level that could be held.
            Act::Line { .. } => Some(Input::LineIs { at, level: Level::High }),
            Act::Speed(wanted) => Some(Input::SpeedIs { at, got: self.set_speed(who, wanted) }),
        }
    }

    fn set_speed(&mut self, who: Who, wanted: Speed) -> Option<Speed> {
        let wanted = if who == Who::Tester { self.tester_always.unwrap_or(wanted) } else { wanted };
        let rates = Rates::of(wanted)?;
        self.restart(who, rates);
        Some(rates.speed())
    }

    /// A controller starts afresh; what it was sending breaks off.
    pub(super) fn restart(&mut self, who: Who, rates: Rates) {
        if let Some(running) = &mut self.running {
            running.senders.retain(|sender| *sender != who);
            running.spoiled |= running.senders.is_empty();
        }
        if who == Who::Tester && !self.bystander {
            self.talker.restart(rates);
        }
        if let Some(node) = self.node_mut(who) {
            node.restart(rates);
        }
    }

    /// Obeys a station until it waits.
    pub(super) fn settle(&mut self, place: usize) {
        let who = Who::Unit(place as u8);
        while let Some((unit, node)) = self.units.get_mut(place) {
            match unit.poll() {
                Output::Act(act) => {
                    let report = self.obey(who, &act);
                    if let Some(report) = report
                        && let Some((unit, _)) = self.units.get_mut(place)
                    {
                        unit.handle(report);
                    }
                }
                Output::WaitUntil { at, .. } => {
                    node.deadline = Some(at);
                    return;
                }
                Output::Idle => {
                    node.deadline = None;
                    return;
                }
            }
        }
    }
}
