//! A channel's expressions, unit and codes, complete in the compiled form.

use std::borrow::Cow;
use std::format;
use std::vec::Vec;

use super::decimals::{self, Trials};
use super::names::Here;
use super::owned;
use crate::check;
use crate::compiled::{Channel, Code, Conversion, Expr, Field, Origin, Part, Sent, SentOutside, State, UnitCode};
use crate::diagnostic::{Diagnostic, codes};
use crate::formula::{self, Compiled, FormulaError, Rule, Wanted};
use crate::model::{self, Findings, TextAt};
use crate::value::{ChannelId, RecordId};

/// Why a channel is not there.
#[derive(Clone, Copy, PartialEq, Eq, Debug)]
pub(crate) enum Absent {
    /// A mistake was reported.
    Mistaken,
    /// Something that it is built on is not in this layout.
    Elsewhere,
}

/// What a channel is compiled with.
pub(crate) struct Given<'a> {
    pub(crate) id: ChannelId,
    /// Of an element with the element's name.
    pub(crate) name: &'a str,
    pub(crate) channel: &'a model::channel::Channel,
    pub(crate) here: &'a Here<'a>,
    /// The record, and the place of its first byte where `at` is an address.
    pub(crate) record: Option<(RecordId, u32)>,
    /// The fields, moved to the element.
    pub(crate) fields: &'a [model::field::Field],
    /// The curves of the layout.
    pub(crate) curves: &'a [crate::compiled::Curve],
    /// Channels that may have the same conversion: what has been tried once is not tried again.
    pub(crate) like: [Option<&'a Channel>; 2],
    pub(crate) trials: &'a Trials,
}

/// Compiles a channel.
pub(crate) fn compile(given: &Given<'_>, out: &mut Findings<'_>) -> Result<Channel, Absent> {
    let channel = given.channel;
    let (when, formula, unit) = expressions(given.name, channel, given.here, out);
    let (when, formula, unit) = (when?, formula?, unit.ok_or(Absent::Mistaken)?);
    if let (Some(text), Some(compiled)) = (&channel.formula, &formula) {
        same_unit("the formula", text, compiled, unit, out)?;
    }
    let from = channel.from.as_ref().map(|text| from(text, unit, given.here, out)).transpose()?;
    let origin = origin(given).ok_or(Absent::Mistaken)?;
    let conversion = conversion(&origin, formula.as_ref(), !channel.states.is_empty());
    let mut inputs: Vec<ChannelId> = Vec::new();
    for input in [&formula, &when, &from].into_iter().flatten().flat_map(|compiled| &compiled.inputs) {
        if !inputs.contains(input) {
            inputs.push(*input);
        }
    }
    if let (Origin::Derived, Some(text), true) = (&origin, &channel.formula, inputs.is_empty()) {
        let message = "the formula reads no channel: nothing would ever compute it";
        out.push(
            Diagnostic::new(codes::FORMULA, text.span.clone(), message)
                .expected("at least one channel whose value it reads, or `record` and a field")
                .following(),
        );
        return Err(Absent::Mistaken);
    }
    let invalid: Vec<Code> = channel
        .invalid
        .iter()
        .map(|code| Code { first: code.first, last: code.last, meaning: owned(&code.text) })
        .collect();
    let states: Vec<State> = channel
        .states
        .iter()
        .map(|code| State { first: code.first, last: code.last, name: owned(&code.text) })
        .collect();
    let tried = decimals::Tried { origin: &origin, conversion: &conversion, invalid: &invalid, states: &states };
    let known = given.like.into_iter().flatten().find(|like| like.range == channel.range && tried.is_like(like));
    let decimals = match known {
        Some(like) => like.decimals,
        None => decimals::of(channel, &tried, given.curves, given.trials),
    };
    Ok(Channel {
        id: given.id,
        name: owned(given.name),
        label: owned(channel.label.as_deref().unwrap_or(given.name)),
        origin,
        when: when.map(|compiled| compiled.expr),
        invalid: Cow::Owned(invalid),
        states: Cow::Owned(states),
        conversion,
        unit,
        quantity: channel.quantity.as_ref().map(|quantity| quantity.value),
        reference: channel.reference.as_ref().map(|reference| reference.value),
        range: channel.range,
        decimals,
        max_age: channel.max_age,
        inputs: Cow::Owned(inputs),
        total: channel.total.as_ref().map(|total| total.value),
        // Without a word about it nothing is made to fit.
        sent: from.map(|from| Sent {
            from: from.expr,
            outside: channel.outside.as_ref().map_or(SentOutside::Invalid, |outside| outside.value),
        }),
    })
}

type Formulas = (Result<Option<Compiled>, Absent>, Result<Option<Compiled>, Absent>);
type Expressions = (Result<Option<Compiled>, Absent>, Result<Option<Compiled>, Absent>, Option<Option<UnitCode>>);

/// A channel's `when`, `formula` and unit, each with its own mistakes.
pub(crate) fn expressions(
    name: &str,
    channel: &model::channel::Channel,
    here: &Here<'_>,
    out: &mut Findings<'_>,
) -> Expressions {
    let unit = check::unit::of(channel, name, out);
    let (when, formula) = formulas(channel.when.as_ref(), channel.formula.as_ref(), here, out);
    (when, formula, unit)
}

/// A `when` and a `formula`, each with its own mistakes.
pub(crate) fn formulas(
    when: Option<&TextAt>,
    formula: Option<&TextAt>,
    here: &Here<'_>,
    out: &mut Findings<'_>,
) -> Formulas {
    // Whether a channel is there is known before its own bytes are looked at.
    let around = Here { raw: false, parts: Vec::new(), ..*here };
    let when = when.map(|text| expression(text, &around, Wanted::Truth, out)).transpose();
    let formula = formula.map(|text| expression(text, here, Wanted::Number, out)).transpose();
    (when, formula)
}

