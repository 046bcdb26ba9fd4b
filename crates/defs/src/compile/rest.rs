//! Groups, faults and procedures.

use std::borrow::Cow;
use std::format;
use std::string::String;
use std::vec::Vec;

use tickover_services::Effect;

use super::channel::condition;
use super::names::Here;
use super::record::holds_code;
use super::sheet::{Sheet, unknown_name};
use super::{Catalog, Lines, layout, owned};
use crate::check;
use crate::compiled::{Channel, Expr, Fault, FaultRead, Faults, Group, Procedure, Record, Step};
use crate::diagnostic::{Diagnostic, codes};
use crate::model::{At, Findings, TextAt};
use crate::value::{ChannelId, RecordId};

type Rest = (Vec<Group>, Option<Faults>, Vec<Procedure>);

/// Builds what stands on records and channels.
pub(crate) fn build(
    sheet: &Sheet,
    catalog: &Catalog,
    lines: &Lines,
    records: &[Option<Record>],
    here: &Here<'_>,
    channels: &[Option<Channel>],
    out: &mut Findings<'_>,
) -> Rest {
    let groups: Vec<Group> = sheet
        .groups
        .iter()
        .filter_map(|named| {
            let group = named.value.as_ref()?;
            let channels = members(&group.channels, sheet, catalog, channels, out);
            Some(Group { name: owned(&named.name), title: owned(&group.title.value), channels: Cow::Owned(channels) })
        })
        .collect();
    let faults = faults(sheet, catalog, lines, records, here, channels, out);
    let procedures = procedures(sheet, catalog, lines, here, out);
    (groups, faults, procedures)
}

/// Channels by name, arrays with all their elements; those of other variants are left out.
fn members(
    names: &[TextAt],
    sheet: &Sheet,
    catalog: &Catalog,
    channels: &[Option<Channel>],
    out: &mut Findings<'_>,
) -> Vec<ChannelId> {
    let there = |id: &ChannelId| channels.get(usize::from(id.0)).is_some_and(Option::is_some);
    let mut all = Vec::new();
    for name in names {
        match (catalog.channel(&name.value), layout::expand(sheet, &name.value)) {
            (Some(id), _) => all.push(id),
            (None, Some(elements)) => all.extend(elements.iter().filter_map(|element| catalog.channel(element))),
            (None, None) if catalog.knows("channel", &name.value) => {}
            (None, None) => {
                let known = catalog.formula_names().filter(|known| !catalog.knows("curve", known));
                out.push(unknown_name("channel", &name.value, name.span.clone(), known, out));
            }
        }
    }
    all.retain(there);
    all
}

/// A condition; the outer `None`: what it reads is not in this layout, or wrong.
fn when(text: Option<&TextAt>, here: &Here<'_>, out: &mut Findings<'_>) -> Option<Option<Expr>> {
    match text {
        None => Some(None),
        Some(text) => condition(text, here, out).ok().map(Some),
    }
}

fn faults(
    sheet: &Sheet,
    catalog: &Catalog,
    lines: &Lines,
    records: &[Option<Record>],
    here: &Here<'_>,
    channels: &[Option<Channel>],
    out: &mut Findings<'_>,
) -> Option<Faults> {
    let known: Vec<Fault> = sheet
        .fault
        .iter()
        .filter_map(|named| {
            let fault = named.value.as_ref()?;
            let when = when(fault.when.as_ref(), here, out)?;
            let with = members(&fault.with, sheet, catalog, channels, out);
            Some(Fault { code: owned(&named.name), text: owned(&fault.text.value), when, with: Cow::Owned(with) })
        })
        .collect();
    let table = sheet.faults.first().and_then(|named| named.value.as_ref());
    let Some(table) = table else {
        codes_without_freeze(sheet, catalog, records, None, out);
        return (!known.is_empty() && sheet.faults.is_empty()).then_some(Faults {
            read: None,
            status: None,
            clear: Cow::Borrowed(&[]),
            freeze: None,
            known: Cow::Owned(known),
        });
    };
    if let Some(read) = &table.read {
        check::asked::faults(read, lines, out);
        for named in sheet.fault.iter().filter(|named| named.name.len() == "P0102-11".len() && named.name.contains('-'))
        {
            if !matches!(read.value, FaultRead::DtcByStatusMask { .. }) {
                let message = format!("`{}` has a failure type, and codes are read here without one", named.name);
                out.push(
                    Diagnostic::new(codes::NAME, named.span.clone(), message)
                        .expected("a code of five characters, or `dtc_by_status_mask`")
                        .related(read.span.clone(), "how codes are read"),
                );
            }
        }
    }
    for step in &table.clear {
        check::effect::step(step, Effect::Clears, lines, "what clears faults", out);
    }
    let freeze = table.freeze.as_ref().and_then(|name| freeze(name, sheet, catalog, records, out));
    codes_without_freeze(sheet, catalog, records, freeze, out);
    Some(Faults {
        read: table.read.as_ref().map(|read| read.value),
        status: table.status,
        clear: steps(&table.clear),
        freeze,
        known: Cow::Owned(known),
    })
}

