//! Both ends of a conversation on CAN over a bad bus: a request ends once, with what was sent or with a report.
#![no_main]
libfuzzer_sys::fuzz_target!(|bytes: &[u8]| tickover_framing::fuzzing::isotp_ends(bytes));
