//! Diagnostic services as views over received bytes and builders into a buffer; their codes and effects.
//!
//! * [`effect`]: what a whole request does to the unit, the ground on which polling can only read;
//! * [`kwp`]: requests of ISO 14230-3 and what their responses carry, for the tester and for the unit;
//! * [`obd`]: requests of SAE J1979 and their answers, on CAN and on the K-line;
//! * [`uds`]: requests of ISO 14229-1 and their answers;
//! * [`negative`], [`response_code`]: how a unit refuses, asks for patience or for a repeat;
//! * [`fault_code`], [`status`]: fault codes as SAE J2012 writes them, and three codings of their state;
//! * [`layout`]: writing into a caller's buffer, and what can be wrong with a message.
//!
//! A message here is what a frame carries: service identifier and parameters, without header and checksum. Neither
//! `std` nor an allocator is needed. Framing and services do not know each other.
//!
//! ```
//! use tickover_services::kwp::{LocalIdentifier, ReadDataByLocalIdentifier};
//! use tickover_services::{Effect, Emit, ResponseError, effect};
//!
//! let read = ReadDataByLocalIdentifier { id: LocalIdentifier(0x01) };
//! let mut buffer = [0; 8];
//! let request = read.emit(&mut buffer).unwrap();
//! assert_eq!(effect::of_iso14230(request), Some(Effect::Reads));
//!
//! assert_eq!(read.data(&[0x61, 0x01, 0x0D, 0x48]).unwrap(), [0x0D, 0x48]);
//! match read.data(&[0x7F, 0x21, 0x78]) {
//!     Err(ResponseError::Refused(answer)) => assert!(answer.is_pending()), // keep waiting, do not repeat
//!     other => panic!("{other:?}"),
//! }
//! ```
#![no_std]

#[cfg(test)]
extern crate std;

pub mod effect;
pub mod fault_code;
#[cfg(any(test, feature = "fuzzing"))]
#[doc(hidden)]
pub mod fuzzing;
pub mod kwp;
pub mod layout;
pub mod negative;
pub mod obd;
mod records;
pub mod response_code;
pub mod service_id;
pub mod status;
pub mod uds;

pub use effect::Effect;
pub use fault_code::FaultCode;
pub use layout::{BufferTooSmall, Emit, Hex, LayoutError, ResponseError};
pub use negative::NegativeResponse;
pub use response_code::ResponseCode;
pub use service_id::ServiceId;
pub use status::{Status, StatusCoding};
