//! Codes that look right and are not.

use core::fmt;

use super::UNITS;

/// Why a text is no unit of the list.
#[derive(Clone, Copy, PartialEq, Eq, Debug)]
pub struct Mistake {
    /// What the text means or lacks.
    pub message: &'static str,
    /// The code to write instead, where it is known.
    pub suggestion: Option<&'static str>,
}

impl fmt::Display for Mistake {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str(self.message)?;
        match self.suggestion {
            Some(code) => write!(f, "; write `{code}`"),
            None => Ok(()),
        }
    }
}

impl core::error::Error for Mistake {}

pub(super) fn explain(code: &str) -> Mistake {
    if let Some((_, message, suggestion)) = LOOK_ALIKE.iter().find(|(wrong, _, _)| *wrong == code) {
        return Mistake { message, suggestion: Some(suggestion) };
    }
    if let Some((_, right)) = SPELLING.iter().find(|(wrong, _)| wrong.eq_ignore_ascii_case(code)) {
        return Mistake { message: "this is not the UCUM code", suggestion: Some(right) };
    }
    match UNITS.iter().find(|unit| unit.code.eq_ignore_ascii_case(code) || unit.symbol == code) {
        Some(unit) => Mistake { message: "UCUM codes are case sensitive", suggestion: Some(unit.code) },
        None => Mistake { message: "not in the list of units", suggestion: None },
    }
}

/// Legal UCUM codes that mean something else: the author's text, what it is, what was meant.
const LOOK_ALIKE: &[(&str, &str, &str)] = &[
    ("mph", "in UCUM `mph` is milliphot, a unit of illuminance", "[mi_i]/h"),
    ("C", "in UCUM `C` is coulomb, a unit of charge", "Cel"),
    ("F", "in UCUM `F` is farad, a unit of capacitance", "[degF]"),
    ("nm", "in UCUM `nm` is nanometre, a unit of length", "N.m"),
    ("Nm", "UCUM joins units by a dot", "N.m"),
    ("mN", "in UCUM `mN` is millinewton, a unit of force", "N.m"),
    ("{rpm}", "an annotation in braces has no dimension: `{rpm}` is the pure number 1", "/min"),
    ("{rev}/min", "write revolutions per minute without an annotation", "/min"),
    ("G", "in UCUM `G` is gauss, a unit of magnetic flux density", "[g]"),
    ("S", "in UCUM `S` is siemens, a unit of conductance", "s"),
    ("mS", "in UCUM `mS` is millisiemens, a unit of conductance", "ms"),
    ("H", "in UCUM `H` is henry, a unit of inductance", "h"),
    ("PS", "in UCUM `PS` is petasiemens; metric horsepower has no code: 1 PS is 0.73549875 kW", "kW"),
    ("b", "in UCUM `b` is barn, a unit of area", "bar"),
    ("Mm", "in UCUM `Mm` is megametre", "mm"),
    ("ml", "in this list litres are written with a capital L", "mL"),
    ("l", "in this list litres are written with a capital L", "L"),
    ("l/h", "in this list litres are written with a capital L", "L/h"),
    ("1/min", "legal UCUM, but there is one way to write it", "/min"),
    ("min-1", "legal UCUM, but there is one way to write it", "/min"),
    ("1/s", "legal UCUM, but there is one way to write it", "/s"),
    ("s-1", "legal UCUM, but there is one way to write it", "/s"),
    ("km.h-1", "legal UCUM, but there is one way to write it", "km/h"),
    ("cm3", "legal UCUM, but there is one way to write it", "mL"),
    ("{}", "an empty annotation says nothing", "1"),
];

/// Spellings of the workshop, in any case, and the code that is meant.
const SPELLING: &[(&str, &str)] = &[
    ("", "1"),
    ("-", "1"),
    ("rpm", "/min"),
    ("r/min", "/min"),
    ("rev/min", "/min"),
    ("u/min", "/min"),
    ("°C", "Cel"),
    ("degC", "Cel"),
    ("deg C", "Cel"),
    ("celsius", "Cel"),
    ("°F", "[degF]"),
    ("degF", "[degF]"),
    ("fahrenheit", "[degF]"),
    ("kelvin", "K"),
    ("°", "deg"),
    ("degree", "deg"),
    ("degrees", "deg"),
    ("°/s", "deg/s"),
    ("kmh", "km/h"),
    ("km/hr", "km/h"),
    ("kph", "km/h"),
    ("mi/h", "[mi_i]/h"),
    ("miles", "[mi_i]"),
    ("mi", "[mi_i]"),
    ("psi", "[psi]"),
    ("mb", "mbar"),
    ("hp", "[HP]"),
    ("bhp", "[HP]"),
    ("ohm", "Ohm"),
    ("ohms", "Ohm"),
    ("Ω", "Ohm"),
    ("kΩ", "kOhm"),
    ("volt", "V"),
    ("volts", "V"),
    ("amp", "A"),
    ("amps", "A"),
    ("µs", "us"),
    ("μs", "us"),
    ("usec", "us"),
    ("msec", "ms"),
    ("sec", "s"),
    ("second", "s"),
    ("seconds", "s"),
    ("minute", "min"),
    ("minutes", "min"),
    ("hour", "h"),
    ("hours", "h"),
    ("hr", "h"),
    ("percent", "%"),
    ("pct", "%"),
    ("count", "{count}"),
    ("counts", "{count}"),
    ("kg/hr", "kg/h"),
    ("g/sec", "g/s"),
    ("mg/stroke", "mg/{stroke}"),
    ("mg/{str}", "mg/{stroke}"),
    ("mm3/stroke", "mm3/{stroke}"),
    ("mm³/stroke", "mm3/{stroke}"),
    ("l/100km", "L/(100.km)"),
    ("l/100 km", "L/(100.km)"),
    ("N-m", "N.m"),
    ("N*m", "N.m"),
    ("N·m", "N.m"),
    ("lb.ft", "[ft_i].[lbf_av]"),
    ("ft.lb", "[ft_i].[lbf_av]"),
    ("ft-lb", "[ft_i].[lbf_av]"),
    ("lb-ft", "[ft_i].[lbf_av]"),
    ("litre", "L"),
    ("liter", "L"),
    ("m/s^2", "m/s2"),
    ("m/s²", "m/s2"),
];

/// Every text that leads somewhere.
#[cfg(test)]
pub(super) fn known() -> impl Iterator<Item = &'static str> {
    LOOK_ALIKE.iter().map(|(wrong, ..)| *wrong).chain(SPELLING.iter().map(|(wrong, _)| *wrong))
}
