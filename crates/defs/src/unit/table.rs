//! The list. New units are added at the end: a [`UnitCode`](super::UnitCode) is a place in it.

use super::{Dimension, Fraction, Unit};

// Powers of               m  kg  s  A  K  deg
const NUMBER: Dimension = Dimension([0, 0, 0, 0, 0, 0]);
const TIME: Dimension = Dimension([0, 0, 1, 0, 0, 0]);
const FREQUENCY: Dimension = Dimension([0, 0, -1, 0, 0, 0]);
const LENGTH: Dimension = Dimension([1, 0, 0, 0, 0, 0]);
const SPEED: Dimension = Dimension([1, 0, -1, 0, 0, 0]);
const ACCELERATION: Dimension = Dimension([1, 0, -2, 0, 0, 0]);
const ANGLE: Dimension = Dimension([0, 0, 0, 0, 0, 1]);
const ANGULAR_SPEED: Dimension = Dimension([0, 0, -1, 0, 0, 1]);
const TEMPERATURE: Dimension = Dimension([0, 0, 0, 0, 1, 0]);
pub(super) const PRESSURE: Dimension = Dimension([-1, 1, -2, 0, 0, 0]);
const VOLTAGE: Dimension = Dimension([2, 1, -3, -1, 0, 0]);
const CURRENT: Dimension = Dimension([0, 0, 0, 1, 0, 0]);
const RESISTANCE: Dimension = Dimension([2, 1, -3, -2, 0, 0]);
const MASS: Dimension = Dimension([0, 1, 0, 0, 0, 0]);
const MASS_FLOW: Dimension = Dimension([0, 1, -1, 0, 0, 0]);
const VOLUME: Dimension = Dimension([3, 0, 0, 0, 0, 0]);
const VOLUME_FLOW: Dimension = Dimension([3, 0, -1, 0, 0, 0]);
const CONSUMPTION: Dimension = Dimension([2, 0, 0, 0, 0, 0]);
const ENERGY: Dimension = Dimension([2, 1, -2, 0, 0, 0]);
const POWER: Dimension = Dimension([2, 1, -3, 0, 0, 0]);

const fn unit(code: &'static str, symbol: &'static str, dimension: Dimension, factor: (i64, i64)) -> Unit {
    let factor = Fraction::new(factor.0, factor.1);
    Unit { code, symbol, dimension, factor, offset: Fraction::whole(0), annotation: "" }
}

const fn counted(mut unit: Unit, annotation: &'static str) -> Unit {
    unit.annotation = annotation;
    unit
}

const fn shifted(mut unit: Unit, offset: (i64, i64)) -> Unit {
    unit.offset = Fraction::new(offset.0, offset.1);
    unit
}

/// Every unit a definition can name, by [`UnitCode`](super::UnitCode).
///
/// Factors are exact: SI brochure (9th edition) for SI units; international yard and pound agreement of 1959 for
/// mile (1609.344 m), foot (0.3048 m) and pound (0.45359237 kg); standard acceleration 9.80665 m/s2 (3rd CGPM 1901).
pub static UNITS: [Unit; 53] = [
    unit("1", "", NUMBER, (1, 1)),
    unit("%", "%", NUMBER, (1, 100)),
    counted(unit("{count}", "", NUMBER, (1, 1)), "count"),
    unit("s", "s", TIME, (1, 1)),
    unit("ms", "ms", TIME, (1, 1_000)),
    unit("us", "µs", TIME, (1, 1_000_000)),
    unit("min", "min", TIME, (60, 1)),
    unit("h", "h", TIME, (3_600, 1)),
    unit("Hz", "Hz", FREQUENCY, (1, 1)),
    unit("/s", "/s", FREQUENCY, (1, 1)),
    unit("/min", "/min", FREQUENCY, (1, 60)),
    unit("mm", "mm", LENGTH, (1, 1_000)),
    unit("m", "m", LENGTH, (1, 1)),
    unit("km", "km", LENGTH, (1_000, 1)),
    unit("[mi_i]", "mi", LENGTH, (1_609_344, 1_000)),
    unit("m/s", "m/s", SPEED, (1, 1)),
    unit("km/h", "km/h", SPEED, (1_000, 3_600)),
    unit("[mi_i]/h", "mph", SPEED, (1_609_344, 3_600_000)),
    unit("m/s2", "m/s²", ACCELERATION, (1, 1)),
    unit("[g]", "g", ACCELERATION, (980_665, 100_000)),
    unit("deg", "°", ANGLE, (1, 1)),
    unit("deg/s", "°/s", ANGULAR_SPEED, (1, 1)),
    unit("K", "K", TEMPERATURE, (1, 1)),
    shifted(unit("Cel", "°C", TEMPERATURE, (1, 1)), (27_315, 100)),
    shifted(unit("[degF]", "°F", TEMPERATURE, (5, 9)), (45_967, 180)),
    unit("Pa", "Pa", PRESSURE, (1, 1)),
    unit("hPa", "hPa", PRESSURE, (100, 1)),
    unit("kPa", "kPa", PRESSURE, (1_000, 1)),
    unit("mbar", "mbar", PRESSURE, (100, 1)),
    unit("bar", "bar", PRESSURE, (100_000, 1)),
    // 0.45359237 kg * 9.80665 m/s2 / (0.0254 m)^2
    unit("[psi]", "psi", PRESSURE, (44_482_216_152_605, 6_451_600_000)),
    unit("mV", "mV", VOLTAGE, (1, 1_000)),
    unit("V", "V", VOLTAGE, (1, 1)),
    unit("mA", "mA", CURRENT, (1, 1_000)),
    unit("A", "A", CURRENT, (1, 1)),
    unit("Ohm", "Ω", RESISTANCE, (1, 1)),
    unit("kOhm", "kΩ", RESISTANCE, (1_000, 1)),
    unit("mg", "mg", MASS, (1, 1_000_000)),
    unit("g", "g", MASS, (1, 1_000)),
    unit("kg", "kg", MASS, (1, 1)),
    counted(unit("mg/{stroke}", "mg/stroke", MASS, (1, 1_000_000)), "stroke"),
    unit("g/s", "g/s", MASS_FLOW, (1, 1_000)),
    unit("kg/h", "kg/h", MASS_FLOW, (1, 3_600)),
    unit("mL", "mL", VOLUME, (1, 1_000_000)),
    unit("L", "L", VOLUME, (1, 1_000)),
    counted(unit("mm3/{stroke}", "mm³/stroke", VOLUME, (1, 1_000_000_000)), "stroke"),
    unit("L/h", "L/h", VOLUME_FLOW, (1, 3_600_000)),
    unit("L/(100.km)", "L/100 km", CONSUMPTION, (1, 100_000_000)),
    unit("N.m", "N·m", ENERGY, (1, 1)),
    unit("[ft_i].[lbf_av]", "ft·lbf", ENERGY, (13_558_179_483_314_004, 10_000_000_000_000_000)),
    unit("J", "J", ENERGY, (1, 1)),
    unit("kW", "kW", POWER, (1_000, 1)),
    // 550 ft.lbf/s
    unit("[HP]", "hp", POWER, (37_284_993_579_113_511, 50_000_000_000_000)),
];
