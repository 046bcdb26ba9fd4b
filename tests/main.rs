//! Cross-crate tests: one module a subject.

mod campaign;
mod standards;
mod virtual_line;
