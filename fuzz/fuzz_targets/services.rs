//! Requests and answers of ISO 14229-1 and SAE J1979: what is read can be written, and is the same.
#![no_main]
libfuzzer_sys::fuzz_target!(|bytes: &[u8]| tickover_services::fuzzing::services(bytes));
