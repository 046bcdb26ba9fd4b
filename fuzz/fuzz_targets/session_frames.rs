//! A session with two units on a CAN bus under arbitrary frames, conditions, commands and lost lines.
#![no_main]
libfuzzer_sys::fuzz_target!(|bytes: &[u8]| tickover_session::fuzzing::session_frames(bytes));
