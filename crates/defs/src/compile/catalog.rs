//! Names and their places: one list of channels and one of records for all variants, in file order, the
//! base's first.

use std::borrow::{Cow, ToOwned};
use std::collections::{HashMap, HashSet};
use std::format;
use std::string::String;
use std::vec::Vec;

use super::sheet::{Named, Sheet};
use super::{element_name, owned};
use crate::compiled::{Array, List, Text};
use crate::diagnostic::{Diagnostic, codes};
use crate::model::Findings;
use crate::model::channel::{Channel, Dimension, From, Origin};
use crate::model::record::Read;
use crate::value::{ChannelId, RecordId};

/// The most channels of all layouts together.
const MOST_COUNTED: usize = u16::MAX as usize;

/// Names and their places.
#[derive(Debug, Default)]
pub(crate) struct Catalog {
    /// Channels of all layouts added up: what work they will make.
    counted: usize,
    channels: Vec<String>,
    channel_places: HashMap<String, ChannelId>,
    arrays: Vec<Array>,
    records: Vec<String>,
    record_places: HashMap<String, RecordId>,
    /// Names that stand in the file, whether or not what they name could be read; `true`: it could not.
    tables: HashMap<(&'static str, String), bool>,
}

impl Catalog {
    /// Collects the names of all layouts.
    pub(crate) fn new(sheets: &[&Sheet], out: &mut Findings<'_>) -> Self {
        let mut catalog = Self::default();
        let mut order: Vec<Counted<'_>> = Vec::new();
        let mut places: HashMap<&str, usize> = HashMap::new();
        for sheet in sheets {
            for channel in &sheet.channels {
                catalog.know("channel", &channel.name, channel.value.is_none());
                let Some(value) = &channel.value else { continue };
                let place = *places.entry(&channel.name).or_insert_with(|| {
                    order.push(Counted {
                        name: &channel.name,
                        elements: Vec::new(),
                        known: HashSet::new(),
                        scalar: false,
                    });
                    order.len() - 1
                });
                let Some(counted) = order.get_mut(place) else { continue };
                counted.scalar |= value.index.is_empty();
                // No sum of names beyond what a session can hold is ever made.
                catalog.counted += if value.index.is_empty() { 1 } else { product(&value.index) };
                if catalog.is_full() {
                    continue;
                }
                for element in elements(&value.index) {
                    if counted.known.insert(element.clone()) {
                        counted.elements.push(element);
                    }
                }
            }
            for record in &sheet.records {
                catalog.know("record", &record.name, record.value.is_none());
                let memory = record.value.as_ref().is_some_and(|record| matches!(record.read.value, Read::Memory(..)));
                if !memory {
                    catalog.add_record(&record.name);
                }
            }
            for curve in &sheet.curves {
                catalog.know("curve", &curve.name, curve.value.is_none());
            }
            for group in &sheet.groups {
                catalog.know("group", &group.name, group.value.is_none());
            }
        }
        for Counted { name, elements, scalar, .. } in order {
            let first = catalog.channels.len();
            for element in &elements {
                catalog.add_channel(element_name(name, element));
            }
            if !elements.is_empty() {
                let first = ChannelId(u16::try_from(first).unwrap_or(u16::MAX));
                let elements = elements.iter().map(|element| owned(element)).collect();
                catalog.arrays.push(Array { name: owned(name), first, elements });
            }
            if scalar {
                catalog.add_channel(name.to_owned());
            }
        }
        for sheet in sheets {
            for channel in &sheet.channels {
                for name in own_records(channel, sheet).iter().take(usize::from(u16::MAX)) {
                    catalog.add_record(name);
                }
            }
        }
        if catalog.is_full() || catalog.records.len() > usize::from(u16::MAX) {
            let message = format!(
                "a definition has at most {} channels, those of all variants added up, and as many records",
                u16::MAX
            );
            out.push(Diagnostic::new(codes::TOO_MANY, 0..0, message));
        }
        catalog
    }

    pub(crate) fn channel(&self, name: &str) -> Option<ChannelId> {
        self.channel_places.get(name).copied()
    }

    pub(crate) fn record(&self, name: &str) -> Option<RecordId> {
        self.record_places.get(name).copied()
    }

    /// Whether there are more channels than places; then nothing is compiled.
    pub(crate) const fn is_full(&self) -> bool {
        self.counted > MOST_COUNTED
    }

    /// Whether a table of this name stands anywhere in the file, in another variant or with a mistake.
    pub(crate) fn knows(&self, table: &'static str, name: &str) -> bool {
        self.tables.contains_key(&(table, name.to_owned()))
    }

