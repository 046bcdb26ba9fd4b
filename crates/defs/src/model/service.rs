//! `[service]`: what the unit can do beyond one plain read.

use super::{Findings, Keys, bytes, keys, value};
use crate::compiled::{Pattern, Template};
use crate::source::Table;

/// Services that may be named.
const KNOWN: [&str; 6] = ["local_identifier", "common_identifier", "identification", "memory", "dynamic", "timing"];
const LATER: [&str; 3] = ["data_identifier", "pid", "info_type"];

/// What the definition says of services, as far as this version uses it.
#[derive(Clone, Debug, Default)]
pub(crate) struct Services {
    /// How a range of memory is asked for, if not the standard's way.
    pub(crate) memory: Option<(Template, Pattern)>,
    /// Most data bytes of memory in one answer.
    pub(crate) memory_longest: Option<u16>,
}

/// Reads `[service]`.
pub(crate) fn read(root: &Table, out: &mut Findings<'_>) -> Services {
    let mut services = Services::default();
    let Some(all) = root.get("service").and_then(|node| value::table(node, "service", out)) else { return services };
    Keys::new(all, "[service]", &KNOWN, &LATER, out);
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
            name if KNOWN.contains(&name) => {
                let keys = Keys::new(table, "a service", &["longest"], &["several", "request", "answer"], out);
                longest(&keys, out);
            }
            _ => {}
        }
    }
    services
}

fn longest(keys: &Keys<'_>, out: &mut Findings<'_>) -> Option<u16> {
    let node = keys.get("longest")?;
    value::whole(node, "longest", 1..=4095, out).and_then(|value| u16::try_from(value).ok())
}
