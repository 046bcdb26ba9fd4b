//! `bytes-uncovered`, `bits-uncovered`: what no channel uses is reserved, or probably forgotten.
//!
//! ```toml
//! [record.engine]
//! length = 4                 # bytes 2 and 3 belong to nobody
//! [channel.speed]
//! at = 0
//! data = "u16be"
//! ```

use std::collections::{HashMap, HashSet};
use std::format;
use std::string::String;
use std::vec::Vec;

use super::overlap::masks;
use crate::compile::{Built, Catalog, Sheet};
use crate::compiled::Direction;
use crate::diagnostic::{Diagnostic, codes};
use crate::model::Findings;

pub(crate) fn check(sheet: &Sheet, built: &Built, catalog: &Catalog, out: &mut Findings<'_>) {
    // A table with a mistake may be what covers the rest.
    let there: HashSet<usize> = built.placed.iter().map(|placed| placed.table).collect();
    let broken = (0..sheet.channels.len()).any(|table| !there.contains(&table));
    for named in &sheet.records {
        let Some(record) = &named.value else { continue };
        // In a frame that we send, `fill` stands where no channel writes.
        if record.frame.as_ref().is_some_and(|frame| frame.direction != Direction::Heard) {
            continue;
        }
        let (Some(id), Some(length)) = (catalog.record(&named.name), &record.length) else { continue };
        let mut used: HashMap<u32, u8> = HashMap::new();
        for field in built.placed.iter().filter(|placed| placed.record == Some(id)).flat_map(|placed| &placed.fields) {
            for (place, mask) in masks(field) {
                *used.entry(place).or_default() |= mask;
            }
        }
        for (place, mask) in record.frame.iter().flat_map(super::frames::used) {
            *used.entry(place).or_default() |= mask;
        }
        let reserved = |place: u32| {
            record.reserved.iter().any(|range| (u32::from(range.value.0)..=u32::from(range.value.1)).contains(&place))
        };
        let uncovered: Vec<u32> =
            (0..u32::from(length.value.1)).filter(|place| !used.contains_key(place) && !reserved(*place)).collect();
        if !uncovered.is_empty() && !broken {
            let runs = runs(&uncovered);
            out.push(
                Diagnostic::new(
                    codes::BYTES_UNCOVERED,
                    named.span.clone(),
                    format!(
                        "nothing covers {} {} of `{}`",
                        plural("byte", uncovered.len()),
                        runs.join(", "),
                        named.name
                    ),
                )
                .label("this record")
                .expected(format!(
                    "channels, or `reserved = [{}]` with them",
                    runs.iter().map(|run| format!("\"{run}\"")).collect::<Vec<_>>().join(", ")
                )),
            );
        }
        let mut partly: Vec<(u32, u8)> = used.into_iter().filter(|(_, mask)| ![0, 0xFF].contains(mask)).collect();
        partly.sort_unstable();
        if !partly.is_empty() && !broken {
            let bits: Vec<String> =
                partly.iter().map(|(place, mask)| format!("{} of byte {place}", bits(!mask))).collect();
            let message = format!("nothing covers {} in `{}`", bits.join(", "), named.name);
            out.push(Diagnostic::new(codes::BITS_UNCOVERED, named.span.clone(), message).label("this record"));
        }
    }
}

fn plural(noun: &str, count: usize) -> String {
    if count == 1 { noun.into() } else { format!("{noun}s") }
}

/// `14..15` and `21`.
fn runs(places: &[u32]) -> Vec<String> {
    let mut all: Vec<(u32, u32)> = Vec::new();
    for place in places {
        match all.last_mut() {
            Some((_, last)) if *last + 1 == *place => *last = *place,
            _ => all.push((*place, *place)),
        }
    }
    all.iter()
        .map(|(first, last)| if first == last { format!("{first}") } else { format!("{first}..{last}") })
        .collect()
}

fn bits(mask: u8) -> String {
    let places: Vec<u32> = (0..8).filter(|bit| mask & 1 << bit != 0).collect();
    format!("{} {}", plural("bit", places.len()), runs(&places).join(", "))
}
