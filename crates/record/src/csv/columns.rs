//! Columns: which channel, how long its value holds, how old it is.

use std::collections::BTreeSet;
use std::time::Duration;

use tickover_defs::compiled::{Origin, Text, UnitCode};
use tickover_defs::{Definition, Reading, RecordId, Value};
use tickover_framing::Instant;
use tickover_session::{ChannelKey, Rate, Row, Session, UnitId};

use super::{CsvError, seconds};

/// How long a channel's latest value stands in the lines of other responses.
#[derive(Clone, Copy, PartialEq, Eq, Debug)]
pub enum Hold {
    /// This long after its own response.
    For(Duration),
    /// For ever: what is read once does not age.
    Forever,
}

impl Hold {
    /// Two wanted periods; of a channel wanted as fast as possible, two of the periods `fastest` that it is
    /// predicted to reach.
    pub fn two_periods(rate: Rate, fastest: Duration) -> Self {
        Self::For(rate.period().unwrap_or(fastest).saturating_mul(2))
    }
}

/// A channel's column.
#[derive(Clone, PartialEq, Debug)]
pub struct Column {
    /// The channel.
    pub channel: ChannelKey,
    /// Its full name.
    pub name: Text,
    /// The unit of its numbers; states and texts have none. The header shows its UCUM code.
    pub unit: Option<UnitCode>,
    /// The record that carries it, and that record's name; a derived channel has none and gets an age of its own.
    pub record: Option<(RecordId, Text)>,
    /// How long its value stands in the lines of other responses.
    pub hold: Hold,
}

impl Column {
    /// The column of a channel as the definition's base has it, or else the first variant that does.
    ///
    /// `None`: nothing in the definition has this id.
    pub fn of(definition: &Definition, channel: impl Into<ChannelKey>, hold: Hold) -> Option<Self> {
        let key = channel.into();
        let channel = key.channel;
        let variants = definition.variants.iter().map(|variant| &variant.layout);
        let mut layouts = std::iter::once(&definition.base).chain(variants);
        let found = layouts.find_map(|layout| layout.channel(channel))?;
        let record = match &found.origin {
            Origin::Field { record, .. } | Origin::Parts { record, .. } => Some(*record),
            Origin::Derived => None,
        };
        Some(Self {
            channel: key,
            name: definition.channel_name(channel).to_owned().into(),
            unit: found.unit,
            record: record.map(|record| (record, definition.record_name(record).to_owned().into())),
            hold,
        })
    }

    /// The same in a session of one or more units: named `gearbox:oil` if there are several.
    ///
    /// `None`: nothing in the session has this key.
    pub fn in_session(session: &Session, channel: impl Into<ChannelKey>, hold: Hold) -> Option<Self> {
        let key = channel.into();
        let column = Self::of(session.definition_of(key.unit)?, key, hold)?;
        let name = session.channel_name(key);
        let unit = name.strip_suffix(&*column.name).unwrap_or_default().to_owned();
        let record = column.record.map(|(id, record)| (id, format!("{unit}{record}").into()));
        Some(Self { name: name.into(), record, ..column })
    }
}

/// Values as they stand after the latest row.
#[derive(Debug)]
pub(super) struct Table {
    cells: Vec<Cell>,
    ages: Vec<Age>,
}

#[derive(Debug)]
struct Cell {
    column: Column,
    held: Option<Held>,
}

#[derive(Debug)]
struct Held {
    text: String,
    /// When the value was true: the start of its response, less the age of a derived channel's inputs.
    true_at: Instant,
    until: Option<Instant>,
}

/// An age column.
#[derive(Debug)]
struct Age {
    of: AgeOf,
    name: String,
    latest: Option<Instant>,
}

#[derive(Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Debug)]
enum AgeOf {
    Record(UnitId, RecordId),
    Derived(ChannelKey),
}

impl Table {
    pub(super) fn new(columns: Vec<Column>) -> Self {
        let mut seen = BTreeSet::new();
        let ages = columns.iter().filter(|column| seen.insert(age_of(column))).map(age_column).collect();
        Self { cells: columns.into_iter().map(|column| Cell { column, held: None }).collect(), ages }
    }

    pub(super) fn header(&self) -> impl Iterator<Item = String> {
        let channels = self.cells.iter().map(|cell| match &cell.column.unit {
            Some(unit) => format!("{} [{}]", cell.column.name, unit.code()),
            None => cell.column.name.to_string(),
        });
        channels.chain(self.ages.iter().map(|age| age.name.clone()))
    }

    /// Takes a row in and appends its line's fields.
    pub(super) fn line(&mut self, row: &Row, fields: &mut Vec<String>) -> Result<(), CsvError> {
        for cell in &self.cells {
            cell.judge(row)?;
        }
        for cell in &mut self.cells {
            cell.take(row);
            fields.push(cell.shown(row.at).map(|held| held.text.clone()).unwrap_or_default());
        }
        for age in &mut self.ages {
            if age.of == AgeOf::Record(row.unit, row.record) {
                age.latest = Some(row.at);
            }
            let oldest = self
                .cells
                .iter()
                .filter(|cell| age_of(&cell.column) == age.of)
                .filter_map(|cell| cell.shown(row.at).map(|held| held.true_at))
                .min();
            fields.push(oldest.or(age.latest).map(|then| seconds(row.at.since(then))).unwrap_or_default());
        }
        Ok(())
    }
}

impl Cell {
    fn judge(&self, row: &Row) -> Result<(), CsvError> {
        let number = row.get(self.column.channel).filter(|reading| reading.number().is_some());
        match number.filter(|reading| reading.unit != self.column.unit) {
            None => Ok(()),
            Some(reading) => Err(CsvError::OtherUnit {
                channel: self.column.name.to_string(),
                expected: self.column.unit.map_or("", UnitCode::code),
                came: reading.unit.map_or("", UnitCode::code),
            }),
        }
    }

    /// A reading replaces what was held, an invalid one by nothing: the unit has said that there is no value now.
    /// A response of the channel's own record without a reading (its `when` is false) lets the last one age.
    fn take(&mut self, row: &Row) {
        let Some(reading) = row.get(self.column.channel) else { return };
        self.held = text_of(reading).map(|text| Held {
            text,
            true_at: row.at.before(reading.age),
            until: match self.column.hold {
                Hold::For(time) => Some(row.at.after(time)),
                Hold::Forever => None,
            },
        });
    }

    fn shown(&self, now: Instant) -> Option<&Held> {
        self.held.as_ref().filter(|held| held.until.is_none_or(|until| now <= until))
    }
}

fn age_of(column: &Column) -> AgeOf {
    match &column.record {
        Some((record, _)) => AgeOf::Record(column.channel.unit, *record),
        None => AgeOf::Derived(column.channel),
    }
}

/// `engine age [s]`: names have no blanks, so this is never a channel's name.
fn age_column(column: &Column) -> Age {
    let name = match &column.record {
        Some((_, record)) => format!("{record} age [s]"),
        None => format!("{} inputs age [s]", column.name),
    };
    Age { of: age_of(column), name, latest: None }
}

fn text_of(reading: &Reading) -> Option<String> {
    match &reading.value {
        Ok(Value::Number(number)) => Some(number.to_string()),
        Ok(Value::Text(text)) => Some(text.to_string()),
        Err(_) => None,
    }
}
