//! Permission to do more than read.

use tickover_services::Effect;

/// Permission for one request that does more than read. Made on purpose by the caller, consumed by the request.
///
/// It cannot be used twice:
/// ```compile_fail
/// # fn show(mut session: tickover_session::Session, now: tickover_framing::Instant) {
/// let permit = tickover_session::Permit::to(tickover_services::Effect::Clears);
/// let clear = [0x14, 0xFF, 0x00];
/// session.request(now, &clear, Some(permit));
/// session.request(now, &clear, Some(permit));
/// # }
/// ```
#[derive(Debug, PartialEq, Eq)]
pub struct Permit {
    effect: Effect,
}

impl Permit {
    /// Permits one request with this effect.
    ///
    /// Show the procedure's caution to a person before you make one.
    #[must_use = "a permit that no request consumes permits nothing"]
    pub const fn to(effect: Effect) -> Self {
        Self { effect }
    }

    /// What is permitted.
    pub const fn effect(&self) -> Effect {
        self.effect
    }
}
