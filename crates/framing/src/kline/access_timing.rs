//! The five timing bytes of AccessTimingParameters, service 83 (ISO 14230-2 5.3, tables 1b and 1c).

use core::fmt;
use core::time::Duration;

use super::Timing;

/// `P2min P2max P3min P3max P4min` as they go over the line.
///
/// ```
/// use core::time::Duration;
/// use tickover_framing::kline::{AccessTiming, Timing};
/// let wanted = Timing { p3_min: Duration::from_millis(10), ..Timing::NORMAL };
/// assert_eq!(AccessTiming::encode(&wanted)?.0, [0x32, 0x02, 0x14, 0x14, 0x0A]);
/// # Ok::<(), tickover_framing::kline::access_timing::NotCodable>(())
/// ```
#[derive(Clone, Copy, PartialEq, Eq, Hash)]
pub struct AccessTiming(pub [u8; 5]);

/// What a request of service 83 asks for: its second byte (ISO 14230-2 5.3.1; not the numbers of ISO 14229-1).
#[derive(Clone, Copy, PartialEq, Eq, Hash, Debug)]
pub struct TimingIdentifier(pub u8);

impl TimingIdentifier {
    /// Read the limits of what may be set. The answer carries values.
    pub const READ_LIMITS: Self = Self(0x00);
    /// Go back to the values that the key bytes announced.
    pub const SET_DEFAULT: Self = Self(0x01);
    /// Read what holds now. The answer carries values.
    pub const READ_CURRENT: Self = Self(0x02);
    /// Set the values that the request carries. They hold after the positive answer.
    pub const SET: Self = Self(0x03);
}

const HALF_MS: Duration = Duration::from_micros(500);
const P2_MAX_STEP: Duration = Duration::from_millis(25);
const P3_MAX_STEP: Duration = Duration::from_millis(250);
const NO_LIMIT: u8 = 0xFF;

/// A parameter that its byte cannot express.
#[derive(Clone, Copy, PartialEq, Eq, Debug, thiserror::Error)]
#[error("{name} of {value:?} cannot be asked for; its byte reaches {limit:?}")]
pub struct NotCodable {
    /// The parameter.
    pub name: &'static str,
    /// The value wanted.
    pub value: Duration,
    /// The most that the byte expresses.
    pub limit: Duration,
}

impl AccessTiming {
    /// What a unit may grant at the most: no minimum, no maximum (ISO 14230-2 table 1b).
    pub const WIDEST: Self = Self([0x00, NO_LIMIT, 0x00, NO_LIMIT, 0x00]);

    /// The bytes for `timing`. A value between two steps takes the longer one.
    ///
    /// # Errors
    /// [`NotCodable`] names the parameter that is longer than its byte reaches.
    pub fn encode(timing: &Timing) -> Result<Self, NotCodable> {
        Ok(Self([
            half_ms("P2min", timing.p2_min)?,
            p2_max_code(timing.p2_max)?,
            half_ms("P3min", timing.p3_min)?,
            p3_max_code(timing.p3_max)?,
            half_ms("P4min", timing.p4_min)?,
        ]))
    }

    /// Least time from a request to its answer, 0 to 127.5 ms.
    pub const fn p2_min(self) -> Duration {
        in_half_ms(self.0[0])
    }

    /// Most time from a request to its answer, 25 ms to 89.6 s; `None`: no limit, or 00, which means nothing.
    pub const fn p2_max(self) -> Option<Duration> {
        match self.0[1] {
            0 | NO_LIMIT => None,
            code @ 1..=0xF0 => Some(Duration::from_millis(25 * code as u64)),
            code => Some(Duration::from_millis(25 * 256 * (code & 0x0F) as u64)),
        }
    }

    /// Least time from an answer to the next request, 0 to 127.5 ms.
    pub const fn p3_min(self) -> Duration {
        in_half_ms(self.0[2])
    }

    /// Most time until the next request, 0 to 63.5 s; `None`: no limit.
    pub const fn p3_max(self) -> Option<Duration> {
        match self.0[3] {
            NO_LIMIT => None,
            code => Some(Duration::from_millis(250 * code as u64)),
        }
    }

    /// Least time between the bytes of a request, 0 to 127.5 ms.
    pub const fn p4_min(self) -> Duration {
        in_half_ms(self.0[4])
    }

    /// These values in place of those in `timing`. "No limit" for P2max becomes [`Duration::MAX`].
    pub fn apply_to(self, timing: &mut Timing) {
        timing.p2_min = self.p2_min();
        timing.p2_max = self.p2_max().unwrap_or(Duration::MAX);
        timing.p3_min = self.p3_min();
        timing.p3_max = self.p3_max();
        timing.p4_min = self.p4_min();
        timing.p2_star_max = self.p3_max().unwrap_or(Duration::MAX);
    }

    /// Whether every minimum is at least, and every maximum at most, that of `limits`.
    pub fn is_within(self, limits: Self) -> bool {
        let longest = |value: Option<Duration>| value.unwrap_or(Duration::MAX);
        self.0[1] != 0
            && self.p2_min() >= limits.p2_min()
            && longest(self.p2_max()) <= longest(limits.p2_max())
            && self.p3_min() >= limits.p3_min()
            && longest(self.p3_max()) <= longest(limits.p3_max())
            && self.p4_min() >= limits.p4_min()
    }
}

/// `P2 25..50 ms, P3 55..5000 ms, P4 5 ms`.
impl fmt::Display for AccessTiming {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        write!(f, "P2 {}..{}, ", Ms(Some(self.p2_min())), Ms(self.p2_max()))?;
        write!(f, "P3 {}..{}, P4 {}", Ms(Some(self.p3_min())), Ms(self.p3_max()), Ms(Some(self.p4_min())))?;
        f.write_str(" ms")
    }
}

