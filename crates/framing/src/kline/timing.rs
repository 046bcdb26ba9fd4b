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

    /// The extended set for physical addressing (ISO 14230-2, key bytes 2000 to 2015). From memory.
    pub const EXTENDED: Self =
        Self { p2_min: Duration::ZERO, p2_max: Duration::from_millis(1000), p3_min: Duration::ZERO, ..Self::NORMAL };

    /// ISO 9141-2 with key bytes 94 94: the unit may answer at once. From memory.
    pub const ISO9141_AT_ONCE: Self = Self { p2_min: Duration::ZERO, ..Self::NORMAL };

    /// Whether these limits can be kept together (ISO 14230-2 4.4, the rules after table 1c).
    ///
    /// Two further rules hold only in part: P3min > P2max for functional addressing, P2min > P4max and P2min > P1max
    /// where a pause ends messages.
    ///
    /// # Errors
    /// [`TimingConflict`] names the pair.
    pub fn check(&self) -> Result<(), TimingConflict> {
        let rules = [
            ("P2min", "P2max", self.p2_min < self.p2_max),
            ("P3min", "P3max", self.p3_max.is_none_or(|p3_max| self.p3_min < p3_max)),
            ("P4min", "P4max", self.p4_min < self.p4_max),
            ("P4min", "P3min", self.p4_min < self.p3_min),
        ];
        match rules.into_iter().find(|(.., kept)| !kept) {
            Some((less, more, _)) => Err(TimingConflict { less, more }),
            None => Ok(()),
        }
    }

    /// Every P parameter that equals its value in `default` takes that of `announced`.
    pub(crate) fn replace_defaults(&mut self, default: &Self, announced: &Self) {
        let durations = [
            (&mut self.p1_max, default.p1_max, announced.p1_max),
            (&mut self.p2_min, default.p2_min, announced.p2_min),
            (&mut self.p2_max, default.p2_max, announced.p2_max),
            (&mut self.p3_min, default.p3_min, announced.p3_min),
            (&mut self.p4_min, default.p4_min, announced.p4_min),
            (&mut self.p4_max, default.p4_max, announced.p4_max),
        ];
        for (value, default, announced) in durations {
            if *value == default {
                *value = announced;
            }
        }
        if self.p3_max == default.p3_max {
            self.p3_max = announced.p3_max;
        }
    }
}

/// Two limits that exclude each other.
#[derive(Clone, Copy, PartialEq, Eq, Debug, thiserror::Error)]
#[error("{less} must be less than {more}")]
pub struct TimingConflict {
    /// The one that must be less.
    pub less: &'static str,
    /// The one that must be more.
    pub more: &'static str,
}
