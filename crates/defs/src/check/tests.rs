//! Any file: no panic, places inside it, nothing lost by how it is laid out.

use std::format;
use std::string::{String, ToString};
use std::vec::Vec;

use proptest::prelude::*;

use super::any;

mod can;
mod large;

/// A definition with something of everything.
const GOOD: &str = include_str!("tests/good.toml");

fn good() -> crate::Definition {
    let outcome = super::text(GOOD, "good.toml");
    match outcome.definition {
        Some(definition) => definition,
        None => panic!("{}", outcome.report),
    }
}

fn record(definition: &crate::Definition, name: &str) -> crate::RecordId {
    let place = definition.records.iter().position(|known| known == name).unwrap();
    crate::RecordId(place as u16)
}

#[test]
fn a_definition_has_its_parts_in_file_order() {
    let definition = good();
    let names: Vec<&str> = definition.channels.iter().map(|name| &**name).collect();
    assert_eq!(
        names,
        [
            "part_number",
            "engine_speed",
            "closed_loop",
            "page",
            "fan",
            "pump",
            "retard.1",
            "retard.3",
            "retard.2",
            "coolant",
            "oil_pressure",
            "hours",
            "worst",
            "oil_temperature",
        ]
    );
    let records: Vec<&str> = definition.records.iter().map(|name| &**name).collect();
    assert_eq!(records, ["identification", "engine", "freeze", "coolant", "oil_pressure", "hours"]);
    assert_eq!(definition.arrays.len(), 1);
    assert_eq!(definition.sessions.len(), 1);
}

#[test]
fn a_variant_is_the_base_with_its_own_keys_laid_over() {
    let definition = good();
    let late = &definition.variants[1];
    let id = record(&definition, "engine");
    assert_eq!(definition.base.record(id).unwrap().length, (8, 8));
    assert_eq!(late.layout.record(id).unwrap().length, (9, 9));
    let oil = definition.channel_id("oil_temperature").unwrap();
    assert!(definition.base.channel(oil).is_none(), "only the late unit has it");
    assert!(late.layout.channel(oil).is_some());
    let pump = definition.channel_id("pump").unwrap();
    assert!(definition.base.channel(pump).is_some());
    assert!(late.layout.channel(pump).is_none(), "left out");
}

#[test]
fn memory_is_read_one_by_one_and_places_count_from_the_channel() {
    let definition = good();
    let record = definition.base.record(record(&definition, "hours")).unwrap();
    assert_eq!(record.request.constant().unwrap(), [0x23, 0x00, 0x01, 0x90, 0x02]);
    assert_eq!(record.length, (2, 2));
}

#[test]
fn comments_blanks_and_line_ends_change_nothing() {
    let crlf = GOOD.replace('\n', "\r\n");
    let spaced = GOOD.replace('\n', "   # x\n\n");
    for other in [crlf, spaced] {
        let outcome = super::text(&other, "good.toml");
        assert_eq!(outcome.definition, Some(good()), "{}", outcome.report);
    }
}

/// Pieces that make trouble where they are put.
const PIECES: [&str; 24] = [
    "\"",
    "\"\"\"",
    "[",
    "]",
    "{",
    "}",
    "=",
    "\n",
    ".",
    "#",
    "raw",
    "0x",
    "-1",
    "99999999999999999999",
    "..",
    "é",
    "\u{0}",
    "65535",
    "'",
    "channel",
    "[channel.x]\n",
    "1e400",
    "when = \"page == 1\"\n",
    "kind = \"flag\"\n",
];

fn cut(text: &str, at: usize) -> usize {
    let mut at = at % (text.len() + 1);
    while !text.is_char_boundary(at) {
        at -= 1;
    }
    at
}

proptest! {
    #![proptest_config(ProptestConfig::with_cases(150))]

    #[test]
    fn no_change_of_a_good_file_panics(
        changes in prop::collection::vec((any::<usize>(), 0_usize..40, 0_usize..PIECES.len()), 1..4)
    ) {
        let mut text = GOOD.to_string();
        for (at, len, piece) in changes {
            let from = cut(&text, at);
            let to = cut(&text, from.saturating_add(len).min(text.len())).max(from);
            text.replace_range(from..to, PIECES[piece]);
        }
        any::definition(text.as_bytes());
    }

    #[test]
    fn no_bytes_panic(bytes in prop::collection::vec(any::<u8>(), 0..300)) {
        any::definition(&bytes);
    }

    #[test]
    fn tables_may_stand_in_any_order(seed in any::<u64>()) {
        let mut tables: Vec<String> = GOOD.split("\n\n").map(|table| format!("{table}\n\n")).collect();
        let head = tables.remove(0);
        let mut state = seed | 1;
        for place in (1..tables.len()).rev() {
            state = state.wrapping_mul(6_364_136_223_846_793_005).wrapping_add(1_442_695_040_888_963_407);
            tables.swap(place, (state >> 33) as usize % (place + 1));
        }
        let text = format!("{head}{}", tables.concat());
        let outcome = super::text(&text, "good.toml");
        let Some(shuffled) = outcome.definition else { panic!("{}", outcome.report) };
        let sorted = |definition: &crate::Definition| {
            let mut names: Vec<String> = definition.channels.iter().map(|name| name.to_string()).collect();
            names.sort();
            names
        };
        prop_assert_eq!(sorted(&shuffled), sorted(&good()));
        prop_assert_eq!(outcome.vectors.run, outcome.vectors.held);
    }
}