fn freeze(
    name: &TextAt,
    sheet: &Sheet,
    catalog: &Catalog,
    records: &[Option<Record>],
    out: &mut Findings<'_>,
) -> Option<RecordId> {
    if !catalog.knows("record", &name.value) {
        let names = sheet.records.iter().map(|record| record.name.as_str());
        out.push(unknown_name("record", &name.value, name.span.clone(), names, out));
        return None;
    }
    let id = catalog.record(&name.value)?;
    let record = records.get(usize::from(id.0))?.as_ref()?;
    if !holds_code(&record.request) {
        let message = format!("the request of `{}` has no place for the fault's code", name.value);
        out.push(
            Diagnostic::new(codes::TEMPLATE, name.span.clone(), message)
                .expected("a request like \"12 00 04 {code:u16be}\""),
        );
    }
    Some(id)
}

/// Only the record of freeze frames has its request filled.
fn codes_without_freeze(
    sheet: &Sheet,
    catalog: &Catalog,
    records: &[Option<Record>],
    freeze: Option<RecordId>,
    out: &mut Findings<'_>,
) {
    for named in &sheet.records {
        let (Some(id), Some(record)) = (catalog.record(&named.name), &named.value) else { continue };
        let compiled = records.get(usize::from(id.0)).and_then(Option::as_ref);
        if freeze != Some(id) && compiled.is_some_and(|compiled| holds_code(&compiled.request)) {
            let message = format!("nothing fills the place in the request of `{}`", named.name);
            out.push(
                Diagnostic::new(codes::TEMPLATE, record.read.span.clone(), message)
                    .expected("a request without places, or `freeze` in [faults] that names this record"),
            );
        }
    }
}

fn procedures(
    sheet: &Sheet,
    catalog: &Catalog,
    lines: &Lines,
    here: &Here<'_>,
    out: &mut Findings<'_>,
) -> Vec<Procedure> {
    let mut all = Vec::new();
    for named in &sheet.procedures {
        let Some(procedure) = &named.value else { continue };
        let needs = when(procedure.needs.as_ref(), here, out);
        for step in procedure.steps.iter().chain(&procedure.finally) {
            check::effect::of_procedure(step, procedure.effect.value, lines, out);
        }
        let then_read = procedure.then_read.as_ref().filter(|name| {
            let known = catalog.knows("group", &name.value);
            if !known {
                let groups = sheet.groups.iter().map(|group| group.name.as_str());
                out.push(unknown_name("group", &name.value, name.span.clone(), groups, out));
            }
            known
        });
        let then_read: Option<String> = then_read.map(|name| name.value.clone());
        let Some(needs) = needs else { continue };
        all.push(Procedure {
            name: owned(&named.name),
            title: owned(&procedure.title.value),
            effect: procedure.effect.value,
            caution: owned(&procedure.caution.value),
            needs,
            steps: steps(&procedure.steps),
            finally: steps(&procedure.finally),
            then_read: then_read.map(Cow::Owned),
        });
    }
    all
}

fn steps(steps: &[At<Step>]) -> crate::compiled::List<Step> {
    steps.iter().map(|step| step.value.clone()).collect()
}
