//! Declared block framing, declaration and frame at once: what is read can be written, and is the same.
#![no_main]
libfuzzer_sys::fuzz_target!(|bytes: &[u8]| tickover_framing::fuzzing::block(bytes));
