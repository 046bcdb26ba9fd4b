//! Who is asked and who answers: identifiers and address bytes (ISO 15765-2 clause 9.3 and annex A).

use std::format;
use std::vec::Vec;

use tickover_framing::can::Id;
use tickover_framing::isotp::{Address, Path};

use super::super::super::{Findings, Keys, can_id, keys::list, value};
use crate::diagnostic::{Diagnostic, codes};
use crate::source::Span;

/// What was read.
#[derive(Clone, Copy, Debug)]
pub(super) struct Addresses {
    pub(super) path: Path,
    /// Requests to all units.
    pub(super) functional: Option<Address>,
}

#[derive(Clone, Copy, PartialEq, Eq, Debug)]
enum Addressing {
    Normal,
    NormalFixed,
    Extended,
    Mixed,
}

const WORDS: [(&str, Addressing); 4] = [
    ("normal", Addressing::Normal),
    ("normal-fixed", Addressing::NormalFixed),
    ("extended", Addressing::Extended),
    ("mixed", Addressing::Mixed),
];
/// Keys that some addressing uses.
const ALL: [&str; 8] =
    ["request_id", "response_id", "functional_id", "target_byte", "extension", "unit", "tester", "functional"];
const IDS: [&str; 3] = ["request_id", "response_id", "functional_id"];
const UNITS: [&str; 3] = ["unit", "tester", "functional"];

/// Reads `addressing` and what it uses; `None` if something is wrong or missing.
pub(super) fn read(keys: &Keys<'_>, out: &mut Findings<'_>) -> Option<Addresses> {
    let before = out.list.len();
    let node = keys.need("addressing", "\"normal\"", out)?;
    let addressing = value::word(node, "addressing", &WORDS, out)?;
    let by_unit = match addressing {
        Addressing::Normal | Addressing::Extended => false,
        Addressing::NormalFixed => true,
        Addressing::Mixed => !IDS.iter().any(|key| keys.get(key).is_some()),
    };
    let mut used: Vec<&str> = Vec::from(if by_unit { UNITS } else { IDS });
    match addressing {
        Addressing::Extended => used.push("target_byte"),
        Addressing::Mixed => used.push("extension"),
        Addressing::Normal | Addressing::NormalFixed => {}
    }
    for entry in keys.table.entries.iter().filter(|entry| ALL.contains(&&*entry.key) && !used.contains(&&*entry.key)) {
        let message = format!("this addressing does not use `{}`", entry.key);
        out.push(
            Diagnostic::new(codes::LINE_KEYS, entry.key_span.clone(), message)
                .label("says nothing here")
                .expected(list(&used))
                .related(node.span.clone(), "the addressing"),
        );
    }
    let addresses = match (addressing, by_unit) {
        (Addressing::Normal, _) => by_id(keys, |_, id, _| Some(Address::Normal(id)), out),
        (Addressing::Extended, _) => {
            let targets = keys.need("target_byte", "{ request = 0x10, response = 0xF1 }", out);
            let targets = targets
                .and_then(|node| value::table(node, "target_byte", out))
                .map(|table| Keys::new(table, "`target_byte`", &["request", "response", "functional"], &[], out));
            let byte = targets.as_ref().and_then(|targets| targets.entry("functional"));
            if let Some(entry) = byte.filter(|_| keys.get("functional_id").is_none()) {
                let message = "`functional` goes with `functional_id`, which is not there";
                out.push(Diagnostic::new(codes::LINE_KEYS, entry.key_span.clone(), message).label("says nothing here"));
            }
            by_id(
                keys,
                |key, id, out| {
                    let direction = key.strip_suffix("_id")?;
                    let target = targets?.need(direction, "0x10", out)?;
                    Some(Address::Extended { id, target: value::byte(target, direction, out)? })
                },
                out,
            )
        }
        (Addressing::Mixed, false) => {
            let extension = extension(keys, out);
            by_id(
                keys,
                |key, id, out| match id {
                    Id::Standard(id) => Some(Address::Mixed11 { id, extension: extension? }),
                    Id::Extended(_) => {
                        let span = keys.get(key).map_or(0..0, |node| node.span.clone());
                        let message = "mixed addressing with 29 bits makes its identifiers from `unit` and `tester`";
                        out.push(
                            Diagnostic::new(codes::LINE_KEYS, span, message)
                                .expected("`unit` and `tester` instead of identifiers, or identifiers of three digits"),
                        );
                        None
                    }
                },
                out,
            )
        }
        (Addressing::Mixed, true) => {
            let extension = extension(keys, out);
            by_address(
                keys,
                |target, source, functional| {
                    Some(Address::Mixed29 { target, source, extension: extension?, functional })
                },
                out,
            )
        }
        (Addressing::NormalFixed, _) => by_address(
            keys,
            |target, source, functional| Some(Address::NormalFixed { target, source, functional }),
            out,
        ),
    };
    let addresses = addresses?;
    different(keys, &addresses, by_unit, out);
    (out.list.len() == before).then_some(addresses)
}

