//! From the file to the compiled form: variants laid over, names looked up, formulas compiled, every rule run.

mod catalog;
pub(crate) mod channel;
mod decimals;
mod extend;
mod layout;
pub(crate) mod line;
pub(crate) mod names;
mod record;
mod rest;
mod settle;
pub(crate) mod sheet;

use std::borrow::Cow;
use std::borrow::ToOwned;
use std::collections::HashSet;
use std::format;
use std::string::String;
use std::vec::Vec;

pub(crate) use catalog::Catalog;
pub(crate) use extend::Sources;
pub(crate) use layout::{Built, Placed, expand};
pub(crate) use line::Lines;
pub(crate) use sheet::Sheet;

use crate::check;
use crate::compiled::{Definition, Variant};
use crate::diagnostic::{Code, Diagnostic, Place, Report, Severity, codes};
use crate::model::head::{self, Head};
use crate::model::{Findings, service, value, variant};
use crate::source::Span;
use crate::vectors::{self, Count};

/// The most variants: each is checked as a whole definition.
const VARIANTS: usize = 64;

/// Everything that came of a text.
#[derive(Debug)]
pub(crate) struct Outcome {
    /// Only if there is no mistake.
    pub(crate) definition: Option<Definition>,
    pub(crate) report: Report,
    pub(crate) vectors: Count,
}

/// Reads, checks and compiles the text of the file `name` and what it extends.
pub(crate) fn text(text: &str, name: &str, sources: &mut Sources<'_>) -> Outcome {
    let extend::Loaded { files, trees, mut syntax, broken } = extend::load(text, name, sources);
    let text = &*files.joined();
    let mut out = Findings::new(text);
    let heads: Vec<Head> =
        trees.iter().zip(files.list()).map(|(tree, file)| head::read(tree, stem(&file.name), &mut out)).collect();
    let foreign = heads.iter().any(|head| head.foreign);
    if foreign {
        out.list.retain(|finding| finding.code == codes::EDITION);
        syntax.clear();
    }
    if foreign || broken.is_some() {
        // What is missing would make mistakes of everything that is built on it.
        out.list.extend(broken);
        let report = Report::new(files.clone(), settle::settle(text, syntax, out.list));
        return Outcome { definition: None, report, vectors: Count::default() };
    }
    let extended = trees.get(1..).filter(|bases| !bases.is_empty()).map(|bases| {
        let mut again = Findings::new(text);
        Sheet::read(&extend::merged(bases, &mut again), &mut again)
    });
    let root = extend::merged(&trees, &mut out);
    let head = heads.into_iter().next().unwrap_or_default();
    let services = service::read(&root, &mut out);
    let lines = line::read(&root, &mut out);
    check::asked::several(&services, &lines, &mut out);

    let base_sheet = Sheet::read(&root, &mut out);
    let mut variant_sheets = Vec::new();
    let mut variants = Vec::new();
    let all = value::named(&root, "variant", &mut out);
    if let Some((entry, _)) = all.get(VARIANTS) {
        let message = format!("a definition has at most {VARIANTS} variants, not {}", all.len());
        out.push(Diagnostic::new(codes::TOO_MANY, entry.key_span.clone(), message));
    }
    for (entry, table) in all.into_iter().take(VARIANTS) {
        check::name::plain(&entry.key, entry.key_span.clone(), "variant", &mut out);
        let variant = variant::read(table, &mut out);
        let tree = variant.lay_over(&root, &mut out);
        let mut own = Findings::new(text);
        variant_sheets.push(Sheet::read(&tree, &mut own));
        variants.push((entry, variant, own));
    }
    let sheets: Vec<&Sheet> = core::iter::once(&base_sheet).chain(&variant_sheets).collect();
    sheet::report_missing(&sheets, &mut out);
    check::name::shared(&sheets, &mut out);
    let catalog = Catalog::new(&sheets, &mut out);

    let mut count = Count::default();
    let trials = decimals::Trials::new();
    let base = layout::build(&base_sheet, &catalog, &lines, &services, (None, &trials), &mut out);
    check::layout(&base_sheet, &base, &catalog, &lines, &mut out);
    if let Some(extended) = &extended {
        check::unit_changed::check(extended, &base_sheet, &mut out);
    }
    count += vectors::run(&base_sheet, &base, &catalog, &mut out);
    let (mut built, mut whens, mut entries) = (Vec::new(), Vec::new(), Vec::new());
    for (sheet, (entry, variant, mut own)) in variant_sheets.iter().zip(variants) {
        let layout = layout::build(sheet, &catalog, &lines, &services, (Some(&base.layout), &trials), &mut own);
        check::layout(sheet, &layout, &catalog, &lines, &mut own);
        check::unit_changed::check(&base_sheet, sheet, &mut own);
        count += vectors::run(sheet, &layout, &catalog, &mut own);
        adopt(own.list, &entry.key, &entry.key_span, &mut out);
        let when = check::variant_when::compile(&variant, &base_sheet, &base, &catalog, &mut out);
        if let Some(when) = when {
            whens.push((entry.key.clone(), when));
        }
        built.push(layout);
        entries.push(entry);
    }
    check::forgotten::whole(&sheets, &mut out);
    let layouts: Vec<&Built> = core::iter::once(&base).chain(&built).collect();
    check::left_out::check(&sheets, &layouts, &entries, &mut out);
    check::never_run::check(&sheets, &layouts, &catalog, syntax.is_empty(), &mut out);

    // What may be forgotten in a file that is extended is said where that file itself is checked.
    let own = |found: &Diagnostic| found.severity == Severity::Mistake || files.local(found.span()).0 == 0;
    out.list.retain(own);
    let diagnostics = settle::settle(text, syntax, out.list);
    let report = Report::new(files.clone(), diagnostics);
    // Without a mistake every variant has its condition.
    let compiled: Vec<Variant> = whens
        .into_iter()
        .zip(built)
        .map(|((name, when), built)| Variant { name: Cow::Owned(name), when, layout: built.layout })
        .collect();
    let definition = report.is_clean().then(|| Definition {
        id: Cow::Owned(head.id),
        title: Cow::Owned(head.title),
        revision: Cow::Owned(head.revision),
        source: Cow::Owned(head.source),
        line: lines.line(),
        sessions: Cow::Owned(lines.sessions()),
        channels: catalog.channel_names(),
        arrays: catalog.arrays(),
        records: catalog.record_names(),
        base: base.layout,
        variants: Cow::Owned(compiled),
    });
    Outcome { definition, report, vectors: count }
}

/// `bramble-40` of `defs/bramble-40.toml`.
fn stem(name: &str) -> &str {
    let file = name.rsplit(['/', '\\']).next().unwrap_or(name);
    file.strip_suffix(".toml").unwrap_or(file)
}

/// Takes over what a variant brings beyond the base.
fn adopt(found: Vec<Diagnostic>, variant: &str, span: &Span, out: &mut Findings<'_>) {
    let known: HashSet<(Code, Place, String)> =
        out.list.iter().map(|known| (known.code, known.place, known.message.clone())).collect();
    for diagnostic in found {
        if !known.contains(&(diagnostic.code, diagnostic.place, diagnostic.message.clone())) {
            out.push(diagnostic.related(span.clone(), format!("in variant `{variant}`")));
        }
    }
}

/// An owned text of the compiled form.
pub(crate) fn owned(text: &str) -> Cow<'static, str> {
    Cow::Owned(text.to_owned())
}

/// The full name of an array's element.
pub(crate) fn element_name(array: &str, element: &str) -> String {
    format!("{array}.{element}")
}
