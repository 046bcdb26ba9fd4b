//! `frame-collision`: an identifier is that of one frame, and none that the line uses to ask and answer.
//!
//! ```toml
//! [record.drive]
//! read = { frame = "1B4" }
//! [record.display]
//! send = { frame = "1B4" }   # who hears it cannot tell the two apart
//! ```

use std::collections::HashMap;
use std::format;
use std::vec::Vec;

use tickover_framing::can::Id;

use crate::compile::Sheet;
use crate::compiled::{Can, Direction, Line};
use crate::diagnostic::{Diagnostic, codes};
use crate::model::Findings;
use crate::model::record::Read;
use crate::source::{Span, Table};

/// An identifier that the line uses.
#[derive(Clone, PartialEq, Debug)]
pub(crate) struct Taken {
    pub(crate) id: Id,
    /// "requests to the unit"
    pub(crate) what: &'static str,
    pub(crate) span: Span,
}

/// The identifiers of a line that asks.
pub(crate) fn taken(table: &Table, line: &Line) -> Vec<Taken> {
    let Line::Can(Can { unit: Some(unit), .. }) = line else { return Vec::new() };
    // Those of normal fixed addressing follow from `unit` and `tester`.
    let place = |key: &str| {
        let entry = table.entry(key).or_else(|| table.entry("unit")).or_else(|| table.entry("addressing"));
        entry.map_or_else(|| table.span.clone(), |entry| entry.value.span.clone())
    };
    let all = [
        ("request_id", Some(unit.path.request), "requests to the unit"),
        ("response_id", Some(unit.path.response), "the unit's answers"),
        ("functional_id", unit.functional, "requests to all units"),
    ];
    all.into_iter()
        .filter_map(|(key, address, what)| Some(Taken { id: address?.id(), what, span: place(key) }))
        .collect()
}

pub(crate) fn check(sheet: &Sheet, taken: &[Taken], out: &mut Findings<'_>) {
    let mut users: HashMap<Id, (&str, Span)> = HashMap::new();
    for named in &sheet.records {
        let Some(record) = &named.value else { continue };
        let Read::Frame(id) = record.read.value else { continue };
        let span = record.read.span.clone();
        let collision =
            |message| Diagnostic::new(codes::FRAME_COLLISION, span.clone(), message).label("the same identifier");
        if let Some((other, place)) = users.get(&id) {
            let message = format!("`{}` and `{other}` are both frame {id}", named.name);
            out.push(
                collision(message)
                    .expected("one record for each identifier; pages of one frame are told apart by `when`")
                    .related(place.clone(), "the other"),
            );
        } else if let Some(taken) = taken.iter().find(|taken| taken.id == id) {
            let message = format!("`{}` is frame {id}, which carries {}", named.name, taken.what);
            out.push(
                collision(message)
                    .expected("an identifier that no request and no answer of this line has")
                    .related(taken.span.clone(), taken.what),
            );
        }
        let sent = record.frame.as_ref().is_some_and(|frame| frame.direction != Direction::Heard);
        if sent && is_of_obd(id) {
            let message =
                format!("`{}` would be sent as {id}, where every vehicle has requests or answers", named.name);
            out.push(collision(message).expected("an identifier that ISO 15765-4 table 3 and clause 6.3 leave free"));
        }
        users.entry(id).or_insert((&named.name, span));
    }
}

/// Requests to all units and to one, and answers (ISO 15765-4:2005 6.3).
const fn is_of_obd(id: Id) -> bool {
    const TESTER: u32 = 0xF1;
    match id {
        Id::Standard(id) => matches!(id, 0x7DF..=0x7EF),
        Id::Extended(0x18DB_33F1) => true,
        Id::Extended(id) => id >> 16 == 0x18DA && (id & 0xFF == TESTER || id >> 8 & 0xFF == TESTER),
    }
}
