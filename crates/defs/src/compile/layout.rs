//! One complete layout: every record and channel of the file as it holds for the base or for one variant.

use std::borrow::Cow;
use std::collections::HashMap;
use std::format;
use std::string::String;
use std::vec::Vec;

use super::catalog::{Catalog, elements, full_names, offsets};
use super::channel::{self, Absent, Given};
use super::decimals::Trials;
use super::names::{Here, LayoutNames};
use super::record::{self, Asked, Raw};
use super::rest;
use super::sheet::{Named, Sheet, unknown_name};
use super::{Lines, element_name};
use crate::check;
use crate::compiled::{Channel, Curve, Every, Layout, Record};
use crate::diagnostic::{Diagnostic, codes};
use crate::model::channel::{From, Origin};
use crate::model::field::Field;
use crate::model::record::Read;
use crate::model::service::Services;
use crate::model::{self, Findings};
use crate::value::{ChannelId, RecordId};

/// A layout, and where its channels come from in the file.
#[derive(Debug)]
pub(crate) struct Built {
    pub(crate) layout: Layout,
    pub(crate) placed: Vec<Placed>,
}

/// A channel or an element of one, in one layout.
#[derive(Debug)]
pub(crate) struct Placed {
    pub(crate) id: ChannelId,
    pub(crate) name: String,
    /// Its table's place in the sheet.
    pub(crate) table: usize,
    /// Of an array: which element.
    pub(crate) element: usize,
    pub(crate) record: Option<RecordId>,
    /// The fields, moved to the element; places count from the start of the record's data.
    pub(crate) fields: Vec<Field>,
}

/// Builds a layout; of a variant `base` is the base's.
pub(crate) fn build(
    sheet: &Sheet,
    catalog: &Catalog,
    lines: &Lines,
    services: &Services,
    (base, trials): (Option<&Layout>, &Trials),
    out: &mut Findings<'_>,
) -> Built {
    let curves: Vec<Curve> = sheet.curves.iter().filter_map(|named| named.value.clone()).collect();
    let curve_names: Vec<&str> = curves.iter().map(|curve| &*curve.name).collect();
    let names = LayoutNames::new(sheet, catalog, &curve_names);
    let mut work = Work {
        sheet,
        catalog,
        lines,
        services,
        names: &names,
        curves: &curves,
        base: base.filter(|base| *base.curves == *curves),
        trials,
        records: std::vec![None; catalog.record_count()],
        channels: std::vec![None; catalog.channel_count()],
        placed: Vec::new(),
    };
    work.plain_records(out);
    for (place, named) in sheet.channels.iter().enumerate().take_while(|_| !catalog.is_full()) {
        if let Some(channel) = &named.value {
            work.channel(place, named, channel, out);
        }
    }
    for (_, loose) in &sheet.loose {
        let labels = elements(&loose.index);
        let element = labels.first().map(|label| (labels.as_slice(), label.as_str()));
        let here = Here { layout: &names, raw: true, parts: loose.parts.iter().map(String::as_str).collect(), element };
        let _already_said = channel::formulas(loose.when.as_ref(), loose.formula.as_ref(), &here, out);
    }
    let Work { mut records, mut channels, mut placed, .. } = work;
    drop_dependents(&mut channels);
    placed.retain(|placed| channels.get(usize::from(placed.id.0)).is_some_and(Option::is_some));
    list_channels(&mut records, &placed);
    let here = Here::outside(&names);
    let (groups, faults, procedures) = rest::build(sheet, catalog, lines, &records, &here, &channels, out);
    let layout = Layout {
        records: Cow::Owned(records),
        channels: Cow::Owned(channels),
        curves: Cow::Owned(curves),
        groups: Cow::Owned(groups),
        faults,
        procedures: Cow::Owned(procedures),
        several: services.several.iter().map(|several| several.value).collect(),
    };
    Built { layout, placed }
}

/// What a layout is built from and into.
struct Work<'a> {
    sheet: &'a Sheet,
    catalog: &'a Catalog,
    lines: &'a Lines,
    services: &'a Services,
    names: &'a LayoutNames<'a>,
    curves: &'a [Curve],
    /// The base, where this is a variant with the same curves.
    base: Option<&'a Layout>,
    trials: &'a Trials,
    records: Vec<Option<Record>>,
    channels: Vec<Option<Channel>>,
    placed: Vec<Placed>,
}

impl<'a> Work<'a> {
    /// Records that stand in the file by name.
    fn plain_records(&mut self, out: &mut Findings<'_>) {
        for named in &self.sheet.records {
            let Some(record) = &named.value else { continue };
            let (Some(id), Some(length)) = (self.catalog.record(&named.name), &record.length) else { continue };
            let raw = Raw {
                id,
                read: Asked::Plain(&record.read.value),
                span: record.read.span.clone(),
                length: length.value,
                reserved: record.reserved.iter().map(|range| range.value).collect(),
                every: record.every,
                session: record.session.as_ref(),
                frame: record.frame.as_ref().map(model::frame::Frame::rules),
            };
            let compiled = record::compile(raw, self.lines, self.services, out);
            self.put_record(id, compiled);
        }
    }

