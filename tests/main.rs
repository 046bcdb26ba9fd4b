//! Cross-crate tests: one module a subject.

mod standards;
mod virtual_line;
