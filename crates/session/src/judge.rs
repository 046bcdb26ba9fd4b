//! What a request does to the unit, judged before it is sent.

use alloc::string::{String, ToString};

use tickover_defs::compiled::Line;
use tickover_framing::contract::Hex;
use tickover_services::Effect;

use crate::Permit;

/// Why a request was not taken: the caller's mistake.
#[derive(Clone, PartialEq, Eq, Debug, thiserror::Error)]
#[non_exhaustive]
pub enum RequestError {
    /// There is nothing to send.
    #[error("caller: an empty request; a request has at least its service identifier")]
    Empty,
    /// There is no line.
    #[error("caller: there is no connection to send {request} over; connect first")]
    NotConnected {
        /// The request in hex.
        request: String,
    },
    /// It does more than read and no permit came with it.
    #[error(
        "caller: request {request} has the effect '{effect}'; only reading needs no permit, give a permit to '{effect}'"
    )]
    NeedsPermit {
        /// The request in hex.
        request: String,
        /// What it does.
        effect: Effect,
    },
    /// The permit is for something else.
    #[error("caller: request {request} has the effect '{effect}', the permit is to '{permitted}'")]
    WrongPermit {
        /// The request in hex.
        request: String,
        /// What it does.
        effect: Effect,
        /// What the permit allows.
        permitted: Effect,
    },
    /// Nobody knows what it does, so it is never sent.
    #[error(
        "caller: nothing says what request {request} does to the unit, so it is not sent; \
         name the effect of {first:02X} in [line.effects] of the definition"
    )]
    UnknownEffect {
        /// The request in hex.
        request: String,
        /// Its first byte.
        first: u8,
    },
    /// More requests are waiting than a session keeps.
    #[error("caller: {waiting} requests are waiting already; wait for their answers")]
    TooMany {
        /// How many.
        waiting: usize,
    },
}

/// Judges a request of the caller.
pub(crate) fn judge(line: &Line, request: &[u8], permit: Option<&Permit>) -> Result<Effect, RequestError> {
    let hex = || Hex(request).to_string();
    let Some(first) = request.first().copied() else { return Err(RequestError::Empty) };
    let Some(effect) = line.effect_of(request) else {
        return Err(RequestError::UnknownEffect { request: hex(), first });
    };
    match permit {
        None if effect == Effect::Reads => Ok(effect),
        None => Err(RequestError::NeedsPermit { request: hex(), effect }),
        Some(permit) if permit.effect() == effect || effect == Effect::Reads => Ok(effect),
        Some(permit) => Err(RequestError::WrongPermit { request: hex(), effect, permitted: permit.effect() }),
    }
}
