//! The rules, one a file, and the check of a whole file.

#[cfg(any(test, feature = "fuzzing"))]
pub(crate) mod any;
pub(crate) mod arrays;
pub(crate) mod asked;
pub(crate) mod code_ranges;
pub(crate) mod collision;
pub(crate) mod coverage;
pub(crate) mod cycle;
pub(crate) mod effect;
pub(crate) mod fields;
pub(crate) mod forgotten;
pub(crate) mod frames;
pub(crate) mod grammar;
pub(crate) mod left_out;
pub(crate) mod name;
pub(crate) mod never_run;
pub(crate) mod overlap;
pub(crate) mod sent;
pub(crate) mod total;
pub(crate) mod unit;
pub(crate) mod unit_changed;
pub(crate) mod variant_when;

#[cfg(test)]
mod tests;

use std::format;
use std::path::Path;
use std::string::String;

use serde::Serialize;

use crate::compile::{self, Built, Catalog, Lines, Sheet};
use crate::compiled::Definition;
use crate::diagnostic::{Diagnostic, Report, codes};
use crate::model::Findings;
use crate::source::Files;
pub use crate::vectors::Count;

/// What a check of a file found.
#[derive(Debug)]
pub struct Outcome {
    /// The definition, if there is no mistake.
    pub definition: Option<Definition>,
    /// Every finding, mistakes and warnings, sorted by place.
    pub report: Report,
    /// Checks that were run, and how many of them held.
    pub vectors: Count,
}

impl Serialize for Outcome {
    /// `{ file, extends, diagnostics, vectors }`; `extends` only if it extends something.
    fn serialize<S: serde::Serializer>(&self, serializer: S) -> Result<S::Ok, S::Error> {
        use serde::ser::SerializeStruct;
        let extends: std::vec::Vec<&str> = self.report.files().skip(1).collect();
        let mut out = serializer.serialize_struct("Outcome", 3 + usize::from(!extends.is_empty()))?;
        out.serialize_field("file", self.report.name())?;
        if !extends.is_empty() {
            out.serialize_field("extends", &extends)?;
        }
        out.serialize_field("diagnostics", self.report.diagnostics())?;
        out.serialize_field("vectors", &self.vectors)?;
        out.end()
    }
}

/// Checks a definition file and runs every check that is written in it.
///
/// A file that cannot be read is a finding as well.
pub fn file(path: impl AsRef<Path>) -> Outcome {
    let path = path.as_ref();
    let name = path.display();
    match read(path) {
        Ok(contents) => {
            let folder = path.parent().unwrap_or_else(|| Path::new(""));
            let mut sources = |id: &str| {
                let base = folder.join(format!("{id}.toml"));
                beside(folder, &base).map_err(|reason| format!("{} cannot be read: {reason}", base.display()))
            };
            outcome(compile::text(&contents, &format!("{name}"), &mut sources))
        }
        Err(reason) => {
            let message = format!("{name} cannot be read: {reason}");
            let found = Diagnostic::new(codes::UNREADABLE, 0..0, message)
                .expected("the path of a definition file in UTF-8, seen from the current folder");
            let report = Report::new(Files::of(&format!("{name}"), ""), std::vec![found]);
            Outcome { definition: None, report, vectors: Count::default() }
        }
    }
}

/// Checks the text of the definition file `name` (`bramble-40.toml`, with or without its folder).
///
/// ```
/// let outcome = tickover_defs::check::text("edition = 2\n", "bramble-40.toml");
/// assert!(outcome.definition.is_none());
/// assert_eq!(outcome.report.diagnostics()[0].code.name(), "edition");
/// ```
///
/// A text has no folder: one that extends another definition is checked with [`text_with`].
pub fn text(text: &str, name: &str) -> Outcome {
    let mut none = |_: &str| Err(String::from("this text was read without its folder"));
    outcome(compile::text(text, name, &mut none))
}

/// The same; `base` has the text of a definition that is extended, by its id.
///
/// ```
/// let base = "edition = 1\n[definition]\nid = \"base\"\ntitle = \"Base\"\nrevision = \"1\"\nsource = \"invented\"\n";
/// let text = base.replace("id = \"base\"", "id = \"unit\"\nextends = \"base\"");
/// let outcome = tickover_defs::check::text_with(&text, "unit.toml", |id| (id == "base").then(|| base.into()));
/// assert!(outcome.report.is_clean());
/// ```
pub fn text_with(text: &str, name: &str, mut base: impl FnMut(&str) -> Option<String>) -> Outcome {
    let mut sources = |id: &str| base(id).ok_or_else(|| String::from("there is no definition of this id"));
    outcome(compile::text(text, name, &mut sources))
}

fn outcome(compile::Outcome { definition, report, vectors }: compile::Outcome) -> Outcome {
    Outcome { definition, report, vectors }
}

impl Definition {
    /// Reads, checks and compiles the text of the definition file `name`, whose stem is the definition's id.
    ///
    /// # Errors
    /// The [`Report`] with every mistake (and warning) if there is a mistake. A definition whose own checks do
    /// not hold is one.
    pub fn parse(text: &str, name: &str) -> Result<Self, Report> {
        let outcome = self::text(text, name);
        outcome.definition.ok_or(outcome.report)
    }

    /// The same; `base` has the text of a definition that is extended, by its id.
    ///
    /// # Errors
    /// As [`parse`](Self::parse); also if something that is extended is not there.
    pub fn parse_with(text: &str, name: &str, base: impl FnMut(&str) -> Option<String>) -> Result<Self, Report> {
        let outcome = text_with(text, name, base);
        outcome.definition.ok_or(outcome.report)
    }

    /// The same from a file; what it extends stands in the same folder.
    ///
    /// # Errors
    /// As [`parse`](Self::parse); also if the file, or one that it extends, cannot be read.
    pub fn load(path: impl AsRef<Path>) -> Result<Self, Report> {
        let outcome = file(path);
        outcome.definition.ok_or(outcome.report)
    }
}

/// Reads a file that stands in the folder itself: no link out of it, and nothing that is no file.
fn beside(folder: &Path, path: &Path) -> Result<String, std::io::Error> {
    let refused = |reason| Err(std::io::Error::other(reason));
    let folder = if folder.as_os_str().is_empty() { Path::new(".") } else { folder };
    let real = path.canonicalize()?;
    if real.parent() != Some(&*folder.canonicalize()?) {
        return refused("it is a link that leads out of the folder");
    }
    // A pipe would be waited for.
    if !real.metadata()?.is_file() {
        return refused("it is no file");
    }
    read(&real)
}

/// Reads no more than a definition may have, whatever the file's length.
fn read(path: &Path) -> Result<String, std::io::Error> {
    use std::io::Read;
    let mut contents = String::new();
    let most = u64::try_from(crate::source::LARGEST).unwrap_or(u64::MAX).saturating_add(4);
    std::fs::File::open(path)?.take(most).read_to_string(&mut contents)?;
    Ok(contents)
}

/// The rules about one layout.
pub(crate) fn layout(sheet: &Sheet, built: &Built, catalog: &Catalog, lines: &Lines, out: &mut Findings<'_>) {
    code_ranges::check(sheet, out);
    total::check(sheet, out);
    fields::check(sheet, built, catalog, out);
    overlap::check(sheet, built, out);
    coverage::check(sheet, built, catalog, out);
    cycle::check(sheet, built, out);
    frames::check(sheet, built, catalog, lines, out);
    collision::check(sheet, lines.taken(), out);
    sent::check(sheet, built, out);
}
