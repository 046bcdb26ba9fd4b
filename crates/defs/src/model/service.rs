//! `[service]`: what the unit can do beyond one plain read.

use std::vec::Vec;

use super::{At, Findings, Keys, bytes, keys, value};
use crate::compiled::{Pattern, Several, SeveralOf, Template};
use crate::source::Table;

/// Services that may be named.
const KNOWN: [&str; 9] = [
    "local_identifier",
    "common_identifier",
    "data_identifier",
    "identification",
    "pid",
    "info_type",
    "memory",
    "dynamic",
    "timing",
];
/// Services that may take several identifiers in one request.
const SEVERAL: [(&str, SeveralOf); 4] = [
    ("local_identifier", SeveralOf::LocalIdentifier),
    ("common_identifier", SeveralOf::CommonIdentifier),
    ("data_identifier", SeveralOf::DataIdentifier),
    ("pid", SeveralOf::Pid),
];
/// Most PIDs in one request (SAE J1979; from memory).
const MOST_PIDS: i128 = 6;
/// Most data bytes in one answer (ISO 15765-2:2016 table 9).
const LONGEST: i128 = 4095;

/// What the definition says of services, as far as this version uses it.
#[derive(Clone, Debug, Default)]
pub(crate) struct Services {
    /// How a range of memory is asked for, if not the standard's way.
    pub(crate) memory: Option<(Template, Pattern)>,
    /// Most data bytes of memory in one answer.
    pub(crate) memory_longest: Option<u16>,
    /// Services that take several identifiers.
    pub(crate) several: Vec<At<Several>>,
}

/// Reads `[service]`.
pub(crate) fn read(root: &Table, out: &mut Findings<'_>) -> Services {
    let mut services = Services::default();
    let Some(all) = root.get("service").and_then(|node| value::table(node, "service", out)) else { return services };
    Keys::new(all, "[service]", &KNOWN, &[], out);
    for (entry, table) in value::named(root, "service", out) {
        match entry.key.as_str() {
            "memory" => {
                let keys = Keys::new(table, "[service.memory]", &["request", "answer", "longest"], &["several"], out);
                services.memory_longest = longest(&keys, out);
                if keys.get("request").is_some() || keys.get("answer").is_some() {
                    let example = "\"54 {address:u16le} {length:u8}\"";
                    let request = keys.need("request", example, out);
                    let request =
                        request.and_then(|node| bytes::template(node, "request", &["address", "length"], out));
                    let answer = keys.need("answer", "\"55\"", out);
                    services.memory = request.zip(answer.and_then(|node| bytes::pattern(node, "answer", out)));
                }
            }
            "dynamic" | "timing" => {
                // Only that it is there: an empty table.
                for inner in &table.entries {
                    out.push(keys::not_in_version(inner, "this service"));
                }
            }
            name => services.several.extend(plain(name, table, out)),
        }
    }
    services
}

/// A service that is used the standard's way.
fn plain(name: &str, table: &Table, out: &mut Findings<'_>) -> Option<At<Several>> {
    if !KNOWN.contains(&name) {
        return None;
    }
    let Some((_, of)) = SEVERAL.into_iter().find(|(known, _)| *known == name) else {
        let keys = Keys::new(table, "a service", &["longest"], &["request", "answer"], out);
        longest(&keys, out);
        return None;
    };
    let keys = Keys::new(table, "a service", &["several", "longest"], &["request", "answer"], out);
    let longest = longest(&keys, out);
    let node = keys.get("several")?;
    let most = if of == SeveralOf::Pid { MOST_PIDS } else { 255 };
    let count = value::whole(node, "several", 2..=most, out).and_then(|count| u8::try_from(count).ok())?;
    // Six PIDs never fill a message; how much else a unit gathers is not guessed.
    let longest = match of {
        SeveralOf::Pid => longest.or_else(|| u16::try_from(LONGEST).ok())?,
        _ => {
            keys.need("longest", "64", out)?;
            longest?
        }
    };
    Some(At { value: Several { of, count, longest }, span: node.span.clone() })
}

fn longest(keys: &Keys<'_>, out: &mut Findings<'_>) -> Option<u16> {
    let node = keys.get("longest")?;
    value::whole(node, "longest", 1..=LONGEST, out).and_then(|value| u16::try_from(value).ok())
}
