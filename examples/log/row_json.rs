//! A row as one line of JSON, with everything a check needs: response bytes, raw values, values.

use serde_json::{Map, Value as Json, json};
use tickover::defs::{Raw, Reading, Value};
use tickover::framing::Instant;
use tickover::session::Row;

use crate::units::Units;

/// The row as a JSON object; `time` in seconds since `start`.
pub(crate) fn row(row: &Row, start: Instant, units: &Units) -> Json {
    let Some(unit) = units.get(row.unit) else { return Json::Null };
    let definition = &unit.definition;
    let channels: Map<String, Json> = row
        .readings
        .iter()
        .map(|reading| (definition.channel_name(reading.channel).to_owned(), channel(reading)))
        .collect();
    json!({
        "time": row.at.since(start).as_nanos() as f64 / 1e9,
        "unit": unit.name,
        "record": definition.record_name(row.record),
        "response": hex(&row.response),
        "response_time": row.response_time.as_nanos() as f64 / 1e9,
        "channels": channels,
    })
}

fn channel(reading: &Reading) -> Json {
    let mut out = Map::new();
    match &reading.raw {
        Some(Raw::Unsigned(raw)) => out.insert("raw".into(), json!(raw)),
        Some(Raw::Signed(raw)) => out.insert("raw".into(), json!(raw)),
        Some(Raw::Bytes(raw)) => out.insert("raw".into(), json!(hex(raw))),
        None => None,
    };
    match &reading.value {
        Ok(Value::Number(number)) => out.insert("value".into(), json!(number)),
        Ok(Value::Text(text)) => out.insert("value".into(), json!(text)),
        Err(reason) => out.insert("invalid".into(), json!(reason.to_string())),
    };
    if let Some(unit) = reading.unit.filter(|_| reading.number().is_some()) {
        out.insert("unit".into(), json!(unit.code()));
    }
    if !reading.age.is_zero() {
        out.insert("age".into(), json!(reading.age.as_nanos() as f64 / 1e9));
    }
    Json::Object(out)
}

/// `61 01 0D`.
pub(crate) fn hex(bytes: &[u8]) -> String {
    bytes.iter().map(|byte| format!("{byte:02X}")).collect::<Vec<_>>().join(" ")
}

#[cfg(test)]
mod tests {
    use std::time::Duration;

    use tickover::defs::{Invalid, RecordId, unit};

    use super::*;

    #[test]
    fn a_row_carries_its_bytes_and_a_reading_is_a_value_or_a_reason() {
        let path = concat!(env!("CARGO_MANIFEST_DIR"), "/../defs/bramble-40.toml");
        let units = Units::load(&[path.parse().unwrap()]).expect("the shipped definition is right");
        let definition = &units.only().unwrap().definition;
        let record = definition.records.iter().position(|name| name == "engine").unwrap();
        let reading = |name, raw, value, unit| Reading {
            channel: definition.channel(name).unwrap(),
            raw,
            value,
            unit,
            decimals: 1,
            age: Duration::ZERO,
        };
        let row_in = Row {
            at: Instant::from_nanos(3_250_000_000),
            unit: tickover::session::UnitId::FIRST,
            record: RecordId(record as u16),
            response: vec![0x61, 0x01, 0x1A, 0x90],
            response_time: Duration::from_micros(25_100),
            readings: vec![
                reading("engine_speed", Some(Raw::Unsigned(6800)), Ok(Value::Number(850.0)), unit::find("/min").ok()),
                reading(
                    "coolant",
                    Some(Raw::Unsigned(8)),
                    Err(Invalid::OutsideCurve("c".into())),
                    unit::find("Cel").ok(),
                ),
                reading("closed_loop", Some(Raw::Unsigned(1)), Ok(Value::Text("yes".into())), None),
                reading("boost", None, Ok(Value::Number(-62.8)), unit::find("kPa").ok()),
            ],
        };
        let expected = json!({
            "time": 1.25, "unit": "bramble-40", "record": "engine", "response": "61 01 1A 90", "response_time": 0.0251,
            "channels": {
                "engine_speed": { "raw": 6800, "value": 850.0, "unit": "/min" },
                "coolant": { "raw": 8, "invalid": "outside curve c" },
                "closed_loop": { "raw": 1, "value": "yes" },
                "boost": { "value": -62.8, "unit": "kPa" },
            }
        });
        assert_eq!(row(&row_in, Instant::from_nanos(2_000_000_000), &units), expected);
    }
}