impl fmt::Debug for AccessTiming {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        write!(f, "AccessTiming({self})")
    }
}

struct Ms(Option<Duration>);

impl fmt::Display for Ms {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        match self.0 {
            None => f.write_str("no limit"),
            Some(value) => match (value.as_millis(), value.subsec_micros() % 1000) {
                (ms, 0) => write!(f, "{ms}"),
                (ms, us) => write!(f, "{ms}.{}", us / 100),
            },
        }
    }
}

const fn in_half_ms(code: u8) -> Duration {
    Duration::from_micros(500 * code as u64)
}

/// How many whole steps cover `value`; `None` if more than `most`.
fn steps(value: Duration, step: Duration, most: u8) -> Option<u8> {
    let count = value.as_nanos().div_ceil(step.as_nanos().max(1));
    u8::try_from(count).ok().filter(|count| *count <= most)
}

fn half_ms(name: &'static str, value: Duration) -> Result<u8, NotCodable> {
    steps(value, HALF_MS, 0xFF).ok_or(NotCodable { name, value, limit: in_half_ms(0xFF) })
}

fn p2_max_code(value: Duration) -> Result<u8, NotCodable> {
    if value == Duration::MAX {
        return Ok(NO_LIMIT);
    }
    if let Some(code) = steps(value, P2_MAX_STEP, 0xF0) {
        return Ok(code.max(1));
    }
    let coarse = steps(value, P2_MAX_STEP * 256, 0x0E).map(|low| 0xF0 | low);
    coarse.ok_or(NotCodable { name: "P2max", value, limit: P2_MAX_STEP * 256 * 0x0E })
}

fn p3_max_code(value: Option<Duration>) -> Result<u8, NotCodable> {
    let Some(value) = value else { return Ok(NO_LIMIT) };
    steps(value, P3_MAX_STEP, 0xFE).ok_or(NotCodable { name: "P3max", value, limit: P3_MAX_STEP * 0xFE })
}

#[cfg(test)]
mod tests {
    use super::*;
    use std::string::ToString;

    const MS: fn(u64) -> Duration = Duration::from_millis;

    /// SSF 14230-2 issue 1 (1997-04-22), tables 1a to 1c: the defaults, encoded by hand.
    #[test]
    fn the_defaults_have_their_bytes() {
        let encoded = AccessTiming::encode(&Timing::NORMAL).unwrap();
        assert_eq!(encoded, AccessTiming([0x32, 0x02, 0x6E, 0x14, 0x0A]));
        let mut timing =
            Timing { p2_min: MS(0), p2_max: MS(1), p3_min: MS(0), p3_max: None, p4_min: MS(0), ..Timing::NORMAL };
        encoded.apply_to(&mut timing);
        assert_eq!(timing, Timing::NORMAL);
        assert_eq!(encoded.to_string(), "P2 25..50, P3 55..5000, P4 5 ms");
    }

    /// SSF 14230-2 issue 1 (1997-04-22), table 1c.
    #[test]
    fn p2max_has_a_fine_and_a_coarse_range() {
        let coarse = [
            6400, 12_800, 19_200, 25_600, 32_000, 38_400, 44_800, 51_200, 57_600, 64_000, 70_400, 76_800, 83_200,
            89_600,
        ];
        for (code, ms) in (0xF1..=0xFE).zip(coarse) {
            let bytes = AccessTiming([0, code, 0, 0, 0]);
            assert_eq!(bytes.p2_max(), Some(MS(ms)));
            assert_eq!(p2_max_code(MS(ms)), Ok(code));
        }
        for code in 1..=0xF0u8 {
            let value = MS(25 * u64::from(code));
            assert_eq!(AccessTiming([0, code, 0, 0, 0]).p2_max(), Some(value));
            assert_eq!(p2_max_code(value), Ok(code));
        }
        assert_eq!(AccessTiming([0, 0xFF, 0, 0, 0]).p2_max(), None);
        assert_eq!(p2_max_code(Duration::MAX), Ok(0xFF));
        assert_eq!(p2_max_code(MS(6001)), Ok(0xF1));
        assert!(p2_max_code(MS(89_601)).is_err());
    }

    /// SSF 14230-2 issue 1 (1997-04-22), table 1b note 2: FF is no limit; FE is 63.5 s.
    #[test]
    fn p3max_may_have_no_limit() {
        assert_eq!(AccessTiming([0, 1, 0, 0xFF, 0]).p3_max(), None);
        assert_eq!(AccessTiming([0, 1, 0, 0xFE, 0]).p3_max(), Some(MS(63_500)));
        assert_eq!(p3_max_code(Some(MS(63_501))).unwrap_err().name, "P3max");
    }

    #[test]
    fn a_value_between_two_steps_takes_the_longer() {
        assert_eq!(half_ms("P4min", Duration::from_micros(501)), Ok(2));
        assert!(half_ms("P4min", MS(128)).is_err());
    }

    #[test]
    fn limits_bound_each_parameter() {
        let limits = AccessTiming([2, 4, 2, 0x14, 2]);
        assert!(AccessTiming([2, 4, 2, 0x14, 2]).is_within(limits));
        for (place, value) in [(0, 1), (1, 5), (1, 0xFF), (1, 0), (2, 1), (3, 0x15), (3, 0xFF), (4, 1)] {
            let mut bytes = limits;
            bytes.0[place] = value;
            assert!(!bytes.is_within(limits), "{bytes:?}");
        }
        assert!(limits.is_within(AccessTiming::WIDEST));
    }
}
