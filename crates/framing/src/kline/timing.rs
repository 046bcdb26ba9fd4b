//! Timing parameters of a K-line (ISO 14230-2 4.4 and 5.2.4).

use core::time::Duration;

/// All limits that a tester and a unit keep. Gaps run from a stop bit to the next start bit.
#[derive(Clone, Copy, PartialEq, Eq, Debug)]
pub struct Timing {
    /// Most time between bytes of an answer.
    pub p1_max: Duration,
    /// Least time from the end of a request to the start of an answer.
    pub p2_min: Duration,
    /// Most time from the end of a request to the start of an answer.
    pub p2_max: Duration,
    /// The same after "response pending".
    pub p2_star_max: Duration,
    /// Least time from the end of an answer to the next request.
    pub p3_min: Duration,
    /// Most time until the next request before the unit ends communication; `None`: no limit.
    pub p3_max: Option<Duration>,
    /// Least time between bytes of a request.
    pub p4_min: Duration,
    /// Most time between bytes of a request.
    pub p4_max: Duration,
    /// Least idle time before a five-baud address, bus idle.
    pub w0_min: Duration,
    /// Least time from the address to the synchronisation byte.
    pub w1_min: Duration,
    /// Most time from the address to the synchronisation byte.
    pub w1_max: Duration,
    /// Least time from the synchronisation byte to the first key byte.
    pub w2_min: Duration,
    /// Most time from the synchronisation byte to the first key byte.
    pub w2_max: Duration,
    /// Least time between the key bytes.
    pub w3_min: Duration,
    /// Most time between the key bytes.
    pub w3_max: Duration,
    /// Least time from the second key byte to its inverse, and from there to the inverted address.
    pub w4_min: Duration,
    /// Most of the same.
    pub w4_max: Duration,
    /// Least idle time before an address is sent again.
    pub w5_min: Duration,
    /// Idle time before a fast initialisation.
    pub t_idle: Duration,
    /// Length of the low pulse of a fast initialisation.
    pub t_inil: Duration,
    /// Falling edge to the first bit of StartCommunication.
    pub t_wup: Duration,
}

impl Timing {
    /// The normal set (ISO 14230-2 table 1a; SSF 14230-2 issue 1 table 1a). W times: from memory.
    pub const NORMAL: Self = Self {
        p1_max: Duration::from_millis(20),
        p2_min: Duration::from_millis(25),
        p2_max: Duration::from_millis(50),
        p2_star_max: Duration::from_millis(5000),
        p3_min: Duration::from_millis(55),
        p3_max: Some(Duration::from_millis(5000)),
        p4_min: Duration::from_millis(5),
        p4_max: Duration::from_millis(20),
        w0_min: Duration::from_millis(2),
        w1_min: Duration::from_millis(60),
        w1_max: Duration::from_millis(300),
        w2_min: Duration::from_millis(5),
        w2_max: Duration::from_millis(20),
        w3_min: Duration::ZERO,
        w3_max: Duration::from_millis(20),
        w4_min: Duration::from_millis(25),
        w4_max: Duration::from_millis(50),
        w5_min: Duration::from_millis(300),
        t_idle: Duration::from_millis(300),
        t_inil: Duration::from_millis(25),
        t_wup: Duration::from_millis(50),
    };
}
