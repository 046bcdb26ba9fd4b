//! The channel-definition language: everything known about one control unit, as a file.
//!
//! Three storeys: `core` (values, units, maths: what generated Rust links), `alloc` (the compiled form,
//! decoder and encoder), `std` (default: parser, checks, emitters).
#![no_std]

#[cfg(feature = "alloc")]
extern crate alloc;
#[cfg(any(test, feature = "std"))]
extern crate std;

#[cfg(feature = "std")]
pub mod check;
#[cfg(feature = "std")]
mod compile;
#[cfg(feature = "alloc")]
pub mod compiled;
#[cfg(feature = "alloc")]
pub mod decode;
#[cfg(feature = "std")]
pub mod diagnostic;
#[cfg(feature = "std")]
pub mod emit;
#[cfg(feature = "alloc")]
pub mod emitted;
#[cfg(feature = "alloc")]
pub mod encode;
#[cfg(feature = "std")]
pub mod formula;
#[doc(hidden)]
#[cfg(all(feature = "std", any(test, feature = "fuzzing")))]
pub mod fuzzing;
#[cfg(feature = "alloc")]
pub mod lookup;
#[cfg(feature = "std")]
mod model;
#[cfg(feature = "std")]
pub mod number;
#[cfg(test)]
mod sample;
#[cfg(feature = "std")]
mod source;
pub mod unit;
#[cfg(feature = "alloc")]
pub mod value;
#[cfg(feature = "std")]
mod vectors;

#[cfg(feature = "alloc")]
pub use compiled::Definition;
#[cfg(feature = "std")]
pub use diagnostic::{Diagnostic, Report};
#[cfg(feature = "alloc")]
pub use lookup::UnknownName;
#[cfg(feature = "alloc")]
pub use value::{ChannelId, Invalid, Raw, Reading, RecordId, Value};
