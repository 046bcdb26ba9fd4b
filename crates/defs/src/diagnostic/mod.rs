//! What is wrong with a definition, as data: where, what was expected, what to write instead.

pub mod codes;
mod render;

use core::fmt;
use std::string::String;
use std::vec::Vec;

use serde::Serialize;

pub use codes::Code;

use crate::source::{Files, Lines, Span};

/// How bad it is.
#[derive(Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash, Debug, Serialize)]
#[serde(rename_all = "lowercase")]
pub enum Severity {
    /// Could give a wrong number, or cannot be read.
    Mistake,
    /// Probably forgotten.
    Warning,
    /// Worth knowing.
    Note,
}

/// One finding in a definition.
#[derive(Clone, PartialEq, Eq, Debug, Serialize)]
pub struct Diagnostic {
    /// Which rule.
    pub code: Code,
    /// How bad it is.
    pub severity: Severity,
    /// What is wrong, in one sentence.
    pub message: String,
    /// Where.
    pub place: Place,
    /// Said at the underlined text; may be empty.
    pub label: String,
    /// What was expected there.
    pub expected: Option<String>,
    /// What can be pasted instead.
    pub suggestion: Option<Suggestion>,
    /// Other places that belong to it.
    pub related: Vec<Related>,
    /// It may only look wrong because something else could not be read.
    #[serde(skip)]
    pub(crate) follows: bool,
}

/// A place in a file: bytes from `start` to before `end`; line and column from 1, columns in characters.
#[derive(Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash, Debug, Default, Serialize)]
pub struct Place {
    /// Which of the report's [`files`](Report::files): 0 the definition itself, then those that it extends.
    #[serde(skip_serializing_if = "is_zero")]
    pub file: usize,
    /// First byte.
    pub start: usize,
    /// One past the last byte.
    pub end: usize,
    /// Line of the first byte.
    pub line: u32,
    /// Column of the first byte.
    pub column: u32,
}

/// A text that can be pasted over a place.
#[derive(Clone, PartialEq, Eq, Debug, Serialize)]
pub struct Suggestion {
    /// What it does.
    pub message: String,
    /// Replaced by `text`.
    pub place: Place,
    /// The new text.
    pub text: String,
}

/// Another place that belongs to a finding.
#[derive(Clone, PartialEq, Eq, Debug, Serialize)]
pub struct Related {
    /// Where.
    pub place: Place,
    /// What is there.
    pub label: String,
}

#[allow(clippy::trivially_copy_pass_by_ref)]
const fn is_zero(file: &usize) -> bool {
    *file == 0
}

impl From<Span> for Place {
    fn from(span: Span) -> Self {
        Self { file: 0, start: span.start, end: span.end.max(span.start), line: 0, column: 0 }
    }
}

impl Diagnostic {
    pub(crate) fn new(code: Code, span: Span, message: impl Into<String>) -> Self {
        Self {
            code,
            severity: code.severity(),
            message: message.into(),
            place: span.into(),
            label: String::new(),
            expected: None,
            suggestion: None,
            related: Vec::new(),
            follows: false,
        }
    }

    pub(crate) fn label(mut self, label: impl Into<String>) -> Self {
        self.label = label.into();
        self
    }

    pub(crate) fn expected(mut self, expected: impl Into<String>) -> Self {
        self.expected = Some(expected.into());
        self
    }

    pub(crate) fn suggest(mut self, span: Span, text: impl Into<String>, message: impl Into<String>) -> Self {
        self.suggestion = Some(Suggestion { message: message.into(), place: span.into(), text: text.into() });
        self
    }

    /// Marks what may only look wrong because something else could not be read.
    pub(crate) fn following(mut self) -> Self {
        self.follows = true;
        self
    }

    pub(crate) fn related(mut self, span: Span, label: impl Into<String>) -> Self {
        self.related.push(Related { place: span.into(), label: label.into() });
        self
    }

    pub(crate) fn span(&self) -> Span {
        self.place.start..self.place.end
    }

    /// Moves every place: the text stands behind others.
    pub(crate) fn shift(&mut self, by: usize) {
        for place in self.places() {
            (place.start, place.end) = (place.start + by, place.end + by);
        }
    }

    fn places(&mut self) -> impl Iterator<Item = &mut Place> {
        core::iter::once(&mut self.place)
            .chain(self.suggestion.as_mut().map(|suggestion| &mut suggestion.place))
            .chain(self.related.iter_mut().map(|related| &mut related.place))
    }

