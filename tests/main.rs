//! Cross-crate tests: one module a subject.

mod bus_campaign;
mod campaign;
mod conversation;
mod defs_err;
mod defs_extends;
mod defs_page;
mod defs_report;
mod emit;
mod frames;
#[cfg(unix)]
mod isotp_peer;
mod lanes;
#[cfg(unix)]
mod link;
mod logging;
mod real_line;
mod standards;
mod survey;
mod tshark;
mod units;
mod virtual_line;