fn extension(keys: &Keys<'_>, out: &mut Findings<'_>) -> Option<u8> {
    keys.need("extension", "0x10", out).and_then(|node| value::byte(node, "extension", out))
}

/// Addresses from identifiers: `make` gets the key, too.
fn by_id(
    keys: &Keys<'_>,
    make: impl Fn(&str, Id, &mut Findings<'_>) -> Option<Address>,
    out: &mut Findings<'_>,
) -> Option<Addresses> {
    let one = |key: &str, example: Option<&str>, out: &mut Findings<'_>| {
        let node = match example {
            Some(example) => keys.need(key, example, out),
            None => keys.get(key),
        };
        let id = can_id::id(node?, key, out)?;
        if is_reserved(id) {
            let span = node.map_or(0..0, |node| node.span.clone());
            out.push(
                Diagnostic::new(codes::CAN_PATH, span, format!("{id} is reserved (ISO 15765-2 annex B)"))
                    .label("no unit has it")
                    .expected("another identifier than 7F4 to 7F6, 7FA and 7FB"),
            );
        }
        make(key, id, out)
    };
    let request = one("request_id", Some("\"7E0\""), out);
    let response = one("response_id", Some("\"7E8\""), out);
    let functional = one("functional_id", None, out);
    Some(Addresses { path: Path { request: request?, response: response? }, functional })
}

/// Addresses from `unit` and `tester`; `make` gets target, source, and whether it is a group.
fn by_address(
    keys: &Keys<'_>,
    make: impl Fn(u8, u8, bool) -> Option<Address>,
    out: &mut Findings<'_>,
) -> Option<Addresses> {
    let unit = keys.need("unit", "0x10", out).and_then(|node| value::byte(node, "unit", out));
    let tester = keys.need("tester", "0xF1", out).and_then(|node| value::byte(node, "tester", out));
    let functional = keys.get("functional").and_then(|node| value::byte(node, "functional", out));
    let (unit, tester) = (unit?, tester?);
    let functional = match functional {
        Some(target) => Some(make(target, tester, true)?),
        None => None,
    };
    Some(Addresses {
        path: Path { request: make(unit, tester, false)?, response: make(tester, unit, false)? },
        functional,
    })
}

/// Requests and responses can be told apart.
fn different(keys: &Keys<'_>, addresses: &Addresses, by_unit: bool, out: &mut Findings<'_>) {
    let Addresses { path: Path { request, response }, functional } = addresses;
    let span = |key: &str| -> Span { keys.get(key).map_or(0..0, |node| node.span.clone()) };
    let [own, other, to_all] =
        if by_unit { ["unit", "tester", "functional"] } else { ["response_id", "request_id", "functional_id"] };
    let same = |message: std::string::String, key: &str, second: &str| {
        Diagnostic::new(codes::CAN_PATH, span(key), message)
            .label("an answer would look like a request")
            .related(span(second), "the same here")
    };
    if request == response {
        let message = match by_unit {
            true => format!("unit and tester have the same address: both would send {}", request.id()),
            false => format!("requests and responses have the same identifier {}", request.id()),
        };
        out.push(same(message, own, other));
    }
    if functional.as_ref() == Some(response) {
        let message = format!("requests to all and responses have the same identifier {}", response.id());
        out.push(same(message, to_all, own));
    }
}

/// ISO 15765-2:2016 annex B, table B.1.
const fn is_reserved(id: Id) -> bool {
    matches!(id, Id::Standard(0x7F4..=0x7F6 | 0x7FA..=0x7FB))
}
