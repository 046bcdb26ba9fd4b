//! What is equal, what is lost, what is wrong.

use serde_json::{Value as Json, json};

use crate::comparison::{Comparison, Counts, answers, compare, logged, sent};

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
fn a_record_that_two_units_have_is_compared_with_its_own_unit() {
    let line = |unit: &str, speed: f64| json!({ "unit": unit, "record": "drive", "response": "62 00", "values": { "speed": speed } });
    let truth = [line("engine", 850.0), line("gearbox", 848.0)].map(|line| line.to_string()).join("\n");
    let logged_as = |unit: &str| {
        let row = json!({ "unit": unit, "record": "drive", "response": "62 00", "channels": { "speed": { "value": 848.0 } } });
        compare(&answers(&row.to_string(), logged).unwrap(), &answers(&truth, sent).unwrap())
    };
    assert_eq!(logged_as("gearbox").records["gearbox:drive"].equal, 1);
    assert!(logged_as("engine").unequal[0].contains("engine:drive: speed 848.0 was logged where 850.0 was sent"));
}

#[test]
fn a_line_that_is_no_answer_is_named() {
    assert_eq!(answers("\n{\"record\":\"engine\"}", sent), Err(2));
    assert_eq!(answers("cut of", logged), Err(1));
}

#[test]
fn the_comparison_reads_well() {
    let rows = [row("engine", "61 01 1B", json!({ "speed": { "value": 851.0 } })), row("knock", "61 03 01", json!({}))];
    insta::assert_snapshot!(compared(&rows));
}
