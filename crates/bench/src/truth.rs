//! The truth file: what a simulated unit really sent, to hold against what a tester logged.
//!
//! One line of JSON per complete answer to a record's request, and per frame of a record, in the order sent:
//!
//! ```json
//! {"n":12,"time":4.182307,"unit":"bramble-40","record":"engine","response":"61 01 0D 48","values":{"engine_speed":850.0,"coolant":{"invalid":"sensor open"}}}
//! ```
//!
//! `time` is the start of the answer's first bit, in seconds of the unit's clock; `response` are the data from the
//! service byte on, in hex, as if the record had been asked for alone; `values` are all channels of the record as the
//! definition decodes them.

use std::io;

use serde::ser::{Serialize, SerializeMap, Serializer};
use tickover_defs::{Invalid, RecordId, Value};
use tickover_framing::Instant;
use tickover_framing::contract::Hex;

/// One complete answer.
#[derive(Clone, PartialEq, Debug)]
pub struct Truth {
    /// Counts all complete answers to records, and frames, from 1.
    pub number: u64,
    /// Which unit sent it.
    pub unit: String,
    /// Start of its first bit.
    pub at: Instant,
    /// Which record.
    pub record: RecordId,
    /// The record's name.
    pub name: String,
    /// The data sent, service byte and echo included.
    pub response: Vec<u8>,
    /// The channels of the record in file order, if the unit was told to note them.
    pub values: Vec<(String, Result<Value, Invalid>)>,
}

impl Truth {
    /// Writes it as one line.
    ///
    /// # Errors
    /// What `out` says.
    pub fn write_to(&self, out: &mut impl io::Write) -> io::Result<()> {
        serde_json::to_writer(&mut *out, self)?;
        out.write_all(b"\n")
    }
}

impl Serialize for Truth {
    fn serialize<S: Serializer>(&self, serializer: S) -> Result<S::Ok, S::Error> {
        let mut map = serializer.serialize_map(Some(6))?;
        map.serialize_entry("n", &self.number)?;
        map.serialize_entry("time", &(self.at.as_nanos() as f64 / 1e9))?;
        map.serialize_entry("unit", &self.unit)?;
        map.serialize_entry("record", &self.name)?;
        map.serialize_entry("response", &Hex(&self.response).to_string())?;
        map.serialize_entry("values", &Values(&self.values))?;
        map.end()
    }
}

struct Values<'a>(&'a [(String, Result<Value, Invalid>)]);

impl Serialize for Values<'_> {
    fn serialize<S: Serializer>(&self, serializer: S) -> Result<S::Ok, S::Error> {
        serializer.collect_map(self.0.iter().map(|(name, value)| (name, One(value))))
    }
}

struct One<'a>(&'a Result<Value, Invalid>);

impl Serialize for One<'_> {
    fn serialize<S: Serializer>(&self, serializer: S) -> Result<S::Ok, S::Error> {
        match self.0 {
            Ok(Value::Number(number)) => serializer.serialize_f64(*number),
            Ok(Value::Text(text)) => serializer.serialize_str(text),
            Err(reason) => serializer.collect_map([("invalid", reason.to_string())]),
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_truth_is_one_line_of_json() {
        let truth = Truth {
            number: 12,
            unit: "bramble-40".to_owned(),
            at: Instant::from_nanos(4_182_307_000),
            record: RecordId(0),
            name: "engine".to_owned(),
            response: vec![0x61, 0x01, 0x0D],
            values: vec![
                ("engine_speed".to_owned(), Ok(Value::Number(850.0))),
                ("coolant".to_owned(), Err(Invalid::Declared("sensor \"open\"".into()))),
                ("gear".to_owned(), Ok(Value::Text("neutral".into()))),
            ],
        };
        let mut out = Vec::new();
        truth.write_to(&mut out).expect("a vector takes everything");
        let line = String::from_utf8(out).expect("JSON is UTF-8");
        assert_eq!(line.matches('\n').count(), 1);
        let json: serde_json::Value = serde_json::from_str(&line).expect("it parses");
        assert_eq!(json["time"], 4.182307);
        assert_eq!(json["unit"], "bramble-40");
        assert_eq!(json["response"], "61 01 0D");
        assert_eq!(json["values"]["engine_speed"], 850.0);
        assert_eq!(json["values"]["coolant"]["invalid"], "sensor \"open\"");
        assert_eq!(json["values"]["gear"], "neutral");
    }
}
