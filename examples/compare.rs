//! Compares what was logged with what the bench sent: every value, record by record, in the order of the answers.

use std::collections::BTreeMap;
use std::fs;
use std::io::Write;
use std::path::PathBuf;
use std::process::ExitCode;

use clap::Parser;
use serde_json::{Map, Value as Json, json};

/// Compares the rows of `log --json` with the truth file of the bench.
///
/// Each logged row must be one of the answers that the unit sent for its record, later than the one before, with the
/// same bytes and the same values. Answers that were sent and not logged are counted as lost: garbled on the line,
/// sent again, or after the end. Exit status: 0 every row is equal, 1 one is not, 2 a file cannot be read.
#[derive(Parser, Debug)]
#[command(name = "compare")]
struct Options {
    /// Rows as `log --json` printed them.
    log: PathBuf,
    /// What the bench sent: `--truth` of `log` or of `bench_unit`.
    truth: PathBuf,
    /// Prints the result as JSON.
    #[arg(long)]
    json: bool,
}

fn main() -> ExitCode {
    let options = Options::parse();
    let read = |path: &PathBuf, answer: fn(&Json) -> Option<Answer>| {
        let text = fs::read_to_string(path).map_err(|error| format!("{}: {error}", path.display()))?;
        answers(&text, answer).map_err(|line| format!("{}:{line}: this line is no answer of a unit", path.display()))
    };
    let result = read(&options.log, logged).and_then(|log| Ok((log, read(&options.truth, sent)?)));
    let (log, truth) = match result {
        Ok(both) => both,
        Err(sentence) => {
            let _ = writeln!(anstream::stderr(), "{sentence}");
            return ExitCode::from(2);
        }
    };
    let comparison = compare(&log, &truth);
    let text = if options.json { format!("{}\n", comparison.to_json()) } else { comparison.to_string() };
    // A reader that has gone wants no more.
    let _ = anstream::stdout().write_all(text.as_bytes());
    if comparison.unequal.is_empty() { ExitCode::SUCCESS } else { ExitCode::FAILURE }
}

/// One answer of the unit, as one side saw it. A value is a number, a text, or `{"invalid": reason}`.
#[derive(Clone, PartialEq, Debug)]
struct Answer {
    line: usize,
    record: String,
    response: String,
    values: Map<String, Json>,
}

fn answers(text: &str, answer: fn(&Json) -> Option<Answer>) -> Result<Vec<Answer>, usize> {
    let lines = text.lines().enumerate().filter(|(_, line)| !line.trim().is_empty());
    lines
        .map(|(at, line)| {
            let json = serde_json::from_str(line).ok();
            json.and_then(|json| answer(&json)).map(|answer| Answer { line: at + 1, ..answer }).ok_or(at + 1)
        })
        .collect()
}

