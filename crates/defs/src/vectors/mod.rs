//! The checks written in a definition, run: a channel's own bytes, its inputs, a whole response, a frame that is heard or sent.

mod compare;
mod given;
mod own;
mod response;
mod sent;

use core::ops::AddAssign;
use std::collections::HashMap;

use serde::Serialize;

use crate::compile::{Built, Catalog, Placed, Sheet};
use crate::model::Findings;

/// Checks that were run.
#[derive(Clone, Copy, PartialEq, Eq, Debug, Default, Serialize)]
pub struct Count {
    /// How many results were compared.
    pub run: usize,
    /// How many of them were as written.
    pub held: usize,
}

impl Count {
    fn one(held: bool) -> Self {
        Self { run: 1, held: usize::from(held) }
    }
}

impl AddAssign for Count {
    fn add_assign(&mut self, other: Self) {
        self.run += other.run;
        self.held += other.held;
    }
}

/// Runs every check of a layout; those of channels and records with mistakes are left out.
pub(crate) fn run(sheet: &Sheet, built: &Built, catalog: &Catalog, out: &mut Findings<'_>) -> Count {
    let mut count = Count::default();
    let first: HashMap<usize, &Placed> =
        built.placed.iter().filter(|placed| placed.element == 0).map(|placed| (placed.table, placed)).collect();
    for (table, named) in sheet.channels.iter().enumerate() {
        let Some(channel) = &named.value else { continue };
        let Some(placed) = first.get(&table) else { continue };
        for check in &channel.checks {
            count += own::run(check, channel, placed, built, catalog, out);
        }
    }
    for named in &sheet.records {
        let (Some(record), Some(id)) = (&named.value, catalog.record(&named.name)) else { continue };
        let Some(compiled) = built.layout.record(id) else { continue };
        for check in &record.checks {
            count += response::run(check, compiled, built, catalog, out);
        }
    }
    count
}
