//! A definition and those that it extends, one text after the other, so that a span says its file as well.

use std::string::String;
use std::vec::Vec;

use super::Span;

/// A file's name and text.
#[derive(Clone, PartialEq, Eq, Debug)]
pub(crate) struct File {
    pub(crate) name: String,
    pub(crate) text: String,
}

/// Files in the order in which they were asked for; the definition itself is the first.
#[derive(Clone, PartialEq, Eq, Debug, Default)]
pub(crate) struct Files {
    list: Vec<File>,
}

impl Files {
    pub(crate) fn of(name: &str, text: &str) -> Self {
        Self { list: std::vec![File { name: name.into(), text: text.into() }] }
    }

    /// Adds a file; spans of it begin here.
    pub(crate) fn add(&mut self, name: String, text: String) -> usize {
        let start = self.joined_len();
        self.list.push(File { name, text });
        start
    }

    pub(crate) fn list(&self) -> &[File] {
        &self.list
    }

    /// All texts; between two of them is a line end.
    pub(crate) fn joined(&self) -> String {
        let mut out = String::with_capacity(self.joined_len());
        for file in &self.list {
            out.push_str(&file.text);
            out.push('\n');
        }
        out
    }

    /// Bytes of all texts with their line ends.
    pub(crate) fn joined_len(&self) -> usize {
        self.list.iter().map(|file| file.text.len() + 1).sum()
    }

    /// The file of a span, and the span in that file's own bytes.
    pub(crate) fn local(&self, span: Span) -> (usize, Span) {
        let mut start = 0;
        for (place, file) in self.list.iter().enumerate() {
            let end = start + file.text.len();
            if span.start <= end {
                return (place, span.start - start..span.end.min(end) - start);
            }
            start = end + 1;
        }
        (0, span)
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_span_of_the_joined_text_is_one_of_its_file() {
        let mut files = Files::of("a.toml", "one");
        let start = files.add("b.toml".into(), "two".into());
        assert_eq!(files.joined(), "one\ntwo\n");
        assert_eq!(files.local(0..3), (0, 0..3));
        assert_eq!(files.local(start..start + 3), (1, 0..3));
        assert_eq!(files.joined().get(start..start + 3), Some("two"));
    }
}
