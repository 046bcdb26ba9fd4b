//! Every name that emitted definitions use, under one path: see [`emit`](crate::emit).

pub use alloc::borrow::Cow;
pub use core::time::Duration;

pub use tickover_framing::{
    can,
    contract::{Parity, Speed},
    isotp, kline,
};
pub use tickover_services::Effect;

pub use crate::compiled::*;
pub use crate::compiled::{line::Services, service::StatusCoding};
pub use crate::unit::{Quantity, Reference, UnitCode};
pub use crate::value::{ChannelId, RecordId};
