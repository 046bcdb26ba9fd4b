//! A diagnostic as people read it.

use std::string::String;
use std::vec::Vec;

use annotate_snippets::{AnnotationKind, Group, Level, Patch, Renderer, Snippet};

use super::{Diagnostic, Place, Severity};
use crate::source::{File, Span};

/// The word for a severity.
pub(super) const fn word(severity: Severity) -> &'static str {
    match severity {
        Severity::Mistake => "mistake",
        Severity::Warning => "warning",
        Severity::Note => "note",
    }
}

pub(super) fn render(diagnostic: &Diagnostic, files: &[File], renderer: &Renderer) -> String {
    let level = match diagnostic.severity {
        Severity::Mistake => Level::ERROR.with_name(word(Severity::Mistake)),
        Severity::Warning => Level::WARNING,
        Severity::Note => Level::NOTE,
    };
    let file = |place: Place| files.get(place.file).map_or(("", ""), |file| (&*file.name, &*file.text));
    let (name, text) = file(diagnostic.place);
    let mut snippet = Snippet::source(text)
        .path(name)
        .annotation(AnnotationKind::Primary.span(within(diagnostic.place, text)).label(&*diagnostic.label));
    let (here, elsewhere): (Vec<_>, Vec<_>) =
        diagnostic.related.iter().partition(|related| related.place.file == diagnostic.place.file);
    for related in here {
        snippet = snippet.annotation(AnnotationKind::Context.span(within(related.place, text)).label(&*related.label));
    }
    let title = level.primary_title(&*diagnostic.message).id(diagnostic.code.name());
    // What could not be read has nothing to underline.
    let mut first = if text.is_empty() { Group::with_title(title) } else { title.element(snippet) };
    for related in elsewhere {
        let (name, text) = file(related.place);
        let annotation = AnnotationKind::Context.span(within(related.place, text)).label(&*related.label);
        first = first.element(Snippet::source(text).path(name).annotation(annotation));
    }
    if let Some(expected) = &diagnostic.expected {
        first = first.element(Level::NOTE.with_name("expected").message(&**expected));
    }
    let mut report: Vec<Group<'_>> = std::vec![first];
    if let Some(suggestion) = &diagnostic.suggestion {
        let (name, text) = file(suggestion.place);
        report.push(Level::HELP.with_name("try").secondary_title(&*suggestion.message).element(
            Snippet::source(text).path(name).patch(Patch::new(within(suggestion.place, text), &*suggestion.text)),
        ));
    }
    renderer.render(&report)
}

/// The place, moved to character boundaries inside the text: a renderer may not be asked for less.
fn within(place: Place, text: &str) -> Span {
    let floor = |mut at: usize| {
        at = at.min(text.len());
        while !text.is_char_boundary(at) {
            at -= 1;
        }
        at
    };
    let start = floor(place.start);
    start..floor(place.end).max(start)
}
