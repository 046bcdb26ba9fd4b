//! Cross-crate tests: one module a subject.

mod campaign;
mod emit;
#[cfg(unix)]
mod link;
mod logging;
mod real_line;
mod standards;
mod units;
mod virtual_line;
