//! One layout's tables as they are written, kinds laid under their channels.

use std::borrow::ToOwned;
use std::collections::{HashMap, HashSet};
use std::format;
use std::string::String;
use std::vec::Vec;

use crate::check;
use crate::compiled::Curve;
use crate::diagnostic::{Diagnostic, codes};
use crate::model::channel::{Channel, Loose};
use crate::model::fault::{Fault, Faults};
use crate::model::group::Group;
use crate::model::procedure::Procedure;
use crate::model::record::Record;
use crate::model::{self, Findings, value};
use crate::source::{Item, Span, Table};

/// A table that was read, or not, and what it lacks.
#[derive(Debug)]
pub(crate) struct Named<T> {
    pub(crate) name: String,
    pub(crate) span: Span,
    /// `None`: something is wrong or missing.
    pub(crate) value: Option<T>,
    /// The key `check`, if it has one.
    pub(crate) check: Option<Span>,
    missing: Vec<Diagnostic>,
}

/// One layout's tables.
#[derive(Debug)]
pub(crate) struct Sheet {
    pub(crate) records: Vec<Named<Record>>,
    record_places: HashMap<String, usize>,
    pub(crate) channels: Vec<Named<Channel>>,
    /// Formulas of channels that have a mistake elsewhere, with the channel's name.
    pub(crate) loose: Vec<(String, Loose)>,
    pub(crate) curves: Vec<Named<Curve>>,
    pub(crate) groups: Vec<Named<Group>>,
    pub(crate) faults: Vec<Named<Faults>>,
    pub(crate) fault: Vec<Named<Fault>>,
    pub(crate) procedures: Vec<Named<Procedure>>,
}

impl Sheet {
    /// Reads every table of a layout.
    pub(crate) fn read(root: &Table, out: &mut Findings<'_>) -> Self {
        let records = all(root, "record", out, |_, table, out| model::record::read(table, out));
        let record_places = records.iter().enumerate().map(|(place, record)| (record.name.clone(), place)).collect();
        let curves = all(root, "curve", out, model::curve::read);
        let (channels, loose) = channels(root, out);
        let groups = all(root, "group", out, |_, table, out| model::group::read(table, out));
        let fault = all(root, "fault", out, |_, table, out| model::fault::read_fault(table, out));
        let procedures = all(root, "procedure", out, |_, table, out| model::procedure::read(table, out));
        let faults = root.entry("faults").and_then(|entry| {
            let table = value::table(&entry.value, "faults", out)?;
            let (value, missing) = out.without_missing(|out| model::fault::read_faults(table, out));
            Some(Named { name: "faults".to_owned(), span: entry.key_span.clone(), value, check: None, missing })
        });
        Self {
            records,
            record_places,
            channels,
            loose,
            curves,
            groups,
            faults: faults.into_iter().collect(),
            fault,
            procedures,
        }
    }

    pub(crate) fn record(&self, name: &str) -> Option<&Named<Record>> {
        self.records.get(*self.record_places.get(name)?)
    }

    fn lacking(&self) -> impl Iterator<Item = (&'static str, &str, bool, &[Diagnostic])> {
        fn each<'s, T>(
            table: &'static str,
            list: &'s [Named<T>],
        ) -> impl Iterator<Item = (&'static str, &'s str, bool, &'s [Diagnostic])> {
            list.iter().map(move |named| (table, &*named.name, named.value.is_some(), &*named.missing))
        }
        each("record", &self.records)
            .chain(each("channel", &self.channels))
            .chain(each("curve", &self.curves))
            .chain(each("group", &self.groups))
            .chain(each("faults", &self.faults))
            .chain(each("fault", &self.fault))
            .chain(each("procedure", &self.procedures))
    }
}

/// Reports what is missing where no variant completes it.
pub(crate) fn report_missing(sheets: &[&Sheet], out: &mut Findings<'_>) {
    let complete: HashSet<(&str, &str)> = sheets
        .iter()
        .flat_map(|sheet| sheet.lacking())
        .filter(|found| found.2)
        .map(|found| (found.0, found.1))
        .collect();
    let mut said: HashSet<(usize, &str)> = HashSet::new();
    for (table, name, _, missing) in sheets.iter().flat_map(|sheet| sheet.lacking()) {
        for diagnostic in missing.iter().filter(|_| !complete.contains(&(table, name))) {
            if said.insert((diagnostic.place.start, &diagnostic.message)) {
                out.push(diagnostic.clone());
            }
        }
    }
}

