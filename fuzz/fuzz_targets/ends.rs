//! Both ends of a K-line under arbitrary inputs: no panic, and an end to what they say.
#![no_main]
libfuzzer_sys::fuzz_target!(|bytes: &[u8]| tickover_framing::fuzzing::ends(bytes));
