//! A compiled definition as Rust source: how a program without a parser gets one.
//!
//! The text declares one `static` that compiles with the crate's `alloc` storey and equals the definition it was
//! written from, to the last bit of every number. A build script writes it into `OUT_DIR`:
//!
//! ```no_run
//! # fn main() -> Result<(), Box<dyn std::error::Error>> {
//! let definition = tickover_defs::Definition::load("defs/bramble-40.toml")?;
//! let out = std::env::var("OUT_DIR")?;
//! std::fs::write(format!("{out}/bramble_40.rs"), tickover_defs::emit::rust(&definition, "BRAMBLE_40"))?;
//! // In the program: include!(concat!(env!("OUT_DIR"), "/bramble_40.rs"));
//! # Ok(())
//! # }
//! ```

mod shapes;
#[cfg(test)]
mod tests;
mod write;

use std::format;
use std::string::String;

use crate::Definition;
use write::{Source, Write};

/// Rust source of a `pub static` of this name that equals the definition.
///
/// The text names everything through `::tickover_defs::emitted`. `name` must be an identifier of Rust, by custom in
/// capitals.
pub fn rust(definition: &Definition, name: &str) -> String {
    let mut source = Source::new();
    definition.write(&mut source);
    format!(
        "/// {title}, revision {revision}.\n\
         #[allow(clippy::approx_constant)]\n\
         pub static {name}: ::tickover_defs::Definition = {{\n    \
             #[allow(unused_imports, clippy::wildcard_imports)]\n    \
             use ::tickover_defs::emitted::*;\n    \
             {body}\n}};\n",
        title = one_line(&definition.title),
        revision = one_line(&definition.revision),
        body = source.text(),
    )
}

/// Text that cannot leave a comment.
fn one_line(text: &str) -> String {
    text.chars().map(|c| if c.is_control() || c == '[' || c == ']' { ' ' } else { c }).collect()
}
