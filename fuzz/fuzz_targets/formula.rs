//! Any bytes as a formula: printed and read back the same, and never a NaN.
#![no_main]
libfuzzer_sys::fuzz_target!(|bytes: &[u8]| tickover_defs::fuzzing::formula(bytes));
