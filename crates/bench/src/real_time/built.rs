//! Simulated units before they are put on a line.

use tickover_defs::compiled::Line as DefinitionLine;
use tickover_framing::contract::Speed;
use tickover_framing::transport::Reach;
use tickover_link::{Clock, Kind, LivePort};

use super::port::Ledger;
use super::{BenchError, BenchUnit, Guests};
use crate::bus::Bus;
use crate::line::Line;
use crate::unit::{Options, Simulated};

/// Units for one line.
pub(super) struct Built {
    simulated: Vec<Simulated>,
    /// The first unit's definition.
    id: String,
    /// Bit rate and data rate of the bus; `None`: they are on a K-line.
    pub(super) bit_rate: Option<Rates>,
    /// The first unit's response time.
    pub(super) p2: core::time::Duration,
}

pub(super) type Rates = (u32, Option<u32>);

impl Built {
    pub(super) fn new(
        units: &[BenchUnit<'_>],
        unit_reach: Option<Reach>,
        clock: Clock,
        ledger: &Ledger,
    ) -> Result<Self, BenchError> {
        let [first, ..] = units else { return Err(BenchError::Asked { what: "a bench of no unit; name one" }) };
        let bit_rate = |unit: &BenchUnit<'_>| match &unit.definition.line {
            Some(DefinitionLine::Can(line)) => Some((line.bit_rate, line.data_rate)),
            _ => None,
        };
        if let Some(other) = units.iter().find(|unit| bit_rate(unit) != bit_rate(first)) {
            let [first, other] = [first, other].map(|unit| unit.definition.id.to_string());
            return Err(BenchError::NotOneLine { first, other });
        }
        let now = clock.now();
        let mut simulated = Vec::new();
        for unit in units {
            let options = unit.options.clone();
            let reach = unit_reach.unwrap_or(options.reach);
            let options = Options { reach, note_values: ledger.is_kept(), ..options };
            simulated.push(Simulated::new(unit.definition, &options, now)?);
        }
        let p2 = simulated.first().map(Simulated::p2).unwrap_or_default();
        Ok(Self { simulated, id: first.definition.id.to_string(), bit_rate: bit_rate(first), p2 })
    }

    pub(super) fn line(self, reach: Reach, clock: Clock) -> Line<Simulated> {
        let mut line = Line::new(reach);
        line.pass_until(clock.now());
        for unit in self.simulated {
            line.attach(unit);
        }
        line
    }

    pub(super) fn bus(self, reach: Reach, clock: Clock) -> Bus<Simulated> {
        let mut bus = Bus::new(reach, self.bit_rate.map_or(0, |(bit_rate, _)| bit_rate));
        bus.set_bystander(true);
        bus.pass_until(clock.now());
        for unit in self.simulated {
            bus.attach(unit);
        }
        bus
    }

    /// On a bus that is there already, by its name.
    pub(super) fn guests(self, name: &str, clock: Clock) -> Result<Guests<Simulated, Box<dyn LivePort>>, BenchError> {
        let port = tickover_link::open_at(name, clock)?;
        if matches!(port.description().kind, Kind::Device | Kind::PseudoTerminal) {
            return Err(BenchError::Asked { what: "a serial port is no CAN bus; name one, as can:can0 or slcan:PATH" });
        }
        let (wanted, data_rate) = self.bit_rate.unwrap_or_default();
        let speed = Speed::Can { bit_rate: wanted, data_rate, listen_only: false };
        let guests = Guests::new(port, speed, self.simulated).map_err(BenchError::Stopped)?;
        match guests.speed() {
            Some(Speed::Can { bit_rate: got, .. }) if got != wanted => {
                Err(BenchError::Rate { port: name.to_owned(), id: self.id, wanted, got })
            }
            _ => Ok(guests),
        }
    }
}
