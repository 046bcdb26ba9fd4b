//! Messages of ISO 14230-2 and ISO 9141-2: what is read can be written, and is the same.
#![no_main]
libfuzzer_sys::fuzz_target!(|bytes: &[u8]| tickover_framing::fuzzing::message(bytes));
