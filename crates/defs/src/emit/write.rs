//! How plain data are written: numbers, texts, lists, records, choices.

use core::fmt::Write as _;
use core::time::Duration;
use std::string::String;

use crate::compiled::{List, Text};

/// Rust source under construction, one indented line for each item of a list and field of a record.
pub(super) struct Source {
    text: String,
    depth: usize,
}

/// Something that can be written as a constant expression.
pub(super) trait Write {
    fn write(&self, source: &mut Source);

    /// Lists of such values stand in one line.
    fn is_short(&self) -> bool {
        false
    }
}

impl Source {
    pub(super) fn new() -> Self {
        Self { text: String::new(), depth: 1 }
    }

    pub(super) fn text(&self) -> &str {
        &self.text
    }

    pub(super) fn put(&mut self, text: &str) {
        self.text.push_str(text);
    }

    /// `head { name: value, ... }`
    pub(super) fn record(&mut self, head: &str, fields: &[(&str, &dyn Write)]) {
        self.put(head);
        self.put(" {");
        self.depth += 1;
        for (name, value) in fields {
            self.line();
            self.put(name);
            self.put(": ");
            value.write(self);
            self.put(",");
        }
        self.depth -= 1;
        self.line();
        self.put("}");
    }

    /// `head(value, ...)`
    pub(super) fn tuple(&mut self, head: &str, values: &[&dyn Write]) {
        self.put(head);
        self.put("(");
        for (place, value) in values.iter().enumerate() {
            self.put(if place == 0 { "" } else { ", " });
            value.write(self);
        }
        self.put(")");
    }

    fn row<T: Write>(&mut self, items: &[T]) {
        for (place, item) in items.iter().enumerate() {
            self.put(if place == 0 { "" } else { ", " });
            item.write(self);
        }
    }

    fn column<T: Write>(&mut self, items: &[T]) {
        self.depth += 1;
        for item in items {
            self.line();
            item.write(self);
            self.put(",");
        }
        self.depth -= 1;
        self.line();
    }

    fn line(&mut self) {
        self.put("\n");
        for _ in 0..self.depth {
            self.put("    ");
        }
    }
}

macro_rules! whole_numbers {
    ($($number:ty),*) => {$(
        impl Write for $number {
            fn write(&self, source: &mut Source) {
                let _ = write!(source.text, "{self}");
            }

            fn is_short(&self) -> bool {
                true
            }
        }
    )*};
}
whole_numbers!(u64, u8, u16, u32, i64, i128, bool);

/// The shortest decimal that is read back as the same binary64.
impl Write for f64 {
    fn write(&self, source: &mut Source) {
        let _ = write!(source.text, "{self:?}");
    }

    fn is_short(&self) -> bool {
        true
    }
}

impl Write for Duration {
    fn write(&self, source: &mut Source) {
        let _ = write!(source.text, "Duration::new({}, {})", self.as_secs(), self.subsec_nanos());
    }
}

impl Write for Text {
    fn write(&self, source: &mut Source) {
        let _ = write!(source.text, "Cow::Borrowed({:?})", &**self);
    }
}

impl<T: Write + Clone> Write for List<T> {
    fn write(&self, source: &mut Source) {
        source.put("Cow::Borrowed(&[");
        if self.iter().all(Write::is_short) {
            source.row(self);
        } else {
            source.column(self);
        }
        source.put("])");
    }
}

impl<T: Write> Write for Option<T> {
    fn write(&self, source: &mut Source) {
        match self {
            Some(value) => source.tuple("Some", &[value]),
            None => source.put("None"),
        }
    }
}

impl<A: Write, B: Write> Write for (A, B) {
    fn write(&self, source: &mut Source) {
        source.tuple("", &[&self.0, &self.1]);
    }

    fn is_short(&self) -> bool {
        self.0.is_short() && self.1.is_short()
    }
}

impl<T: Write, const N: usize> Write for [T; N] {
    fn write(&self, source: &mut Source) {
        source.put("[");
        source.row(self);
        source.put("]");
    }
}
