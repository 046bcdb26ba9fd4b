//! Frames on the bus: who wins, who hears, and what becomes of those that nobody can read.

use tickover_framing::can::{Condition, Frame};
use tickover_framing::contract::{Input, Known, Tag};
use tickover_framing::drive::Woke;
use tickover_framing::time::Instant;

use super::fault::Strike;
use super::load::Passed;
use super::wire::{Running, priority};
use super::{Bus, Station, Who};

/// An error flag of up to 12 bits and its delimiter of 8 (ISO 11898-1:2015 10.4.4).
const ERROR_BITS: u64 = 20;
/// What a passive sender leaves to the others after its frame (ISO 11898-1:2015 10.4.6.4).
const SUSPENDED_BITS: u64 = 8;

/// What became of a frame.
#[derive(Clone, Copy, PartialEq, Eq, Debug)]
enum Fate {
    Arrived,
    Destroyed,
    Unheard,
}

impl<S: Station> Bus<S> {
    /// When the next frame starts.
    pub(super) fn start_due(&self) -> Option<Instant> {
        if self.running.is_some() {
            return None;
        }
        self.everybody().filter_map(|(_, node)| node.wants_from()).min().map(|at| at.max(self.free_from))
    }

    /// Of all that want to send now, the smallest arbitration field wins.
    pub(super) fn start_frame(&mut self) {
        let now = self.now;
        let wanted = || {
            let ready = self.everybody().filter(|(_, node)| node.wants_from().is_some_and(|at| at <= now));
            ready.filter_map(|(who, node)| Some((who, node.next()?.frame, node.rates)))
        };
        let Some((_, frame, rates)) = wanted().min_by_key(|(_, frame, _)| priority(frame)) else { return };
        let winners = || wanted().filter(|(_, other, _)| priority(other) == priority(&frame));
        let senders = winners().map(|(who, ..)| who).collect();
        let spoiled = winners().any(|(_, other, other_rates)| other != frame || other_rates != rates);
        let end = now.after(rates.frame(&frame));
        self.running = Some(Running { senders, frame, rates, start: now, end, spoiled });
    }

    pub(super) fn end_frame(&mut self) {
        let Some(mut running) = self.running.take() else { return };
        let fate = self.fate(&running);
        self.free_from = self.now;
        if fate != Fate::Arrived {
            self.free_from = self.now.after(running.rates.bits(ERROR_BITS));
            running.end = self.free_from;
        }
        self.note(&running, fate);
        match fate {
            Fate::Arrived => self.arrive(&running),
            Fate::Destroyed => self.destroy(&running),
            Fate::Unheard => self.go_unheard(&running),
        }
    }

    fn fate(&mut self, running: &Running) -> Fate {
        let frame = running.frame;
        let others = self.everybody().filter(|(who, node)| !running.senders.contains(who) && !node.counters.is_off());
        let (mut disturbed, mut acknowledged) = (false, false);
        for (who, node) in others {
            if node.rates.listen_only || !self.attends(who) {
                continue;
            }
            if node.rates.read(&frame, running.rates) {
                acknowledged = true;
            } else {
                disturbed |= !node.counters.is_passive();
            }
        }
        let struck = running.senders.first().is_some_and(|who| self.faults.destroys(self.now, *who, frame));
        match () {
            () if running.spoiled || disturbed || struck => Fate::Destroyed,
            () if !acknowledged => Fate::Unheard,
            () => Fate::Arrived,
        }
    }

    fn note(&mut self, running: &Running, fate: Fate) {
        self.load.busy += running.end.since(running.start.max(self.load.since));
        match fate {
            Fate::Arrived => self.load.frames += 1,
            Fate::Destroyed | Fate::Unheard => self.load.failed += 1,
        }
        if self.keep_passed > 0 {
            if self.passed.len() >= self.keep_passed {
                self.passed.pop_front();
            }
            let Running { start, end, frame, .. } = *running;
            let from = running.senders.first().copied().unwrap_or(Who::Talker);
            self.passed.push_back(Passed { start, end, from, frame, arrived: fate == Fate::Arrived });
        }
    }

    /// The senders have their report, then everybody else hears it.
    fn arrive(&mut self, running: &Running) {
        for who in &running.senders {
            self.leave_room_after_own(*who);
            let Some(node) = self.node_mut(*who) else { continue };
            node.counters.sent();
            let sent = node.take_next();
            self.tell_news(*who);
            if let Some(sent) = sent {
                self.report_sent(*who, sent.tag, running);
            }
        }
        for who in self.listeners(running) {
            let Some(node) = self.node_mut(who) else { continue };
            if node.rates.read(&running.frame, running.rates) {
                node.counters.received();
                self.tell_news(who);
                self.hear(who, running.frame);
            } else {
                self.miss(who, true);
            }
        }
    }

    /// An error flag: all see it, whoever could not read the frame first.
    fn destroy(&mut self, running: &Running) {
        for who in &running.senders {
            self.fail(*who, Condition::Error);
        }
        for who in self.listeners(running) {
            let reads = self.node(who).is_some_and(|node| node.rates.read(&running.frame, running.rates));
            self.miss(who, !reads);
        }
    }

