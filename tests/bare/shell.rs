//! What std would bring to a program: entry point and panic machinery. Only under the profile `bare`.
#![allow(unsafe_code)]

#[link(name = "c")]
unsafe extern "C" {} // memcpy and the start of the process; no std, no allocator

#[panic_handler]
fn panic(_: &core::panic::PanicInfo<'_>) -> ! {
    loop {}
}

#[unsafe(no_mangle)]
extern "C" fn rust_eh_personality() {}

/// `argc` is 1, which no compiler knows: nothing of the proof is computed beforehand.
#[unsafe(no_mangle)]
extern "C" fn main(argc: i32, _: *const *const u8) -> i32 {
    i32::from(!crate::proof(argc as u8))
}