    fn put_record(&mut self, id: RecordId, record: Option<Record>) {
        if let Some(slot) = self.records.get_mut(usize::from(id.0)) {
            *slot = record;
        }
    }

    fn channel(
        &mut self,
        table: usize,
        named: &'a Named<model::channel::Channel>,
        channel: &'a model::channel::Channel,
        out: &mut Findings<'_>,
    ) {
        let from = match &channel.origin {
            Origin::Derived => None,
            Origin::Field { from, .. } | Origin::Parts { from, .. } => match self.source(from, out) {
                Some(source) => Some(source),
                None => {
                    self.only_mistakes(named, channel, out);
                    return;
                }
            },
        };
        check::arrays::axes(channel, self.sheet, self.catalog, out);
        let fields: Vec<&Field> = match &channel.origin {
            Origin::Derived => Vec::new(),
            Origin::Field { field, .. } => Vec::from([field]),
            Origin::Parts { parts, .. } => parts.iter().map(|part| &part.field).collect(),
        };
        let labels = elements(&channel.index);
        let mut extent = 0;
        for (element, offset) in offsets(&channel.index).into_iter().enumerate() {
            let label = labels.get(element);
            let name = label.map_or_else(|| named.name.clone(), |label| element_name(&named.name, label));
            let Some(id) = self.catalog.channel(&name) else { continue };
            let moved: Option<Vec<Field>> = fields.iter().map(|field| field.moved(offset)).collect();
            let Some(moved) = moved else {
                let span = fields.first().map_or_else(|| named.span.clone(), |field| field.span.clone());
                out.push(Diagnostic::new(codes::FIELD_OUTSIDE, span, "an element of this array has no address"));
                return;
            };
            extent =
                moved.iter().flat_map(|field| &field.named).map(|place| place.saturating_add(1)).fold(extent, u32::max);
            let record = match &from {
                None => None,
                Some(Source::Record(id)) => Some((*id, 0)),
                Some(Source::Own(..)) => self.catalog.record(&named.name).map(|id| (id, 0)),
                Some(Source::Memory(space)) => match self.memory(&name, space, &moved, out) {
                    Some(record) => Some(record),
                    None => continue,
                },
            };
            let parts = match &channel.origin {
                Origin::Parts { parts, .. } => parts.iter().map(|part| part.name.as_str()).collect(),
                _ => Vec::new(),
            };
            let here = Here {
                layout: self.names,
                raw: matches!(channel.origin, Origin::Field { .. }),
                parts,
                element: label.map(|label| (labels.as_slice(), label.as_str())),
            };
            let before = self.placed.last().filter(|placed| placed.table == table);
            let like = [
                before.and_then(|before| self.channels.get(usize::from(before.id.0))?.as_ref()),
                self.base.and_then(|base| base.channel(id)),
            ];
            let given = Given {
                id,
                name: &name,
                channel,
                here: &here,
                record,
                fields: &moved,
                curves: self.curves,
                like,
                trials: self.trials,
            };
            match channel::compile(&given, out) {
                Ok(compiled) => {
                    if let Some(slot) = self.channels.get_mut(usize::from(id.0)) {
                        *slot = Some(compiled);
                    }
                    let base = record.map_or(0, |(_, base)| base);
                    let fields = moved.iter().map(|field| field.back(base)).collect();
                    let record = record.map(|(record, _)| record);
                    self.placed.push(Placed { id, name, table, element, record, fields });
                }
                Err(Absent::Elsewhere) => {}
                // The same mistake in each element is said once.
                Err(Absent::Mistaken) => break,
            }
        }
        if let Some(Source::Own(read, every, session)) = from {
            self.own_record(&named.name, read, every, session, extent, out);
        }
    }

    /// A channel whose record is not there: its own mistakes are still found.
    fn only_mistakes(
        &self,
        named: &Named<model::channel::Channel>,
        channel: &model::channel::Channel,
        out: &mut Findings<'_>,
    ) {
        let parts = match &channel.origin {
            Origin::Parts { parts, .. } => parts.iter().map(|part| part.name.as_str()).collect(),
            _ => Vec::new(),
        };
        let labels = elements(&channel.index);
        let element = labels.first().map(|label| (labels.as_slice(), label.as_str()));
        let raw = matches!(channel.origin, Origin::Field { .. });
        let here = Here { layout: self.names, raw, parts, element };
        let _already_said = channel::expressions(&named.name, channel, &here, out);
    }

