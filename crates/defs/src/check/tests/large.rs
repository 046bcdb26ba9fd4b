//! Files as large as may be, made to cost much: they end, and say what is wrong.

use std::format;
use std::string::String;
use std::vec::Vec;

use crate::check;

const HEAD: &str = "edition = 1\n[definition]\nid = \"large\"\ntitle = \"Large\"\nrevision = \"1\"\nsource = \"invented\"\n\
    [line]\ntype = \"k-line\"\nbaud = 10400\nformat = \"8N1\"\ninit = \"fast\"\nunit = 0x1C\ntester = 0xF1\n\
    framing = \"iso14230\"\nservices = \"iso14230\"\nkeep_alive = \"none\"\n\
    [record.memory]\nread = { memory = \"0..0xFFFFFF\" }\nsource = \"invented\"\n\
    [record.paged]\nread = { local_identifier = 1 }\nlength = 2\nsource = \"invented\"\n";

/// `line` again and again, as often as a file may be long.
fn full(before: &str, line: impl Fn(usize) -> String) -> String {
    let mut text = [HEAD, before].concat();
    for place in 0.. {
        let line = line(place);
        if text.len() + line.len() > crate::source::LARGEST {
            break;
        }
        text += &line;
    }
    text
}

fn mistakes(text: &str) -> Vec<String> {
    let report = check::text(text, "large.toml").report;
    report.mistakes().map(|found| format!("{}", found.code)).collect()
}

#[test]
fn a_chain_of_thirty_thousand_channels_is_read_from_its_far_end() {
    let last = "[channel]\nc30000 = { record = \"paged\", at = 0, data = \"u16be\", unit = \"1\" }\n";
    let mut text = [HEAD, last].concat();
    for place in 0..24_000 {
        text +=
            &format!("c{place}={{formula=\"c{}+1\",unit=\"1\"}}\n", if place == 23_999 { 30_000 } else { place + 1 });
    }
    assert_eq!(mistakes(&text), [""; 0]);
}

#[test]
fn thousands_of_unknown_names_are_said_without_comparing_each_with_all() {
    let found = mistakes(&full("[channel]\n", |i| format!("channel{i}={{formula=\"chanel{i}+1\",unit=\"1\"}}\n")));
    assert!(found.len() > 400);
    let found = mistakes(&full("[group]\n", |i| format!("g{i}={{title=\"x\",channels=[\"y{i}\"]}}\n")));
    assert!(found.len() > 400);
}

#[test]
fn every_raw_value_of_a_field_may_have_a_name() {
    let states: String = (0..=0xFFFF).map(|raw| format!("{raw}='a',")).collect();
    let text =
        format!("{HEAD}[channel.c]\nrecord = \"paged\"\nat = 0\ndata = \"u16be\"\nstates = {{{states}'7..8'='b'}}\n");
    assert_eq!(mistakes(&text), ["code-overlap"]);
}

#[test]
fn keys_that_stand_twice_a_hundred_thousand_times_are_found() {
    let found = mistakes(&full("", |i| format!("k{}=1\n", i % 50_000)));
    assert!(found.len() > 400);
}

#[test]
fn names_of_half_a_mebibyte_are_not_compared() {
    let name = "a".repeat(400_000);
    let text = format!("{HEAD}[channel]\n{name}={{formula=\"{name}b\",unit=\"1\"}}\n");
    assert_eq!(mistakes(&text), ["unknown-name"]);
}

#[test]
fn thousands_of_conversions_are_not_all_tried_value_by_value() {
    let text = full("[channel]\n", |i| {
        format!("c{i}={{record=\"memory\",at={},data=\"u16be\",formula=\"sqrt(raw+{i})\",unit=\"1\"}}\n", 2 * i)
    });
    assert_eq!(mistakes(&text), [""; 0]);
    let array = format!(
        "{HEAD}[channel.a]\nrecord=\"memory\"\nat=0\ndata=\"u16be\"\nformula=\"sqrt(raw)\"\nunit=\"1\"\n\
        index=[{{name=\"n\",elements=\"0..4095\",stride=2}}]\n"
    );
    let definition = check::text(&array, "large.toml").definition.expect("it reads");
    let decimals = definition.base.channels.iter().flatten().map(|channel| channel.decimals).collect::<Vec<_>>();
    assert_eq!(decimals, [2; 4096]);
}

#[test]
fn thousands_of_fields_under_conditions_do_not_share_one_byte() {
    let page = "[channel]\npage = { record = \"paged\", at = 0, data = \"u8\", unit = \"1\" }\n";
    let text = full(page, |i| format!("c{i}={{record=\"paged\",at=1,data=\"u8\",unit=\"1\",when=\"page=={i}\"}}\n"));
    assert_eq!(mistakes(&text), ["too-many"]);
}
