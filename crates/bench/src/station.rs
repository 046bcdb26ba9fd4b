//! What stands on a line or a bus beside the tester.

use core::convert::Infallible;

use tickover_framing::contract::{Input, Machine, Output};

/// Who is on the line or the bus.
#[derive(Clone, Copy, PartialEq, Eq, Hash, Debug)]
pub enum Who {
    /// The tester: the machine behind the port.
    Tester,
    /// A control unit, by its place on the line.
    Unit(u8),
    /// The second talker, who asks nobody.
    Talker,
}

/// A participant beside the tester. Its events are its own; the line or the bus obeys its acts and deadlines.
pub trait Station {
    /// Takes one input.
    fn handle(&mut self, input: Input<'_>);
    /// The next act, or what it waits for.
    fn poll(&mut self) -> Output<Infallible>;
    /// Whether its own characters come back to it. On a bus none do.
    fn hears_itself(&self) -> bool {
        false
    }
}

impl<S: Station + ?Sized> Station for Box<S> {
    fn handle(&mut self, input: Input<'_>) {
        (**self).handle(input);
    }

    fn poll(&mut self) -> Output<Infallible> {
        (**self).poll()
    }

    fn hears_itself(&self) -> bool {
        (**self).hears_itself()
    }
}

/// Any machine as a station: its events are collected for whoever reads them.
#[derive(Debug)]
pub struct Collecting<M: Machine> {
    /// The machine.
    pub machine: M,
    /// What it told, first first.
    pub events: Vec<M::Event>,
    /// Whether its own characters come back to it. On a bus none do.
    pub hears_itself: bool,
}

impl<M: Machine> Collecting<M> {
    /// A station without echo.
    pub const fn new(machine: M) -> Self {
        Self { machine, events: Vec::new(), hears_itself: false }
    }
}

impl<M: Machine> Station for Collecting<M> {
    fn handle(&mut self, input: Input<'_>) {
        self.machine.handle(input);
    }

    fn poll(&mut self) -> Output<Infallible> {
        loop {
            return match self.machine.poll_output() {
                Output::Event(event) => {
                    self.events.push(event);
                    continue;
                }
                Output::Act(act) => Output::Act(act),
                Output::WaitUntil { at, why } => Output::WaitUntil { at, why },
                Output::Idle => Output::Idle,
            };
        }
    }

    fn hears_itself(&self) -> bool {
        self.hears_itself
    }
}