    /// Where a channel's bytes come from; `None` if its record is not there.
    fn source(&self, from: &'a From, out: &mut Findings<'_>) -> Option<Source<'a>> {
        match from {
            From::Own { read, every, session } => Some(match read.value {
                Read::Memory(first, last) => {
                    Source::Memory(Space { first, last, span: &read.span, every: *every, session: session.as_ref() })
                }
                _ => Source::Own(read, *every, session.as_ref()),
            }),
            From::Record(name) => {
                let Some(named) = self.sheet.record(&name.value) else {
                    if !self.catalog.knows("record", &name.value) {
                        let names = self.sheet.records.iter().map(|record| record.name.as_str());
                        out.push(unknown_name("record", &name.value, name.span.clone(), names, out));
                    }
                    return None;
                };
                let record = named.value.as_ref()?;
                if let Read::Memory(first, last) = record.read.value {
                    return Some(Source::Memory(Space {
                        first,
                        last,
                        span: &record.read.span,
                        every: record.every,
                        session: record.session.as_ref(),
                    }));
                }
                self.catalog.record(&name.value).map(Source::Record)
            }
        }
    }

    /// The record that a channel brings itself; its response ends with the channel.
    fn own_record(
        &mut self,
        name: &str,
        read: &model::At<Read>,
        every: Every,
        session: Option<&model::TextAt>,
        extent: u32,
        out: &mut Findings<'_>,
    ) {
        let (Some(id), Some(length)) = (self.catalog.record(name), u16::try_from(extent).ok().filter(|n| *n > 0))
        else {
            return;
        };
        let raw = Raw {
            id,
            read: Asked::Plain(&read.value),
            span: read.span.clone(),
            length: (length, length),
            reserved: Vec::new(),
            every,
            session,
            frame: None,
        };
        let compiled = record::compile(raw, self.lines, self.services, out);
        self.put_record(id, compiled);
    }

    /// The record of a channel in memory: its own bytes, from the first to the last.
    fn memory(
        &mut self,
        name: &str,
        space: &Space<'_>,
        fields: &[Field],
        out: &mut Findings<'_>,
    ) -> Option<(RecordId, u32)> {
        let places = fields.iter().flat_map(|field| field.named.iter().copied());
        let (first, last) = (places.clone().min()?, places.max()?);
        let span = fields.first().map_or(0..0, |field| field.span.clone());
        if first < space.first || last > space.last {
            let message = format!("{name} lies at {first:#X}..{last:#X}, outside the record's memory");
            out.push(
                Diagnostic::new(codes::FIELD_OUTSIDE, span, message)
                    .expected(format!("addresses from {:#X} to {:#X}", space.first, space.last))
                    .related(space.span.clone(), "the record"),
            );
            return None;
        }
        let longest = record::memory_longest(self.services);
        let Some(count) = u16::try_from(last - first + 1).ok().filter(|count| *count <= longest) else {
            let message =
                format!("{name} spans {} bytes of memory, one answer has at most {longest}", last - first + 1);
            out.push(Diagnostic::new(codes::FIELD_OUTSIDE, span, message));
            return None;
        };
        let id = self.catalog.record(name)?;
        let raw = Raw {
            id,
            read: Asked::Memory { address: first, count },
            span: space.span.clone(),
            length: (count, count),
            reserved: Vec::new(),
            every: space.every,
            session: space.session,
            frame: None,
        };
        let compiled = record::compile(raw, self.lines, self.services, out);
        let good = compiled.is_some();
        self.put_record(id, compiled);
        good.then_some((id, first))
    }
}

/// Where a channel's bytes come from.
enum Source<'a> {
    Record(RecordId),
    Own(&'a model::At<Read>, Every, Option<&'a model::TextAt>),
    Memory(Space<'a>),
}

/// An address space.
struct Space<'a> {
    first: u32,
    last: u32,
    span: &'a crate::source::Span,
    every: Every,
    session: Option<&'a model::TextAt>,
}

/// A channel whose inputs are not in this layout is not in it either.
fn drop_dependents(channels: &mut [Option<Channel>]) {
    let mut readers: HashMap<ChannelId, Vec<ChannelId>> = HashMap::new();
    for channel in channels.iter().flatten() {
        for input in channel.inputs.iter() {
            readers.entry(*input).or_default().push(channel.id);
        }
    }
    let there =
        |channels: &[Option<Channel>], id: ChannelId| channels.get(usize::from(id.0)).is_some_and(Option::is_some);
    let mut gone: Vec<ChannelId> = readers.keys().copied().filter(|input| !there(channels, *input)).collect();
    while let Some(input) = gone.pop() {
        for reader in readers.remove(&input).into_iter().flatten() {
            if channels.get_mut(usize::from(reader.0)).and_then(Option::take).is_some() {
                gone.push(reader);
            }
        }
    }
}

/// Each record names its channels, in file order.
fn list_channels(records: &mut [Option<Record>], placed: &[Placed]) {
    let mut lists: HashMap<RecordId, Vec<ChannelId>> = HashMap::new();
    for placed in placed {
        if let Some(record) = placed.record {
            lists.entry(record).or_default().push(placed.id);
        }
    }
    for record in records.iter_mut().flatten() {
        let mut ids = lists.remove(&record.id).unwrap_or_default();
        ids.sort_unstable();
        record.channels = Cow::Owned(ids);
    }
}

/// The names of a layout's channel tables, arrays not spelled out.
pub(crate) fn expand(sheet: &Sheet, name: &str) -> Option<Vec<String>> {
    let named = sheet.channels.iter().find(|named| named.name == name)?;
    named.value.as_ref().map(|channel| full_names(name, channel))
}
