//! Cross-crate tests: one module a subject.

mod campaign;
mod emit;
mod standards;
mod virtual_line;