    /// From bytes of the joined text to a file with line and column.
    fn locate(&mut self, files: &Files, lines: &[Lines<'_>]) {
        for place in self.places() {
            let (file, span) = files.local(place.start..place.end);
            let (line, column) = lines.get(file).map_or((0, 0), |lines| lines.place(span.start));
            *place = Place { file, start: span.start, end: span.end, line, column };
        }
    }
}

/// The most findings of one report.
pub(crate) const MOST: usize = 500;

/// All findings in a definition and those that it extends, sorted by place, with the texts they stand in.
#[derive(Clone, PartialEq, Eq, Debug)]
pub struct Report {
    files: Files,
    diagnostics: Vec<Diagnostic>,
}

impl Report {
    pub(crate) fn new(files: Files, mut diagnostics: Vec<Diagnostic>) -> Self {
        diagnostics.sort_by_key(|d| (d.place, d.severity, d.code));
        diagnostics.dedup_by(|a, b| (a.place, a.code, &a.message) == (b.place, b.code, &b.message));
        let rest = diagnostics.split_off(diagnostics.len().min(MOST));
        if let Some(worst) = rest.iter().min_by_key(|d| d.severity) {
            let message = std::format!("{} more findings are not shown: mend these first", rest.len());
            let mut more = Diagnostic::new(codes::TOO_MANY, worst.span(), message);
            (more.place, more.severity) = (worst.place, worst.severity);
            diagnostics.push(more);
        }
        let lines: Vec<Lines<'_>> = files.list().iter().map(|file| Lines::new(&file.text)).collect();
        for diagnostic in &mut diagnostics {
            diagnostic.locate(&files, &lines);
        }
        drop(lines);
        Self { files, diagnostics }
    }

    /// The file, as the caller named it.
    pub fn name(&self) -> &str {
        self.files.list().first().map_or("", |file| &file.name)
    }

    /// Names of the file and of those that it extends, in the order in which places count them.
    pub fn files(&self) -> impl ExactSizeIterator<Item = &str> {
        self.files.list().iter().map(|file| &*file.name)
    }

    fn file(&self, place: Place) -> (&str, &str) {
        self.files.list().get(place.file).map_or(("", ""), |file| (&file.name, &file.text))
    }

    /// The findings, sorted by place.
    pub fn diagnostics(&self) -> &[Diagnostic] {
        &self.diagnostics
    }

    /// Those that keep the file from being used.
    pub fn mistakes(&self) -> impl Iterator<Item = &Diagnostic> {
        self.diagnostics.iter().filter(|d| d.severity == Severity::Mistake)
    }

    /// Whether nothing keeps the file from being used.
    pub fn is_clean(&self) -> bool {
        self.mistakes().next().is_none()
    }

    /// For a terminal, without colour: the text underlined, with what was expected and what to write.
    pub fn plain(&self) -> String {
        self.render(&annotate_snippets::Renderer::plain())
    }

    /// The same with ANSI colours.
    pub fn styled(&self) -> String {
        self.render(&annotate_snippets::Renderer::styled())
    }

    /// One line a finding: `defs/x.toml:3:5: mistake[unknown-key]: ...`.
    pub fn short(&self) -> String {
        let mut out = String::new();
        for d in &self.diagnostics {
            let Diagnostic { code, message, place, .. } = d;
            let word = render::word(d.severity);
            let (name, _) = self.file(*place);
            out += &std::format!("{name}:{}:{}: {word}[{code}]: {message}\n", place.line, place.column);
        }
        out
    }

    fn render(&self, renderer: &annotate_snippets::Renderer) -> String {
        let mut out = String::new();
        for diagnostic in &self.diagnostics {
            out += &render::render(diagnostic, self.files.list(), renderer);
            out += "\n\n";
        }
        out
    }
}

/// As [`plain`](Report::plain).
impl fmt::Display for Report {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str(&self.plain())
    }
}

impl core::error::Error for Report {}

/// `{ file, extends, diagnostics }`; `extends` only if it extends something.
impl Serialize for Report {
    fn serialize<S: serde::Serializer>(&self, serializer: S) -> Result<S::Ok, S::Error> {
        use serde::ser::SerializeStruct;
        let extends: Vec<&str> = self.files().skip(1).collect();
        let mut out = serializer.serialize_struct("Report", 2 + usize::from(!extends.is_empty()))?;
        out.serialize_field("file", self.name())?;
        if !extends.is_empty() {
            out.serialize_field("extends", &extends)?;
        }
        out.serialize_field("diagnostics", &self.diagnostics)?;
        out.end()
    }
}
