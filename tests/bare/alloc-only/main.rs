//! Proof that the session needs an allocator and no `std`: this program links with nothing else.
//!
//! ```sh
//! cargo build -p tickover-bare-alloc --profile bare && target/bare/alloc-only && size target/bare/alloc-only
//! ```
//!
//! Always with `-p`: a build of the whole workspace unites the features of all members. Exit status 0 means that a
//! session has connected, polled a record of a definition that is compiled in, and decoded its channel. Under any
//! other profile it is an ordinary program that does the same, so that whole-workspace commands keep working.
#![cfg_attr(panic = "abort", no_std, no_main)]

extern crate alloc;

#[cfg(panic = "abort")]
mod arena;
mod definition;
#[cfg(panic = "abort")]
#[path = "../shell.rs"]
mod shell;
#[path = "../wire.rs"]
mod wire;

use tickover_framing::drive::{Port, turn};
use tickover_session::{Event, Rate, Session};
use wire::Wire;

#[cfg(not(panic = "abort"))]
fn main() -> std::process::ExitCode {
    if proof(1) { std::process::ExitCode::SUCCESS } else { std::process::ExitCode::FAILURE }
}

/// StartCommunication with key bytes 2025, then local identifier 01; sums: ISO 14230-2 4.3.
const UNIT: &[wire::Line] = &[
    (&[0x81, 0x1C, 0xF1, 0x81, 0x0F], &[0x83, 0xF1, 0x1C, 0xC1, 0xE9, 0x8F, 0xC9]),
    (&[0x82, 0x1C, 0xF1, 0x21, 0x01, 0xB1], &[0x84, 0xF1, 0x1C, 0x61, 0x01, 0x0D, 0x48, 0x48]),
];

/// Whether so many rows with 850 /min were read.
fn proof(rows: u8) -> bool {
    let definition = definition::DEFINITION.clone(); // of a static: nothing is copied but the outermost struct
    let Ok(speed) = definition.channel("engine_speed") else { return false };
    let mut wire = Wire::new(UNIT);
    let mut session = Session::new(definition).watch(speed, Rate::Fastest);
    session.connect(wire.now(), wire.reach());
    let mut found = 0;
    for _ in 0..1000 {
        turn(&mut session, &mut wire, |_, event| {
            if let Event::Row(row) = event {
                found += u8::from(row.get(speed).and_then(|reading| reading.number()) == Some(850.0));
            }
        });
        if found >= rows {
            return true;
        }
    }
    false
}
