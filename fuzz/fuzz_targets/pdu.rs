//! PDUs of ISO 15765-2: what is read is written and read again, and must be the same.
#![no_main]
libfuzzer_sys::fuzz_target!(|bytes: &[u8]| tickover_framing::fuzzing::pdu(bytes));
