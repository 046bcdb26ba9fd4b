//! Stations on a bus that stands already: an interface of the kernel, an adapter, a server, any port of the link crate.

use std::collections::VecDeque;
use std::io;
use std::sync::Arc;
use std::sync::atomic::{AtomicBool, Ordering};

use tickover_framing::can::Frame;
use tickover_framing::contract::{Act, Input, Known, Lost, Output, Speed, Tag, Wire};
use tickover_framing::drive::Woke;
use tickover_framing::time::{Instant, earliest};
use tickover_link::LivePort;

use super::Stopper;
use crate::bus::Station;

/// Stations that share one port as their place on a bus: each hears what the others and everybody else send.
///
/// The bus is as it is: its rate is asked for and not judged, its errors reach the stations.
#[derive(Debug)]
pub struct Guests<S, P> {
    port: P,
    speed: Option<Speed>,
    places: Vec<Place<S>>,
    under_way: VecDeque<UnderWay>,
    next_tag: u16,
    stopped: Arc<AtomicBool>,
}

#[derive(Debug)]
struct Place<S> {
    station: S,
    deadline: Option<Instant>,
}

/// A frame that was handed over and has no report yet.
#[derive(Debug)]
struct UnderWay {
    tag: Tag,
    by: usize,
    by_tag: Tag,
    frame: Frame,
}

impl<S: Station, P: LivePort> Guests<S, P> {
    /// Takes a port for these stations and asks it for their speed.
    ///
    /// # Errors
    /// What the port says if it is gone or refuses.
    pub fn new(mut port: P, speed: Speed, stations: impl IntoIterator<Item = S>) -> io::Result<Self> {
        let speed = match port.act(&Act::Speed(speed)) {
            Some(Input::SpeedIs { got, .. }) => got,
            Some(Input::Lost { cause, .. }) => return Err(lost(&port, cause)),
            _ => None,
        };
        let places = stations.into_iter().map(|station| Place { station, deadline: None }).collect();
        Ok(Self { port, speed, places, under_way: VecDeque::new(), next_tag: 0, stopped: Arc::default() })
    }

    /// What the bus runs at, if the port tells.
    pub const fn speed(&self) -> Option<Speed> {
        self.speed
    }

    /// Ends [`run`](Self::run) from elsewhere.
    pub fn stopper(&self) -> Stopper {
        Stopper::ringing(Arc::clone(&self.stopped), self.port.waker())
    }

    /// The stations, in their order.
    pub fn stations_mut(&mut self) -> impl Iterator<Item = &mut S> {
        self.places.iter_mut().map(|place| &mut place.station)
    }

    /// Drives the stations until it is stopped. `on` is called after every turn.
    ///
    /// # Errors
    /// The port is gone, or refuses what a station sends.
    pub fn run(&mut self, mut on: impl FnMut(&mut Self)) -> io::Result<()> {
        loop {
            self.settle()?;
            on(self);
            let due = self.places.iter().fold(None, |due, place| earliest(due, place.deadline));
            match self.port.wait(due, &mut [0; 256]) {
                Woke::Frame { end, frame } => self.hear(end, &frame, None),
                Woke::Sent { tag, start, end } => self.report(tag, start, end, Known::Measured),
                Woke::Bus { at, condition } => {
                    self.places.iter_mut().for_each(|place| place.station.handle(Input::Bus { at, condition }));
                }
                Woke::Deadline { now } => self.pass(now),
                Woke::Command if self.stopped.load(Ordering::Acquire) => return Ok(()),
                Woke::Command | Woke::Bytes { .. } | Woke::Edge { .. } => {}
                Woke::Lost { cause, .. } => return Err(lost(&self.port, cause)),
            }
        }
    }

    fn pass(&mut self, now: Instant) {
        for place in self.places.iter_mut().filter(|place| place.deadline.is_some_and(|at| at <= now)) {
            place.deadline = None;
            place.station.handle(Input::Timeout { now });
        }
    }

    /// Obeys the stations until all of them wait: what one sends may be heard by another at once.
    fn settle(&mut self) -> io::Result<()> {
        let mut acted = true;
        while std::mem::take(&mut acted) {
            for by in 0..self.places.len() {
                while let Some(place) = self.places.get_mut(by) {
                    place.deadline = match place.station.poll() {
                        Output::Act(act) => {
                            acted = true;
                            self.obey(by, act)?;
                            continue;
                        }
                        Output::WaitUntil { at, .. } => Some(at),
                        Output::Idle => None,
                    };
                    break;
                }
            }
        }
        Ok(())
    }

    fn obey(&mut self, by: usize, act: Act) -> io::Result<()> {
        let at = self.port.now();
        let report = match act {
            Act::Transmit { tag: by_tag, wire: Wire::Frame(frame) } => {
                let tag = Tag(self.next_tag);
                self.next_tag = self.next_tag.wrapping_add(1);
                self.under_way.push_back(UnderWay { tag, by, by_tag, frame });
                self.port.act(&Act::Transmit { tag, wire: Wire::Frame(frame) })
            }
            // The bus is not one station's to change.
            Act::Speed(_) => Some(Input::SpeedIs { at, got: self.speed }),
            other => self.port.act(&other),
        };
        match report {
            Some(Input::Sent { tag, start, end, known }) => self.report(tag, start, end, known),
            Some(Input::Lost { cause, .. }) => return Err(lost(&self.port, cause)),
            Some(report) => self.places.get_mut(by).into_iter().for_each(|place| place.station.handle(report)),
            None => {}
        }
        Ok(())
    }

    /// The sender has its report, the others hear the frame.
    fn report(&mut self, tag: Tag, start: Instant, end: Instant, known: Known) {
        let place = self.under_way.iter().position(|sent| sent.tag == tag);
        let Some(UnderWay { by, by_tag, frame, .. }) = place.and_then(|place| self.under_way.remove(place)) else {
            return;
        };
        if let Some(place) = self.places.get_mut(by) {
            place.station.handle(Input::Sent { tag: by_tag, start, end, known });
        }
        self.hear(end.min(self.port.now()), &frame, Some(by));
    }

    fn hear(&mut self, end: Instant, frame: &Frame, but: Option<usize>) {
        let others = self.places.iter_mut().enumerate().filter(|(place, _)| Some(*place) != but);
        others.for_each(|(_, place)| place.station.handle(Input::Frame { end, frame }));
    }
}

fn lost(port: &impl LivePort, cause: Lost) -> io::Error {
    let what = match cause {
        Lost::Gone => "is gone",
        Lost::Refused => "refused what a unit asked of it",
        Lost::Stopped => "was closed",
    };
    io::Error::new(io::ErrorKind::NotConnected, format!("{} {what}", port.description().name))
}
