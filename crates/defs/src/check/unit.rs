//! `unit-needed`, `unit-unknown`, `reference-needed`, `unit-without-number`: a number has a unit of the list, nothing else has one.
//!
//! ```toml
//! [channel.speed]
//! data = "u8"
//! unit = "mph"               # milliphot; [mi_i]/h
//! ```

use std::format;

use crate::compiled::UnitCode;
use crate::diagnostic::{Diagnostic, codes};
use crate::model::channel::{Channel, Origin};
use crate::model::{Findings, TextAt};
use crate::unit;

/// The channel's unit: the outer `None` if it is wrong.
pub(crate) fn of(channel: &Channel, name: &str, out: &mut Findings<'_>) -> Option<Option<UnitCode>> {
    let text = matches!(&channel.origin, Origin::Field { field, .. } if field.is_text());
    if let Some(formula) = channel.formula.as_ref().filter(|_| text) {
        let message = "a text has no formula";
        out.push(Diagnostic::new(codes::FORMULA, formula.span.clone(), message).label("`raw` is no number here"));
        return None;
    }
    let number = !text && (channel.states.is_empty() || channel.formula.is_some());
    let Some(written) = &channel.unit else {
        // Of a derived channel whose results all have names there is no number.
        let named = channel.formula.is_some() && !channel.states.is_empty();
        if number && !named {
            let place = match (&channel.formula, &channel.origin) {
                (Some(formula), _) => formula.span.clone(),
                (None, Origin::Field { field, .. }) => field.span.clone(),
                (None, _) => 0..0,
            };
            out.push(
                Diagnostic::new(codes::UNIT_NEEDED, place, format!("`{name}` is a number without a unit")).expected(
                    "`unit = \"..\"`, a UCUM code; \"1\" for a pure number, or `states` that name every value",
                ),
            );
            return None;
        }
        return Some(None);
    };
    if !number {
        let message = format!("`{name}` has no number, so it has no unit");
        out.push(Diagnostic::new(codes::UNIT_WITHOUT_NUMBER, written.span.clone(), message));
        return None;
    }
    let code = spelled(Some(written), out)?;
    measure(channel, written, code, out);
    Some(Some(code))
}

/// The unit by its code; reported if it is not in the list.
pub(crate) fn spelled(written: Option<&TextAt>, out: &mut Findings<'_>) -> Option<UnitCode> {
    let written = written?;
    match unit::find(&written.value) {
        Ok(code) => Some(code),
        Err(mistake) => {
            let message = format!("`{}`: {}", written.value, mistake.message);
            let mut found = Diagnostic::new(codes::UNIT_UNKNOWN, written.span.clone(), message);
            let units = unit::UNITS.iter().map(|unit| unit.code);
            let near = mistake.suggestion.or_else(|| crate::model::nearest(&written.value, units));
            if let Some(near) = near {
                found = found.suggest(written.span.clone(), format!("\"{near}\""), "a unit of the list");
            }
            out.push(found);
            None
        }
    }
}

/// `quantity` and `reference` fit the unit.
fn measure(channel: &Channel, written: &TextAt, code: UnitCode, out: &mut Findings<'_>) {
    let pressure = code.unit().is_some_and(unit::Unit::is_pressure);
    if pressure && channel.reference.is_none() {
        out.push(
            Diagnostic::new(codes::REFERENCE_NEEDED, written.span.clone(), "a pressure is gauge or absolute")
                .label("which of the two is not said")
                .expected("`reference = \"gauge\"` or `reference = \"absolute\"` beside the unit"),
        );
    }
    if let Some(reference) = channel.reference.as_ref().filter(|_| !pressure) {
        let message = format!("`{}` is no unit of pressure", code.code());
        out.push(
            Diagnostic::new(codes::UNIT_UNKNOWN, reference.span.clone(), message)
                .label("only pressures have a reference"),
        );
    }
    if let Some(quantity) = channel.quantity.as_ref().filter(|quantity| !quantity.value.fits(code)) {
        let message = format!("a {} is not measured in `{}`", quantity.value.word(), code.code());
        out.push(Diagnostic::new(codes::UNIT_UNKNOWN, quantity.span.clone(), message));
    }
}
