//! CAN lines: what addresses, times and reads compile to, and any change of a good file.

use core::time::Duration;
use std::format;
use std::string::{String, ToString};
use std::vec::Vec;

use proptest::prelude::*;
use tickover_framing::can::Id;
use tickover_framing::isotp::{Address, Fd, Path};

use super::super::any;
use super::{PIECES, cut};
use crate::Definition;
use crate::compiled::{CanUnit, Line, Read, SeveralOf};

/// A CAN line with something of everything, on a base.
const GOOD: &str = include_str!("can.toml");

fn parse(text: &str) -> Definition {
    let outcome = crate::check::text_with(text, "fuzz.toml", |id| (id == "base").then(|| String::from(any::BASE)));
    outcome.definition.unwrap_or_else(|| panic!("{}", outcome.report))
}

/// The unit of a line with these keys.
fn unit(keys: &str) -> CanUnit {
    let head = "edition = 1\n[definition]\nid = \"fuzz\"\ntitle = \"x\"\nrevision = \"1\"\nsource = \"x\"\n[line]\n\
        type = \"can\"\nbit_rate = 500000\npadding = \"none\"\nkeep_alive = \"none\"\n";
    match parse(&format!("{head}{keys}")).line {
        Some(Line::Can(line)) => line.unit.unwrap(),
        other => panic!("{other:?}"),
    }
}

fn record<'d>(definition: &'d Definition, name: &str) -> &'d crate::compiled::Record {
    let place = definition.records.iter().position(|known| known == name).unwrap();
    definition.base.record(crate::RecordId(place as u16)).unwrap()
}

fn answers(definition: &Definition, name: &str) -> (Vec<u8>, String) {
    let record = record(definition, name);
    (record.request.constant().unwrap(), record.answer.to_string())
}

/// ISO 15765-2:2016 tables A.1 to A.5: normal fixed 18DAttss and 18DBttss, mixed 18CEttss and 18CDttss; the address byte
/// stands in front of the PDU.
#[test]
fn each_addressing_says_who_is_asked_and_who_answers() {
    let standard = |id| Id::standard(id).unwrap();
    let normal = unit("addressing = \"normal\"\nrequest_id = \"6F1\"\nresponse_id = \"000006F9\"\n");
    let response = Address::Normal(Id::extended(0x6F9).unwrap());
    assert_eq!(normal.path, Path { request: Address::Normal(standard(0x6F1)), response });
    assert_eq!((normal.functional, normal.line.frames.padding), (None, None));

    let fixed = unit("addressing = \"normal-fixed\"\nunit = 0x11\ntester = 0xF1\nfunctional = 0x33\n");
    let ids =
        [fixed.path.request, fixed.path.response, fixed.functional.unwrap()].map(|address| address.id().to_string());
    assert_eq!(ids, ["18DA11F1", "18DAF111", "18DB33F1"]);

    let extended = unit(
        "addressing = \"extended\"\nrequest_id = \"6F1\"\nresponse_id = \"6F9\"\nfunctional_id = \"6F0\"\n\
         target_byte = { request = 0x10, response = 0xF1, functional = 0xFE }\n",
    );
    assert_eq!(extended.path.request, Address::Extended { id: standard(0x6F1), target: 0x10 });
    assert_eq!(extended.path.response, Address::Extended { id: standard(0x6F9), target: 0xF1 });
    assert_eq!(extended.functional, Some(Address::Extended { id: standard(0x6F0), target: 0xFE }));

    let mixed = unit("addressing = \"mixed\"\nrequest_id = \"6F1\"\nresponse_id = \"6F9\"\nextension = 0x22\n");
    assert_eq!(mixed.path.request, Address::Mixed11 { id: 0x6F1, extension: 0x22 });
    let mixed = unit("addressing = \"mixed\"\nunit = 0x11\ntester = 0xF1\nfunctional = 0x33\nextension = 0x22\n");
    let ids =
        [mixed.path.request, mixed.path.response, mixed.functional.unwrap()].map(|address| address.id().to_string());
    assert_eq!(ids, ["18CE11F1", "18CEF111", "18CD33F1"]);
    assert_eq!(mixed.path.response.first_byte(), Some(0x22));
}

