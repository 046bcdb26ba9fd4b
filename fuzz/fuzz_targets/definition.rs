//! Any text as a definition file: a definition, or mistakes that all have a place in it.
#![no_main]
libfuzzer_sys::fuzz_target!(|bytes: &[u8]| tickover_defs::fuzzing::definition(bytes));
