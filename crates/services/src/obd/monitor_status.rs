//! Lamp, number of fault codes and readiness: PID 01, and PID 41 for the present driving cycle.

use core::fmt;

/// The four bytes of PID 01 or 41 (an encyclopaedia's table of SAE J1979).
///
/// ```
/// use tickover_services::obd::{Monitor, MonitorStatus};
///
/// let status = MonitorStatus([0x82, 0x07, 0xE5, 0x20]);
/// assert!(status.lamp_is_on());
/// assert_eq!(status.fault_codes(), 2);
/// let waiting: Vec<Monitor> =
///     status.monitors().filter(|monitor| !monitor.is_complete).map(|monitor| monitor.monitor).collect();
/// assert_eq!(waiting, [Monitor::OxygenSensor]);
/// ```
#[derive(Clone, Copy, PartialEq, Eq, Hash, Debug)]
pub struct MonitorStatus(pub [u8; 4]);

impl MonitorStatus {
    /// Whether the malfunction indicator lamp is asked for. Always false in PID 41.
    pub const fn lamp_is_on(self) -> bool {
        self.0[0] & 0x80 != 0
    }

    /// How many emission-related fault codes are confirmed. Always 0 in PID 41.
    pub const fn fault_codes(self) -> u8 {
        self.0[0] & 0x7F
    }

    /// How the engine ignites, which decides what its monitors are.
    pub const fn ignition(self) -> Ignition {
        if self.0[1] & 0x08 == 0 { Ignition::Spark } else { Ignition::Compression }
    }

    /// The monitors that the vehicle has. A bit that the standard reserves for this kind of engine is no monitor.
    pub fn monitors(self) -> impl Iterator<Item = Readiness> {
        let Self([_, common, supported, incomplete]) = self;
        let own = match self.ignition() {
            Ignition::Spark => SPARK,
            Ignition::Compression => COMPRESSION,
        };
        let common = COMMON.iter().map(move |(bit, monitor)| (common, common >> 4, bit, monitor));
        let own = own.iter().map(move |(bit, monitor)| (supported, incomplete, bit, monitor));
        common.chain(own).filter(|(supported, _, bit, _)| supported >> *bit & 1 != 0).map(
            |(_, incomplete, bit, monitor)| Readiness { monitor: *monitor, is_complete: incomplete >> bit & 1 == 0 },
        )
    }
}

/// How an engine ignites.
#[derive(Clone, Copy, PartialEq, Eq, Hash, Debug)]
pub enum Ignition {
    /// By a spark.
    Spark,
    /// By compression.
    Compression,
}

/// A monitor that the vehicle has, and whether it has run.
#[derive(Clone, Copy, PartialEq, Eq, Hash, Debug)]
pub struct Readiness {
    /// Which.
    pub monitor: Monitor,
    /// Whether its test has finished since the codes were cleared (PID 41: in this driving cycle).
    pub is_complete: bool,
}

/// Declares the monitors and their words in one place.
macro_rules! monitors {
    ($($name:ident $words:literal)*) => {
        /// A part of the vehicle that tests itself.
        #[derive(Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash, Debug)]
        #[non_exhaustive]
        pub enum Monitor {
            $(#[doc = concat!("The ", $words, ".")] $name,)*
        }

        /// In words: `misfire`.
        impl fmt::Display for Monitor {
            fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
                f.write_str(match self { $(Self::$name => $words,)* })
            }
        }
    };
}

monitors! {
    Misfire "misfire"
    FuelSystem "fuel system"
    Components "components"
    Catalyst "catalyst"
    HeatedCatalyst "heated catalyst"
    Evaporation "evaporative system"
    SecondaryAir "secondary air"
    GasolineParticulateFilter "gasoline particulate filter"
    OxygenSensor "oxygen sensor"
    OxygenSensorHeater "oxygen sensor heater"
    ExhaustGasRecirculation "exhaust gas recirculation or variable valve timing"
    HydrocarbonCatalyst "NMHC catalyst"
    NitrogenOxides "NOx or SCR aftertreatment"
    BoostPressure "boost pressure"
    ExhaustGasSensor "exhaust gas sensor"
    ParticulateFilter "particulate filter"
}

/// Bit and monitor.
type Bits = &'static [(u8, Monitor)];

/// Byte B: supported; incomplete four bits higher.
const COMMON: Bits = &[(0, Monitor::Misfire), (1, Monitor::FuelSystem), (2, Monitor::Components)];

/// Bytes C and D, spark ignition.
const SPARK: Bits = &[
    (0, Monitor::Catalyst),
    (1, Monitor::HeatedCatalyst),
    (2, Monitor::Evaporation),
    (3, Monitor::SecondaryAir),
    (4, Monitor::GasolineParticulateFilter),
    (5, Monitor::OxygenSensor),
    (6, Monitor::OxygenSensorHeater),
    (7, Monitor::ExhaustGasRecirculation),
];

/// Bytes C and D, compression ignition.
const COMPRESSION: Bits = &[
    (0, Monitor::HydrocarbonCatalyst),
    (1, Monitor::NitrogenOxides),
    (3, Monitor::BoostPressure),
    (5, Monitor::ExhaustGasSensor),
    (6, Monitor::ParticulateFilter),
    (7, Monitor::ExhaustGasRecirculation),
];

#[cfg(test)]
mod tests {
    use std::vec::Vec;

    use super::*;

    fn of(bytes: [u8; 4]) -> Vec<(Monitor, bool)> {
        MonitorStatus(bytes).monitors().map(|Readiness { monitor, is_complete }| (monitor, is_complete)).collect()
    }

    /// SAE J1979, an encyclopaedia's table: a completeness bit is 0 when the test has finished.
    #[test]
    fn completeness_bits_are_inverted() {
        assert_eq!(of([0, 0x01, 0, 0]), [(Monitor::Misfire, true)]);
        assert_eq!(of([0, 0x11, 0, 0]), [(Monitor::Misfire, false)]);
        assert_eq!(of([0, 0x10, 0, 0]), []);
        assert_eq!(of([0, 0, 0x01, 0x00]), [(Monitor::Catalyst, true)]);
        assert_eq!(of([0, 0, 0x01, 0x01]), [(Monitor::Catalyst, false)]);
    }

    /// SAE J1979, an encyclopaedia's table: B3 tells how the engine ignites; bits 2 and 4 are then reserved.
    #[test]
    fn the_same_bit_is_another_monitor_with_compression_ignition() {
        assert_eq!(MonitorStatus([0, 0x08, 0, 0]).ignition(), Ignition::Compression);
        assert_eq!(of([0, 0x08, 0xFF, 0]).len(), 6);
        assert_eq!(of([0, 0x08, 0x0A, 0x02]), [(Monitor::NitrogenOxides, false), (Monitor::BoostPressure, true)]);
        assert_eq!(of([0, 0x00, 0xFF, 0]).len(), 8);
    }

    #[test]
    fn lamp_and_count_share_a_byte() {
        let status = MonitorStatus([0x83, 0, 0, 0]);
        assert_eq!((status.lamp_is_on(), status.fault_codes()), (true, 3));
        let status = MonitorStatus([0x7F, 0, 0, 0]);
        assert_eq!((status.lamp_is_on(), status.fault_codes()), (false, 127));
    }
}