/// What a sent channel says, in its unit.
fn from(text: &TextAt, unit: Option<UnitCode>, here: &Here<'_>, out: &mut Findings<'_>) -> Result<Compiled, Absent> {
    let around = Here { raw: false, parts: Vec::new(), ..*here };
    let compiled = expression(text, &around, Wanted::Value, out)?;
    same_unit("`from`", text, &compiled, unit, out)?;
    Ok(compiled)
}

/// Names that fix the unit of a formula fix that of the channel.
fn same_unit(
    what: &str,
    text: &TextAt,
    formula: &Compiled,
    declared: Option<UnitCode>,
    out: &mut Findings<'_>,
) -> Result<(), Absent> {
    match (formula.unit, declared) {
        (Some(found), Some(declared)) if found != declared => {
            let message = format!("{what} gives `{}`, the channel declares `{}`", found.code(), declared.code());
            let expected = format!("`unit = \"{}\"`, or an expression that converts", found.code());
            out.push(Diagnostic::new(codes::FORMULA, text.span.clone(), message).expected(expected).following());
            Err(Absent::Mistaken)
        }
        _ => Ok(()),
    }
}

/// Compiles an expression; its mistakes are placed in the file.
pub(crate) fn expression(
    text: &TextAt,
    here: &Here<'_>,
    wanted: Wanted,
    out: &mut Findings<'_>,
) -> Result<Compiled, Absent> {
    let errors = match formula::compile(&text.value, here, wanted) {
        Ok(compiled) => return Ok(compiled),
        Err(errors) => errors,
    };
    let elsewhere = |error: &FormulaError| {
        let name = text.value.get(error.span.clone()).unwrap_or_default();
        error.rule == Rule::UnknownName && here.layout.catalog().knows_in_formulas(name)
    };
    let (elsewhere, mistakes): (Vec<_>, Vec<_>) = errors.into_iter().partition(elsewhere);
    // What else is said beside a name that is only elsewhere may follow from it.
    if !elsewhere.is_empty() {
        return Err(Absent::Elsewhere);
    }
    for error in mistakes {
        out.push(check::grammar::placed(&error, text));
    }
    Err(Absent::Mistaken)
}

/// Compiles a condition where only channels are known.
pub(crate) fn condition(text: &TextAt, here: &Here<'_>, out: &mut Findings<'_>) -> Result<Expr, Absent> {
    expression(text, here, Wanted::Truth, out).map(|compiled| compiled.expr)
}

fn origin(given: &Given<'_>) -> Option<Origin> {
    let Some((record, base)) = given.record else { return Some(Origin::Derived) };
    let field = |field: &model::field::Field| {
        let bytes: Option<Vec<u16>> = field
            .ordered
            .iter()
            .map(|place| place.checked_sub(base).and_then(|place| u16::try_from(place).ok()))
            .collect();
        Some(Field { bytes: Cow::Owned(bytes?), coding: field.coding, low_bit: field.low_bit, width: field.width })
    };
    match &given.channel.origin {
        model::channel::Origin::Derived => Some(Origin::Derived),
        model::channel::Origin::Field { .. } => Some(Origin::Field { record, field: field(given.fields.first()?)? }),
        model::channel::Origin::Parts { parts, .. } => {
            let parts: Option<Vec<Part>> = parts
                .iter()
                .zip(given.fields)
                .map(|(part, moved)| Some(Part { name: owned(&part.name), field: field(moved)? }))
                .collect();
            Some(Origin::Parts { record, parts: Cow::Owned(parts?) })
        }
    }
}

fn conversion(origin: &Origin, formula: Option<&Compiled>, states: bool) -> Conversion {
    match (origin, formula) {
        (Origin::Field { field, .. }, Some(formula)) => formula.conversion(field.coding),
        (_, Some(formula)) => Conversion::Expr(formula.expr.clone()),
        (Origin::Field { field, .. }, None) if is_text(field.coding) || states => Conversion::None,
        (_, None) => Conversion::Identity,
    }
}

const fn is_text(coding: crate::compiled::Coding) -> bool {
    matches!(coding, crate::compiled::Coding::Ascii | crate::compiled::Coding::Hex)
}

#[cfg(test)]
mod tests {
    use std::string::ToString;

    use crate::Definition;

    #[test]
    fn a_formula_whose_names_fix_another_unit_is_a_mistake() {
        let text = "edition = 1\n[definition]\nid = \"small\"\ntitle = \"Small\"\nrevision = \"1\"\nsource = \"invented\"\n\
            [record.engine]\nread = { local_identifier = 1 }\nlength = 2\n[kind.pressure]\ndata = \"u8\"\nunit = \"hPa\"\n\
            reference = \"absolute\"\n[channel]\nmanifold = { record = \"engine\", at = 0, kind = \"pressure\" }\n\
            barometer = { record = \"engine\", at = 1, kind = \"pressure\" }\n[channel.boost]\nreference = \"gauge\"\n\
            formula = \"manifold - barometer\"\nunit = ";
        let report = Definition::parse(&[text, "\"kPa\"\n"].concat(), "small.toml").unwrap_err().to_string();
        assert!(report.contains("the formula gives `hPa`, the channel declares `kPa`"), "{report}");
        assert!(Definition::parse(&[text, "\"hPa\"\n"].concat(), "small.toml").is_ok());
    }
}
