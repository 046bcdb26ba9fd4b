//! Text of a socketcand server: what is read as a frame can be written, and is the same.
#![no_main]
libfuzzer_sys::fuzz_target!(|bytes: &[u8]| tickover_link::fuzzing::socketcand(bytes));
