//! Timing parameters of a K-line (ISO 14230-2 4.4).

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
    /// # Errors
    /// [`TimingConflict`] names the pair.
    pub fn check(&self) -> Result<(), TimingConflict> {
        first_broken([
            ("P2min", "P2max", self.p2_min < self.p2_max),
            ("P3min", "P3max", self.p3_max.is_none_or(|p3_max| self.p3_min < p3_max)),
            ("P4min", "P4max", self.p4_min < self.p4_max),
            ("P4min", "P3min", self.p4_min < self.p3_min),
        ])
    }

    /// The rule for functional addressing and for answers in several messages: all must have come before P3
    /// (ISO 14230-2 4.4, after table 1c).
    ///
    /// # Errors
    /// [`TimingConflict`] names the pair.
    pub fn check_for_several_answers(&self) -> Result<(), TimingConflict> {
        first_broken([("P2max", "P3min", self.p2_max < self.p3_min)])
    }

    /// The rules where only a pause ends a message: the pause must be shorter than what comes next
    /// (ISO 14230-2 4.4, after table 1c).
    ///
    /// # Errors
    /// [`TimingConflict`] names the pair.
    pub fn check_for_pauses(&self) -> Result<(), TimingConflict> {
        first_broken([("P4max", "P2min", self.p4_max < self.p2_min), ("P1max", "P2min", self.p1_max < self.p2_min)])
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

fn first_broken<const N: usize>(rules: [(&'static str, &'static str, bool); N]) -> Result<(), TimingConflict> {
    match rules.into_iter().find(|(.., kept)| !kept) {
        Some((less, more, _)) => Err(TimingConflict { less, more }),
        None => Ok(()),
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

#[cfg(test)]
mod tests {
    use super::*;
    use std::string::ToString;

    const fn ms(count: u64) -> Duration {
        Duration::from_millis(count)
    }

    /// SSF 14230-2 issue 1 (1997-04-22), table 1a, and table 5 for the pulse.
    #[test]
    fn the_normal_set_is_that_of_the_standard() {
        let t = Timing::NORMAL;
        assert_eq!((t.p1_max, t.p2_min, t.p2_max), (ms(20), ms(25), ms(50)));
        assert_eq!((t.p3_min, t.p3_max, t.p4_min, t.p4_max), (ms(55), Some(ms(5000)), ms(5), ms(20)));
        assert_eq!((t.t_idle, t.t_inil, t.t_wup), (ms(300), ms(25), ms(50)));
        assert_eq!([t.check(), t.check_for_several_answers(), t.check_for_pauses()], [Ok(()); 3]);
    }

    /// From memory: the extended set has P2 0 to 1000 ms and P3 0 to 5000 ms.
    #[test]
    fn the_extended_set_is_for_one_unit_only() {
        let t = Timing::EXTENDED;
        assert_eq!((t.p2_min, t.p2_max, t.p3_min, t.p3_max), (ms(0), ms(1000), ms(0), Some(ms(5000))));
        assert!(t.check_for_several_answers().is_err());
    }

    /// SSF 14230-2 issue 1 (1997-04-22), 4.4, the rules after table 1c.
    #[test]
    fn each_rule_names_its_pair() {
        let normal = Timing::NORMAL;
        let conflict = |timing: Timing| timing.check().unwrap_err().to_string();
        assert_eq!(conflict(Timing { p2_min: ms(50), ..normal }), "P2min must be less than P2max");
        assert_eq!(conflict(Timing { p3_max: Some(ms(55)), ..normal }), "P3min must be less than P3max");
        assert_eq!(conflict(Timing { p4_min: ms(20), ..normal }), "P4min must be less than P4max");
        assert_eq!(conflict(Timing { p3_min: ms(5), ..normal }), "P4min must be less than P3min");
        assert_eq!(Timing { p3_max: None, ..normal }.check(), Ok(()));
        let several = Timing { p3_min: ms(50), ..normal }.check_for_several_answers();
        assert_eq!(several, Err(TimingConflict { less: "P2max", more: "P3min" }));
        let pauses = Timing { p2_min: ms(20), ..normal }.check_for_pauses();
        assert_eq!(pauses, Err(TimingConflict { less: "P4max", more: "P2min" }));
    }
}