fn all<T>(
    root: &Table,
    key: &'static str,
    out: &mut Findings<'_>,
    read: impl Fn(&str, &Table, &mut Findings<'_>) -> Option<T>,
) -> Vec<Named<T>> {
    value::named(root, key, out)
        .into_iter()
        .map(|(entry, table)| {
            match key {
                "fault" => check::name::fault(&entry.key, entry.key_span.clone(), out),
                "curve" => check::name::in_formulas(&entry.key, entry.key_span.clone(), key, out),
                _ => check::name::plain(&entry.key, entry.key_span.clone(), key, out),
            }
            let (value, missing) = out.without_missing(|out| read(&entry.key, table, out));
            let check = table.entry("check").map(|entry| entry.key_span.clone());
            Named { name: entry.key.clone(), span: entry.key_span.clone(), value, check, missing }
        })
        .collect()
}

fn channels(root: &Table, out: &mut Findings<'_>) -> (Vec<Named<Channel>>, Vec<(String, Loose)>) {
    let kinds = value::named(root, "kind", out);
    for (entry, table) in &kinds {
        check::name::plain(&entry.key, entry.key_span.clone(), "kind", out);
        model::channel::read_kind(table, out);
    }
    let mut used: Vec<&str> = Vec::new();
    let (mut all, mut loose) = (Vec::new(), Vec::new());
    for (entry, table) in value::named(root, "channel", out) {
        check::name::in_formulas(&entry.key, entry.key_span.clone(), "channel", out);
        let mut merged = table.clone();
        let mut known = true;
        if let Some(Item::Text(kind)) = table.get("kind").map(|node| &node.item) {
            match kinds.iter().find(|(entry, _)| entry.key == *kind) {
                Some((kind, under)) => {
                    used.push(&kind.key);
                    lay_under(&mut merged, under, &kind.key, out);
                }
                None => {
                    known = false;
                    let names = kinds.iter().map(|(entry, _)| entry.key.as_str());
                    let span = table.get("kind").map_or(0..0, |node| node.span.clone());
                    out.push(unknown_name("kind", kind, span, names, out));
                }
            }
        } else if let Some(node) = table.get("kind") {
            value::wrong_type(node, "kind", "a text", out);
        }
        let (value, missing) = out.without_missing(|out| model::channel::read(&merged, out));
        let missing = if known { missing } else { Vec::new() };
        let value = match value {
            Ok(channel) => Some(channel).filter(|_| known),
            Err(found) if known => {
                loose.push((entry.key.clone(), *found));
                None
            }
            // What its kind would bring is not known.
            Err(found) => {
                check::grammar::read([found.formula.as_ref(), found.when.as_ref()], out);
                None
            }
        };
        all.push(Named {
            name: entry.key.clone(),
            span: entry.key_span.clone(),
            value,
            check: table.entry("check").map(|entry| entry.key_span.clone()),
            missing,
        });
    }
    for (entry, _) in kinds.iter().filter(|(entry, _)| !used.contains(&entry.key.as_str())) {
        let message = format!("no channel uses the kind `{}`", entry.key);
        out.push(Diagnostic::new(codes::UNUSED_KIND, entry.key_span.clone(), message));
    }
    (all, loose)
}

/// A kind adds keys; it never replaces one.
fn lay_under(channel: &mut Table, kind: &Table, name: &str, out: &mut Findings<'_>) {
    for entry in kind.entries.iter().filter(|entry| !["kind", "check"].contains(&entry.key.as_str())) {
        match channel.entry(&entry.key) {
            None => channel.entries.push(entry.clone()),
            Some(own) => out.push(
                Diagnostic::new(
                    codes::KIND_OVERLAP,
                    own.key_span.clone(),
                    format!("`{}` stands here and in the kind `{name}`", entry.key),
                )
                .label("one of the two is too many")
                .expected("the key in the channel or in its kind; another kind where it differs")
                .related(entry.key_span.clone(), "in the kind"),
            ),
        }
    }
}

/// A name that nothing has, with the nearest that exist.
pub(crate) fn unknown_name<'n>(
    what: &str,
    name: &str,
    span: Span,
    names: impl Iterator<Item = &'n str> + Clone,
    out: &Findings<'_>,
) -> Diagnostic {
    let found = Diagnostic::new(codes::UNKNOWN_NAME, span.clone(), format!("there is no {what} `{name}`"))
        .label(format!("not a {what} of this definition"));
    match out.comparisons.nearest(name, names) {
        Some(near) => found.suggest(span, format!("\"{near}\""), format!("the nearest {what}")),
        None => found,
    }
}
