//! Diagnostic services as views over received bytes and builders into a buffer; their codes and effects.
//!
//! Neither `std` nor an allocator is needed. Framing and services do not know each other.
#![no_std]

#[cfg(test)]
extern crate std;

pub mod effect;

pub use effect::Effect;
