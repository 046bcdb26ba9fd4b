//! Writes a definition as Rust source: one `static`, for programs that carry no parser.
//!
//! `cargo run --example emit -- defs/bramble-40.toml BRAMBLE_40 > bramble_40.rs`

use std::process::ExitCode;

use tickover::Definition;
use tickover::defs::emit;

fn main() -> ExitCode {
    let mut arguments = std::env::args().skip(1);
    let (Some(file), Some(name)) = (arguments.next(), arguments.next()) else {
        eprintln!("emit: which definition, and what is the static called? emit FILE NAME");
        return ExitCode::FAILURE;
    };
    match Definition::load(&file) {
        Ok(definition) => print!("{}", emit::rust(&definition, &name)),
        Err(report) => {
            eprintln!("{report}");
            return ExitCode::FAILURE;
        }
    }
    ExitCode::SUCCESS
}