/// ISO 15765-2:2016 table 20: F1 to F9 are 100 us to 900 us, 00 to 7F milliseconds.
#[test]
fn times_are_the_standards_where_the_file_is_silent() {
    let normal = "addressing = \"normal\"\nrequest_id = \"6F1\"\nresponse_id = \"6F9\"\n";
    let silent = unit(normal);
    // ISO 14229-2:2013 tables 4 and 5; ISO 15765-2:2016 table 21.
    assert_eq!((silent.p2_max, silent.p2_star_max), (Duration::from_millis(50), Duration::from_millis(5000)));
    assert_eq!(silent.s3, Some(Duration::from_millis(5000)));
    assert_eq!(silent.line.timing.n_bs, Duration::from_millis(1000));
    let told =
        unit(&format!("{normal}timing = {{ st_min = \"300 us\", block_size = 8, s3 = \"none\", n_cr = \"2 s\" }}\n"));
    assert_eq!((told.line.flow.st_min, told.line.flow.block_size), (0xF3, 8));
    assert_eq!((told.s3, told.line.timing.n_cr), (None, Duration::from_secs(2)));
    assert_eq!(unit(&format!("{normal}timing = {{ st_min = \"127 ms\" }}\n")).line.flow.st_min, 0x7F);
    let fd = unit(&format!("{normal}data_rate = 2000000\n"));
    assert_eq!(fd.line.frames.fd, Some(Fd { tx_dl: 64, switch_rate: true }));
}

/// ISO 15765-4:2005 table 6.
#[test]
fn a_line_that_starts_by_iso_15765_4_has_its_network_times() {
    let line = "addressing = \"normal\"\nrequest_id = \"7E0\"\nresponse_id = \"7E8\"\nfunctional_id = \"7DF\"\n\
        start = \"iso15765-4\"\n";
    let text = GOOD.split("[line]").next().unwrap();
    let text =
        format!("{text}[line]\ntype = \"can\"\nbit_rate = 500000\npadding = 0x55\nkeep_alive = \"none\"\n{line}");
    let Some(Line::Can(can)) = parse(&text).line else { panic!("a CAN line") };
    let unit = can.unit.unwrap();
    assert_eq!(unit.line.timing.n_bs, Duration::from_millis(75));
    assert_eq!(unit.line.frames.padding, Some(0x55));
}

/// ISO 14229-1 service 22 and SAE J1979 services 01 and 09: identifier echoed; on CAN a count of data items follows 49
/// (J1979 from memory).
#[test]
fn reads_ask_and_expect_what_the_standards_say() {
    let definition = parse(GOOD);
    assert_eq!(answers(&definition, "boost"), (Vec::from([0x22, 0x40, 0x01]), "62 40 01".into()));
    assert_eq!(answers(&definition, "engine"), (Vec::from([0x01, 0x0C]), "41 0C".into()));
    assert_eq!(answers(&definition, "vehicle"), (Vec::from([0x09, 0x02]), "49 02 ??".into()));
    assert_eq!(record(&definition, "vehicle").read, Read::InfoType(2));
    let several: Vec<_> = definition.base.several.iter().map(|several| (several.of, several.count)).collect();
    assert_eq!(several, [(SeveralOf::DataIdentifier, 3), (SeveralOf::Pid, 6)]);
    let line = definition.line.as_ref().unwrap();
    assert!(line.goes_to_all(&[0x01, 0x0C]) && !line.goes_to_all(&[0x22, 0x40, 0x01]));
}

proptest! {
    #![proptest_config(ProptestConfig::with_cases(150))]

    #[test]
    fn no_change_of_a_good_can_file_panics(
        changes in prop::collection::vec((any::<usize>(), 0_usize..40, 0_usize..PIECES.len() + WORDS.len()), 1..4)
    ) {
        let mut text = GOOD.to_string();
        for (at, len, piece) in changes {
            let from = cut(&text, at);
            let to = cut(&text, from.saturating_add(len).min(text.len())).max(from);
            text.replace_range(from..to, PIECES.iter().chain(&WORDS).nth(piece).unwrap());
        }
        any::definition(text.as_bytes());
    }
}

/// Pieces that make trouble on a CAN line.
const WORDS: [&str; 10] = [
    "\"7FA\"",
    "\"18DA10F1\"",
    "\"1FFFFFFFF\"",
    "extends = \"base\"\n",
    "extends = \"fuzz\"\n",
    "without = [\"channel\"]\n",
    "addressing = \"mixed\"\n",
    "padding = \"none\"\n",
    "type = \"k-line\"\n",
    "several = 255\n",
];
