//! A session under arbitrary answers, silence, commands and lost lines: rows come only from good messages.
#![no_main]
libfuzzer_sys::fuzz_target!(|bytes: &[u8]| tickover_session::fuzzing::session_input(bytes));
