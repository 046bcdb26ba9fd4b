//! What a CAN controller says about its bus.

/// What a CAN controller says about its bus (ISO 11898-1, fault confinement).
#[derive(Clone, Copy, PartialEq, Eq, Hash, Debug)]
#[non_exhaustive]
pub enum Condition {
    /// A frame was destroyed: another bit rate, a short, a bad connection.
    Error,
    /// Nobody acknowledged our frame: alone on the bus, or everybody runs at another bit rate.
    NoAcknowledge,
    /// Many errors; the controller only signals passively.
    Passive,
    /// The controller has switched itself off after 256 errors in sending. Nothing is sent until it is back.
    Off,
    /// The controller takes part again.
    Active,
    /// Frames came faster than they were taken; some are lost.
    Overrun,
    /// A frame of ours was not sent: the adapter refused it after it had been handed over.
    Refused,
}