fn logged(json: &Json) -> Option<Answer> {
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

fn sent(json: &Json) -> Option<Answer> {
    common(json, json.get("values")?.as_object()?.clone())
}

fn common(json: &Json, values: Map<String, Json>) -> Option<Answer> {
    let text = |key| json.get(key)?.as_str().map(str::to_owned);
    Some(Answer { line: 0, record: text("record")?, response: text("response")?, values })
}

#[derive(Default, Debug)]
struct Comparison {
    records: BTreeMap<String, Counts>,
    /// Logged rows that no answer of the unit equals.
    unequal: Vec<String>,
    values: u64,
    /// Channels that the unit did not send: computed from others.
    derived: Vec<String>,
}

#[derive(Clone, Copy, PartialEq, Eq, Default, Debug)]
struct Counts {
    sent: u64,
    logged: u64,
    equal: u64,
    lost: u64,
    /// Lost after the last row that was logged: the log ended earlier than the unit.
    after: u64,
}

fn compare(log: &[Answer], truth: &[Answer]) -> Comparison {
    let mut sent: BTreeMap<&str, Vec<&Answer>> = BTreeMap::new();
    for answer in truth {
        sent.entry(&answer.record).or_default().push(answer);
    }
    let mut out = Comparison::default();
    let mut next: BTreeMap<&str, usize> = BTreeMap::new();
    for row in log {
        let counts = out.records.entry(row.record.clone()).or_default();
        counts.logged += 1;
        let from = next.entry(&row.record).or_default();
        let rest = sent.get(&*row.record).and_then(|all| all.get(*from..)).unwrap_or_default();
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
                out.unequal.push(format!("line {}: {}: {why}", row.line, row.record));
            }
        }
    }
    for (record, answers) in sent {
        let counts = out.records.entry(record.to_owned()).or_default();
        counts.sent = answers.len() as u64;
        counts.after = counts.sent - next.get(record).map_or(0, |next| *next as u64);
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
    fn to_json(&self) -> Json {
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

#[cfg(test)]
mod tests {
    use super::*;

    const SENT: &str = r#"
{"n":1,"time":0.1,"record":"engine","response":"61 01 1A","values":{"speed":850.0,"coolant":{"invalid":"open"}}}
{"n":2,"time":0.2,"record":"knock","response":"61 03 00","values":{"retard":0.0}}
{"n":3,"time":0.3,"record":"engine","response":"61 01 1B","values":{"speed":851.0,"coolant":20.0}}
{"n":4,"time":0.4,"record":"engine","response":"61 01 1C","values":{"speed":852.0,"coolant":20.0}}
"#;

    fn row(record: &str, response: &str, channels: Json) -> String {
        json!({ "time": 0.5, "record": record, "response": response, "channels": channels }).to_string()
    }

    fn compared(rows: &[String]) -> Comparison {
        compare(&answers(&rows.join("\n"), logged).unwrap(), &answers(SENT, sent).unwrap())
    }

    #[test]
    fn equal_rows_in_order_are_equal_and_what_is_missing_is_lost() {
        let open = json!({ "speed": { "value": 850 }, "coolant": { "invalid": "open" }, "twice": { "value": 1700.0 } });
        let last = json!({ "speed": { "value": 852.0 } });
        let found = compared(&[row("engine", "61 01 1A", open), row("engine", "61 01 1C", last)]);
        assert!(found.unequal.is_empty(), "{found}");
        assert_eq!(found.records["engine"], Counts { sent: 3, logged: 2, equal: 2, lost: 1, after: 0 });
        assert_eq!(found.records["knock"], Counts { sent: 1, logged: 0, equal: 0, lost: 0, after: 1 });
        assert_eq!((found.values, &*found.derived), (3, &["twice".to_owned()][..]));
    }

    #[test]
    fn a_wrong_value_or_a_wrong_order_is_found() {
        let wrong = row("engine", "61 01 1A", json!({ "speed": { "value": 850.0000001 } }));
        assert!(compared(&[wrong]).unequal[0].contains("speed 850.0000001 was logged where 850.0 was sent"));
        let valid = row("engine", "61 01 1A", json!({ "coolant": { "value": 20.0 } }));
        assert_eq!(compared(&[valid]).unequal.len(), 1);
        let swapped = ["61 01 1C", "61 01 1B"].map(|bytes| row("engine", bytes, json!({})));
        assert_eq!(compared(&swapped).unequal.len(), 1);
        let twice = ["61 03 00", "61 03 00"].map(|bytes| row("knock", bytes, json!({})));
        assert!(compared(&twice).unequal[0].contains("no further answer"));
    }

    #[test]
    fn a_line_that_is_no_answer_is_named() {
        assert_eq!(answers("\n{\"record\":\"engine\"}", sent), Err(2));
        assert_eq!(answers("cut of", logged), Err(1));
    }

    #[test]
    fn the_comparison_reads_well() {
        let rows =
            [row("engine", "61 01 1B", json!({ "speed": { "value": 851.0 } })), row("knock", "61 03 01", json!({}))];
        insta::assert_snapshot!(compared(&rows));
    }
}
