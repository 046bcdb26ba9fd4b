//! Diagnostic services as views over received bytes and builders into a buffer; their codes and effects.
//!
//! Neither `std` nor an allocator is needed. Framing and services do not know each other.
#![no_std]

#[cfg(test)]
extern crate std;

pub mod effect;
pub mod fault_code;
pub mod kwp;
pub mod layout;
pub mod negative;
pub mod response_code;
pub mod service_id;
pub mod status;

pub use effect::Effect;
pub use fault_code::FaultCode;
pub use layout::{BufferTooSmall, Emit, Hex, LayoutError, ResponseError};
pub use negative::NegativeResponse;
pub use response_code::ResponseCode;
pub use service_id::ServiceId;
pub use status::{Status, StatusCoding};
