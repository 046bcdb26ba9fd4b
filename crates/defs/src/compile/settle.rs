//! Which findings stand beside a syntax error, and which may only follow from it.

use std::collections::HashSet;
use std::vec::Vec;

use crate::diagnostic::{Code, Diagnostic, Severity, codes};
use crate::source::Lines;

/// What may only look wrong because a line elsewhere could not be read.
const DOUBTFUL: [Code; 9] = [
    codes::UNUSED_KIND,
    codes::SERVICES_NEEDED,
    codes::EFFECT_UNKNOWN,
    codes::VECTOR,
    codes::VECTOR_DECIMALS,
    codes::VECTOR_SHAPE,
    codes::ARRAY_INDEX,
    codes::FIELD_SHAPE,
    codes::VARIANT_WHEN,
];
/// What may be on a line of the same table that could not be read.
const OF_THE_TABLE: [Code; 2] = [codes::MISSING_KEY, codes::UNIT_NEEDED];

/// With more broken lines than this nothing is said of what they may hold.
const MOST: usize = 100;

/// Syntax errors first: on their lines, and about what may be missing because of them, nothing else is said.
pub(super) fn settle(text: &str, syntax: Vec<Diagnostic>, mut found: Vec<Diagnostic>) -> Vec<Diagnostic> {
    if syntax.is_empty() {
        return found;
    }
    let broken = Broken::new(text, &syntax);
    found.retain(|diagnostic| {
        diagnostic.severity == Severity::Mistake
            && !diagnostic.follows
            && !DOUBTFUL.contains(&diagnostic.code)
            && !diagnostic.span().is_empty()
            && !broken.lines.contains(&broken.places.line(diagnostic.place.start))
            && (!OF_THE_TABLE.contains(&diagnostic.code) || broken.spares_table(diagnostic.place.start))
            && (diagnostic.code != codes::UNKNOWN_NAME || broken.spares_name(diagnostic))
    });
    found.extend(syntax);
    found
}

/// Lines that could not be read.
struct Broken<'t> {
    text: &'t str,
    places: Lines<'t>,
    lines: HashSet<usize>,
    /// Where tables begin.
    headers: Vec<usize>,
    /// Headers of the tables with such a line; `None` where it is not known what is lost.
    tables: Option<Vec<usize>>,
}

impl<'t> Broken<'t> {
    fn new(text: &'t str, syntax: &[Diagnostic]) -> Self {
        let places = Lines::new(text);
        let lines: HashSet<usize> = syntax.iter().map(|error| places.line(error.place.start)).collect();
        let is_header = |line: &str| {
            let name = line.trim_start().trim_start_matches('[');
            line.trim_start().starts_with('[') && name.starts_with(|c: char| c.is_ascii_lowercase())
        };
        let all: Vec<&str> = text.lines().collect();
        let headers: Vec<usize> = text.lines().enumerate().filter(|(_, line)| is_header(line)).map(|at| at.0).collect();
        // What a kind or a variant brings may be missing anywhere; a table without its header belongs to none.
        let tables: Option<Vec<usize>> = lines
            .iter()
            .map(|line| {
                let header = headers.iter().rev().find(|header| *header <= line)?;
                let name = all.get(*header)?.trim_start().trim_start_matches('[');
                (header != line && !["kind", "variant"].iter().any(|table| name.starts_with(table))).then_some(*header)
            })
            .collect();
        // A text over several lines that is not closed takes the rest of the file with it.
        let open = text.contains("\"\"\"") || text.contains("'''");
        Self { text, places, tables: tables.filter(|_| !open && lines.len() <= MOST), lines, headers }
    }

    /// Whether no line of the table at this byte is lost.
    fn spares_table(&self, at: usize) -> bool {
        let line = self.places.line(at);
        let own = self.headers.iter().rev().find(|header| **header <= line);
        self.tables.as_ref().zip(own).is_some_and(|(tables, own)| !tables.contains(own))
    }

    /// A name with a near neighbour is a slip of the pen; another may be defined on a line that is lost.
    fn spares_name(&self, unknown: &Diagnostic) -> bool {
        let name = self.text.get(unknown.span()).unwrap_or_default().trim_matches(['"', '\'']);
        let head = name.split('.').next().unwrap_or(name);
        let lost = || self.text.lines().enumerate().any(|(at, line)| self.lines.contains(&at) && line.contains(head));
        unknown.suggestion.is_some() || self.tables.is_some() && !lost()
    }
}