    /// Whether a formula may mean something by this name that is not in its own layout.
    pub(crate) fn knows_in_formulas(&self, name: &str) -> bool {
        let head = name.split('.').next().unwrap_or(name);
        let broken = |table| self.tables.get(&(table, head.to_owned())).copied().unwrap_or(false);
        self.channel_places.contains_key(name)
            || self.arrays.iter().any(|array| array.name == name)
            || broken("channel")
            || broken("curve")
            || self.knows("curve", name)
    }

    pub(crate) fn channel_count(&self) -> usize {
        self.channels.len()
    }

    pub(crate) fn record_count(&self) -> usize {
        self.records.len()
    }

    pub(crate) fn channel_names(&self) -> List<Text> {
        self.channels.iter().map(|name| owned(name)).collect()
    }

    pub(crate) fn record_names(&self) -> List<Text> {
        self.records.iter().map(|name| owned(name)).collect()
    }

    pub(crate) fn arrays(&self) -> List<Array> {
        Cow::Owned(self.arrays.clone())
    }

    /// Channels, arrays and curves: what formulas can name, broken ones too.
    pub(crate) fn formula_names(&self) -> impl Iterator<Item = &str> + Clone {
        let tables = self.tables.keys().filter(|(table, _)| matches!(*table, "channel" | "curve"));
        self.channels.iter().map(String::as_str).chain(tables.map(|(_, name)| name.as_str()))
    }

    fn know(&mut self, table: &'static str, name: &str, broken: bool) {
        *self.tables.entry((table, name.to_owned())).or_insert(broken) &= broken;
    }

    fn add_channel(&mut self, name: String) {
        let id = ChannelId(u16::try_from(self.channels.len()).unwrap_or(u16::MAX));
        if self.channel_places.insert(name.clone(), id).is_none() {
            self.channels.push(name);
        }
    }

    fn add_record(&mut self, name: &str) {
        if !self.record_places.contains_key(name) {
            let id = RecordId(u16::try_from(self.records.len()).unwrap_or(u16::MAX));
            self.record_places.insert(name.to_owned(), id);
            self.records.push(name.to_owned());
        }
    }
}

/// A channel over all layouts.
struct Counted<'a> {
    name: &'a str,
    elements: Vec<String>,
    known: HashSet<String>,
    scalar: bool,
}

/// How many elements an array has.
fn product(index: &[Dimension]) -> usize {
    index.iter().map(|dimension| dimension.elements.len()).fold(1, usize::saturating_mul)
}

/// Names of an array's elements in stored order; none if it is no array.
pub(crate) fn elements(index: &[Dimension]) -> Vec<String> {
    match index {
        [] => Vec::new(),
        [one] => one.elements.clone(),
        [rows, columns, ..] => rows
            .elements
            .iter()
            .flat_map(|row| columns.elements.iter().map(move |column| element_name(row, column)))
            .collect(),
    }
}

/// How far each element lies behind the first, in bytes.
pub(crate) fn offsets(index: &[Dimension]) -> Vec<u32> {
    let steps = |dimension: &Dimension| -> Vec<u32> {
        (0..dimension.elements.len())
            .map(|place| u32::try_from(place).unwrap_or(u32::MAX).saturating_mul(dimension.stride))
            .collect()
    };
    match index {
        [] => Vec::from([0]),
        [one] => steps(one),
        [rows, columns, ..] => {
            let inner = steps(columns);
            steps(rows)
                .into_iter()
                .flat_map(|row| inner.iter().map(move |step| row.saturating_add(*step)).collect::<Vec<_>>())
                .collect()
        }
    }
}

/// Records that a channel makes: its own read, or one for each element in memory.
fn own_records(channel: &Named<Channel>, sheet: &Sheet) -> Vec<String> {
    let Some(value) = &channel.value else { return Vec::new() };
    let (Origin::Field { from, .. } | Origin::Parts { from, .. }) = &value.origin else { return Vec::new() };
    match from {
        From::Own { read, .. } if !matches!(read.value, Read::Memory(..)) => Vec::from([channel.name.clone()]),
        From::Own { .. } => full_names(&channel.name, value),
        From::Record(record) => {
            let memory = sheet.record(&record.value).and_then(|named| named.value.as_ref());
            match memory.map(|record| &record.read.value) {
                Some(Read::Memory(..)) => full_names(&channel.name, value),
                _ => Vec::new(),
            }
        }
    }
}

/// The channel's full name, or those of its elements.
pub(crate) fn full_names(name: &str, channel: &Channel) -> Vec<String> {
    if channel.index.is_empty() {
        return Vec::from([name.to_owned()]);
    }
    elements(&channel.index).iter().map(|element| element_name(name, element)).collect()
}
