//! Proof that framing and services need neither `std` nor an allocator: this program links without both.
//!
//! ```sh
//! cargo build -p tickover-bare --profile bare && target/bare/no-alloc && size target/bare/no-alloc
//! ```
//!
//! Always with `-p`: a build of the whole workspace unites the features of all members. Exit status 0 means that a
//! request was judged, framed, sent to a unit's answer and read back. Under any other profile it is a hosted
//! program that does nothing, so that ordinary builds keep working.
#![cfg_attr(panic = "abort", no_std, no_main)]

#[cfg(not(panic = "abort"))]
fn main() {}

#[cfg(panic = "abort")]
#[allow(unsafe_code)] // entry point and panic machinery that std would bring
mod bare {
    use tickover_framing::kline::{Addressing, LengthForm, Message, MessageView};
    use tickover_services::kwp::{LocalIdentifier, ReadDataByLocalIdentifier};
    use tickover_services::{Effect, Emit, effect};

    #[link(name = "c")]
    unsafe extern "C" {} // memcpy and the start of the process; no std, no allocator

    #[panic_handler]
    fn panic(_: &core::panic::PanicInfo<'_>) -> ! {
        loop {}
    }

    #[unsafe(no_mangle)]
    extern "C" fn rust_eh_personality() {}

    #[unsafe(no_mangle)]
    extern "C" fn main(arguments: i32, _: *const *const u8) -> i32 {
        i32::from(exchange(arguments as u8) != Some([0x8C, 0xA6]))
    }

    /// Local identifier 0A of the unit at 1C, asked for and answered; `one` is 1, which no compiler knows.
    fn exchange(one: u8) -> Option<[u8; 2]> {
        let read = ReadDataByLocalIdentifier { id: LocalIdentifier(0x09 + one) };
        let mut request = [0; 8];
        let request = read.emit(&mut request).ok()?;
        if effect::of_iso14230(request) != Some(Effect::Reads) {
            return None;
        }
        let to_unit = Addressing::Physical { target: 0x1C, source: 0xF1 };
        let mut wire = [0; 260];
        let length = Message::new(to_unit, LengthForm::InFormat, request).ok()?.emit(&mut wire)?;
        let (asked, _) = MessageView::parse(wire.get(..length)?).ok()?;
        let id = *asked.data().last()?;
        let answered = [0x84, 0xF1, 0x1C, 0x61, id, 0x8C, 0xA6, 0x2E];
        let (answer, _) = MessageView::parse(&answered).ok()?;
        read.data(answer.data()).ok()?.try_into().ok()
    }
}