    fn go_unheard(&mut self, running: &Running) {
        for who in &running.senders {
            let Some(node) = self.node_mut(*who) else { continue };
            let news = node.next_mut().is_some_and(|waiting| !std::mem::replace(&mut waiting.unheard, true));
            if news {
                self.tell(*who, Condition::NoAcknowledge);
            }
            // 12.1.4.2 c, exception 1: whoever is passive and alone does not switch itself off.
            let counts = self.node(*who).is_some_and(|node| !node.counters.is_passive());
            self.leave_room_after_own(*who);
            if counts {
                self.count_failure(*who);
            }
        }
        for who in self.listeners(running) {
            self.miss(who, false);
        }
    }

    /// Everybody but the senders, as far as their controllers are on, stations first.
    fn listeners(&self, running: &Running) -> Vec<Who> {
        let others = self.everybody().filter(|(who, node)| !running.senders.contains(who) && !node.counters.is_off());
        others.map(|(who, _)| who).filter(|who| self.attends(*who)).collect()
    }

    /// The second talker does not listen, unless he stands by.
    fn attends(&self, who: Who) -> bool {
        who != Who::Talker || self.bystander
    }

    fn fail(&mut self, who: Who, condition: Condition) {
        self.tell(who, condition);
        self.leave_room_after_own(who);
        self.count_failure(who);
    }

    fn count_failure(&mut self, who: Who) {
        if let Some(node) = self.node_mut(who) {
            node.counters.failed_sending();
        }
        self.tell_news(who);
    }

    fn leave_room_after_own(&mut self, who: Who) {
        let free_from = self.free_from;
        if let Some(node) = self.node_mut(who)
            && node.counters.is_passive()
        {
            node.held_back_until = free_from.after(node.rates.bits(SUSPENDED_BITS));
        }
    }

    /// A listener hears an error instead of a frame.
    fn miss(&mut self, who: Who, saw_it_first: bool) {
        self.tell(who, Condition::Error);
        if let Some(node) = self.node_mut(who)
            && !node.rates.listen_only
        {
            node.counters.failed_receiving(saw_it_first);
        }
        self.tell_news(who);
    }

    fn tell_news(&mut self, who: Who) {
        let now = self.now;
        let Some(node) = self.node_mut(who) else { return };
        let Some(news) = node.counters.news() else { return };
        if news == Condition::Off {
            node.switch_off(now);
        }
        self.tell(who, news);
    }

    /// A frame that `who` could read, with what strikes it on the way from the controller.
    fn hear(&mut self, who: Who, frame: Frame) {
        let now = self.now;
        let strike = self.faults.on_heard(now, who, frame);
        let Some(node) = self.node_mut(who) else { return };
        match strike {
            Some(Strike::Lose) => return,
            Some(Strike::Overrun) => return self.tell(who, Condition::Overrun),
            Some(Strike::Overtake) => return node.inbox.put_overtaken(now, frame),
            Some(Strike::Late(by)) => return node.inbox.put(now.after(by), frame),
            Some(Strike::Repeat) => {
                node.inbox.put(now, frame);
                node.inbox.put(now, frame);
            }
            _ if node.inbox.is_empty() => return self.hand(who, frame),
            _ => node.inbox.put(now, frame),
        }
        while let Some(frame) = self.node_mut(who).and_then(|node| node.inbox.take(now)) {
            self.hand(who, frame);
        }
    }

    /// Hands a frame to whoever listens.
    pub(super) fn hand(&mut self, who: Who, frame: Frame) {
        let end = self.now;
        match who {
            Who::Tester => {
                let wanted = self.wanted.as_ref();
                if wanted.is_none_or(|wanted| wanted.iter().any(|filter| filter.takes(frame.id))) {
                    self.told.push_back(Woke::Frame { end, frame });
                }
            }
            Who::Unit(place) => self.hand_unit(place, Input::Frame { end, frame: &frame }),
            Who::Talker => {}
        }
    }

    pub(super) fn tell(&mut self, who: Who, condition: Condition) {
        let at = self.now;
        match who {
            Who::Tester => self.told.push_back(Woke::Bus { at, condition }),
            Who::Unit(place) => self.hand_unit(place, Input::Bus { at, condition }),
            Who::Talker => {}
        }
    }

    fn report_sent(&mut self, who: Who, tag: Tag, running: &Running) {
        let (start, end) = (running.start, running.end);
        match who {
            Who::Tester => self.told.push_back(Woke::Sent { tag, start, end }),
            Who::Unit(place) => self.hand_unit(place, Input::Sent { tag, start, end, known: Known::Measured }),
            Who::Talker => {}
        }
    }

    fn hand_unit(&mut self, place: u8, input: Input<'_>) {
        let place = usize::from(place);
        if let Some((unit, _)) = self.units.get_mut(place) {
            unit.handle(input);
            self.settle(place);
        }
    }

    /// The second talker's time has come.
    pub(super) fn talk(&mut self) {
        let busy = self.talker.waiting() > 1;
        if let Some(frame) = self.faults.talk(self.now, busy) {
            self.talker.put(self.now, Tag(0), frame);
        }
    }
}
