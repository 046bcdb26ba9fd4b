//! Rows that were logged, held against the answers that were sent.

use std::collections::BTreeMap;

use serde_json::{Map, Value as Json, json};

/// One answer of a unit, as one side saw it. A value is a number, a text, or `{"invalid": reason}`.
#[derive(Clone, PartialEq, Debug)]
pub(crate) struct Answer {
    line: usize,
    /// Its name.
    unit: Option<String>,
    record: String,
    response: String,
    values: Map<String, Json>,
}

pub(crate) fn answers(text: &str, answer: fn(&Json) -> Option<Answer>) -> Result<Vec<Answer>, usize> {
    let lines = text.lines().enumerate().filter(|(_, line)| !line.trim().is_empty());
    lines
        .map(|(at, line)| {
            let json = serde_json::from_str(line).ok();
            json.and_then(|json| answer(&json)).map(|answer| Answer { line: at + 1, ..answer }).ok_or(at + 1)
        })
        .collect()
}

pub(crate) fn logged(json: &Json) -> Option<Answer> {
    let channels = json.get("channels")?.as_object()?.iter();
    let values = channels.map(|(name, channel)| {
        let value = match channel.get("value") {
            Some(value) => value.clone(),
            None => json!({ "invalid": channel.get("invalid")? }),
        };
        Some((name.clone(), value))
    });
    common(json, values.collect::<Option<_>>()?)
}

pub(crate) fn sent(json: &Json) -> Option<Answer> {
    common(json, json.get("values")?.as_object()?.clone())
}

fn common(json: &Json, values: Map<String, Json>) -> Option<Answer> {
    let text = |key| json.get(key)?.as_str().map(str::to_owned);
    Some(Answer { line: 0, unit: text("unit"), record: text("record")?, response: text("response")?, values })
}

impl Answer {
    /// `engine`, or `gearbox:drive` where there are several units.
    fn key(&self, units: bool) -> String {
        match self.unit.as_ref().filter(|_| units) {
            Some(unit) => format!("{unit}:{}", self.record),
            None => self.record.clone(),
        }
    }
}

#[derive(Default, Debug)]
pub(crate) struct Comparison {
    pub(crate) records: BTreeMap<String, Counts>,
    /// Logged rows that no answer of the unit equals.
    pub(crate) unequal: Vec<String>,
    pub(crate) values: u64,
    /// Channels that the unit did not send: computed from others.
    pub(crate) derived: Vec<String>,
}

#[derive(Clone, Copy, PartialEq, Eq, Default, Debug)]
pub(crate) struct Counts {
    pub(crate) sent: u64,
    pub(crate) logged: u64,
    pub(crate) equal: u64,
    pub(crate) lost: u64,
    /// Lost after the last row that was logged: the log ended earlier than the unit.
    pub(crate) after: u64,
}

/// Holds every logged row against the answers of its record, in order.
pub(crate) fn compare(log: &[Answer], truth: &[Answer]) -> Comparison {
    let several = |side: &[Answer]| {
        let mut names = side.iter().filter_map(|answer| answer.unit.as_deref());
        names.next().is_some_and(|first| names.any(|name| name != first))
    };
    // One unit may have a name of its own on each side; of several the names count.
    let units = several(log) || several(truth);
    let mut sent: BTreeMap<String, Vec<&Answer>> = BTreeMap::new();
    for answer in truth {
        sent.entry(answer.key(units)).or_default().push(answer);
    }
    let mut out = Comparison::default();
    let mut next: BTreeMap<String, usize> = BTreeMap::new();
    for row in log {
        let key = row.key(units);
        let counts = out.records.entry(key.clone()).or_default();
        counts.logged += 1;
        let from = next.entry(key.clone()).or_default();
        let rest = sent.get(&key).and_then(|all| all.get(*from..)).unwrap_or_default();
        match rest.iter().position(|answer| difference(row, answer).is_none()) {
            Some(skipped) => {
                counts.equal += 1;
                counts.lost += skipped as u64;
                *from += skipped + 1;
                let known = |name: &&String| rest.get(skipped).is_some_and(|answer| answer.values.contains_key(*name));
                out.values += row.values.keys().filter(known).count() as u64;
                out.derived.extend(row.values.keys().filter(|name| !known(name)).cloned());
            }
            None => {
                let why = rest.first().and_then(|answer| difference(row, answer));
                let why = why.unwrap_or_else(|| "the unit sent no further answer of this record".into());
                out.unequal.push(format!("line {}: {key}: {why}", row.line));
            }
        }
    }
    for (record, answers) in sent {
        let after = answers.len() - next.get(&record).copied().unwrap_or(0);
        let counts = out.records.entry(record).or_default();
        (counts.sent, counts.after) = (answers.len() as u64, after as u64);
    }
    out.derived.sort();
    out.derived.dedup();
    out
}

/// The first thing in which a logged row differs from an answer.
fn difference(row: &Answer, answer: &Answer) -> Option<String> {
    if row.response != answer.response {
        return Some(format!("{} was logged where {} was sent", row.response, answer.response));
    }
    row.values.iter().find_map(|(name, value)| {
        let sent = answer.values.get(name)?;
        (!same(value, sent)).then(|| format!("{name} {value} was logged where {sent} was sent ({})", row.response))
    })
}

/// 850 and 850.0 are one number; everything else must be the same to the last bit.
fn same(one: &Json, other: &Json) -> bool {
    match (one.as_f64(), other.as_f64()) {
        (Some(one), Some(other)) => one == other,
        _ => one == other,
    }
}

impl Comparison {
    pub(crate) fn to_json(&self) -> Json {
        let records: Map<String, Json> = self
            .records
            .iter()
            .map(|(name, Counts { sent, logged, equal, lost, after })| {
                (name.clone(), json!({ "sent": sent, "logged": logged, "equal": equal, "lost": lost, "after": after }))
            })
            .collect();
        json!({ "records": records, "values": self.values, "unequal": self.unequal, "derived": self.derived })
    }
}

impl std::fmt::Display for Comparison {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        let width = self.records.keys().map(String::len).max().unwrap_or(0).max(6);
        writeln!(
            f,
            "{:width$}  {:>7}  {:>7}  {:>7}  {:>7}  {:>7}",
            "record", "sent", "logged", "equal", "lost", "after"
        )?;
        for (name, Counts { sent, logged, equal, lost, after }) in &self.records {
            writeln!(f, "{name:width$}  {sent:>7}  {logged:>7}  {equal:>7}  {lost:>7}  {after:>7}")?;
        }
        for line in &self.unequal {
            writeln!(f, "unequal: {line}")?;
        }
        if !self.derived.is_empty() {
            writeln!(f, "not compared, since the unit does not send them: {}", self.derived.join(", "))?;
        }
        let verdict = if self.unequal.is_empty() { "equal" } else { "UNEQUAL" };
        writeln!(f, "{verdict}: {} values compared, {} rows differ", self.values, self.unequal.len())
    }
}
