//! How to reach the unit, and the states it can be asked into.

use core::time::Duration;

use tickover_framing::{isotp, kline};
use tickover_services::{Effect, effect};

use super::{List, Pattern, Step, Text};

/// A line.
#[derive(Clone, PartialEq, Debug)]
#[non_exhaustive]
#[expect(clippy::large_enum_variant, reason = "a static holds it, and there are as many as sessions")]
pub enum Line {
    /// A K-line.
    KLine(KLine),
    /// A CAN bus.
    Can(Can),
}

impl Line {
    /// What a whole request does to the unit; `None`: nobody knows, and it is never sent.
    pub fn effect_of(&self, request: &[u8]) -> Option<Effect> {
        match self {
            Self::KLine(line) => line.effect_of(request),
            Self::Can(line) => line.effect_of(request),
        }
    }

    /// Whether only the standard that the line does not name could tell what this request does.
    pub fn needs_services(&self, request: &[u8]) -> bool {
        match self {
            Self::KLine(line) => line.needs_services(request),
            Self::Can(line) => line.needs_services(request),
        }
    }

    /// Whose service numbers hold.
    pub const fn services(&self) -> Option<Services> {
        match self {
            Self::KLine(line) => line.services,
            Self::Can(line) => line.services,
        }
    }

    /// What keeps the unit listening.
    pub const fn keep_alive(&self) -> Option<&KeepAlive> {
        match self {
            Self::KLine(line) => line.keep_alive.as_ref(),
            Self::Can(line) => line.keep_alive.as_ref(),
        }
    }

    /// Whether this request goes to all units at once: services of SAE J1979 do, where the line has an address for
    /// all.
    pub fn goes_to_all(&self, request: &[u8]) -> bool {
        let functional = match self {
            Self::KLine(line) => line.line.functional.is_some(),
            Self::Can(line) => line.unit.as_ref().is_some_and(|unit| unit.functional.is_some()),
        };
        functional && request.first().is_some_and(|service| J1979.contains(service))
    }
}

/// Services of SAE J1979.
pub const J1979: core::ops::RangeInclusive<u8> = 0x01..=0x0A;

/// A CAN bus with what the session must know beyond frames and times.
#[derive(Clone, PartialEq, Debug)]
pub struct Can {
    /// Bits per second in the arbitration phase.
    pub bit_rate: u32,
    /// Bits per second in the data phase; `Some`: FD frames.
    pub data_rate: Option<u32>,
    /// How bit rate and width of identifiers are found out; `None`: they are as written here.
    pub start: Option<Start>,
    /// The unit that is asked; `None`: the bus is only listened to.
    pub unit: Option<CanUnit>,
    /// Whose service numbers hold. `None`: only what ISO 14230-3 and ISO 14229-1 agree on.
    pub services: Option<Services>,
    /// What keeps the unit listening.
    pub keep_alive: Option<KeepAlive>,
    /// Effects of commands that no standard knows, by first byte. One not listed is never sent.
    pub effects: List<(u8, Effect)>,
}

/// How bit rate and width of identifiers are found out.
#[derive(Clone, Copy, PartialEq, Eq, Debug)]
#[non_exhaustive]
pub enum Start {
    /// As ISO 15765-4 clause 4 says: 01 00 to all, at 500 and 250 kbit/s, with 11 and 29 bits. What is written in the
    /// line is tried first, and the path becomes that of the unit that answers.
    Iso15765_4,
}

/// A unit that is asked on a CAN bus.
#[derive(Clone, Copy, PartialEq, Eq, Debug)]
pub struct CanUnit {
    /// Its own addresses.
    pub path: isotp::Path,
    /// Requests to all units.
    pub functional: Option<isotp::Address>,
    /// Frames, padding, flow control, network times; `speed` is that of the bus and stands as `None` here.
    pub line: isotp::Line,
    /// End of a request to the start of its answer, at most.
    pub p2_max: Duration,
    /// The same after "response pending".
    pub p2_star_max: Duration,
    /// S3: quiet for longer and the unit falls back into its default session; `None`: it does not.
    pub s3: Option<Duration>,
}

impl Can {
    /// What a whole request does to the unit; `None`: nobody knows, and it is never sent.
    pub fn effect_of(&self, request: &[u8]) -> Option<Effect> {
        judge(self.services, &self.effects, false, request)
    }

    /// Whether only the standard that the line does not name could tell what this request does.
    pub fn needs_services(&self, request: &[u8]) -> bool {
        self.services.is_none() && self.effect_of(request).is_none() && differs(request)
    }
}

/// The one judgement of a request: the standard's first, then what the definition declares. Framing that is declared
/// belongs to no standard, so nothing is taken from one.
fn judge(
    services: Option<Services>,
    effects: &[(u8, Effect)],
    declared_framing: bool,
    request: &[u8],
) -> Option<Effect> {
    let first = request.first()?;
    let declared = effects.iter().find(|(command, _)| command == first).map(|(_, effect)| *effect);
    let standard = match services {
        Some(Services::Iso14230) => effect::of_iso14230(request),
        Some(Services::Iso14229) => effect::of_iso14229(request),
        None if declared.is_some() || declared_framing || differs(request) => None,
        None => effect::of_iso14230(request).or_else(|| effect::of_iso14229(request)),
    };
    standard.or(declared)
}

/// Whether ISO 14230-3 and ISO 14229-1 both know this request and understand it differently.
fn differs(request: &[u8]) -> bool {
    let other = || effect::of_iso14230(request).zip(effect::of_iso14229(request)).is_some_and(|(a, b)| a != b);
    request.first().is_some_and(|first| KLine::DIFFERENT.contains(first)) || other()
}

/// A K-line with what the session must know beyond bytes and times.
#[derive(Clone, PartialEq, Debug)]
pub struct KLine {
    /// Speed, initialisation, addresses, framing, timing.
    pub line: kline::Line,
    /// Whose service numbers hold. `None`: nobody's; `effects` lists what may be sent.
    pub services: Option<Services>,
    /// What keeps the unit listening.
    pub keep_alive: Option<KeepAlive>,
    /// Effects of commands that no standard knows, by first byte. One not listed is never sent.
    pub effects: List<(u8, Effect)>,
    /// How a unit with declared framing refuses.
    pub refusal: Option<Refusal>,
}

impl KLine {
    /// Services that ISO 14230-3 and ISO 14229-1 both have and understand differently. 2F is here because its control
    /// parameters 01 to 03 report in the one and take control in the other.
    pub const DIFFERENT: [u8; 7] = [0x10, 0x11, 0x23, 0x2C, 0x2F, 0x3E, 0x83];

    /// What a whole request does to the unit; `None`: nobody knows, and it is never sent.
    ///
    /// The standard's judgement goes first, [`effects`](Self::effects) serve commands that it does not know. Where
    /// no standard is named, only what both standards agree on is taken from them, and with declared framing nothing.
    pub fn effect_of(&self, request: &[u8]) -> Option<Effect> {
        judge(self.services, &self.effects, self.is_declared(), request)
    }

    /// Whether only the standard that the line does not name could tell what this request does.
    pub fn needs_services(&self, request: &[u8]) -> bool {
        self.services.is_none() && !self.is_declared() && self.effect_of(request).is_none() && differs(request)
    }

    const fn is_declared(&self) -> bool {
        matches!(self.line.framing, kline::Framing::Declared(_))
    }
}

/// Whose service numbers hold.
#[derive(Clone, Copy, PartialEq, Eq, Debug)]
pub enum Services {
    /// ISO 14230-3.
    Iso14230,
    /// ISO 14229-1.
    Iso14229,
}

/// A request that keeps the unit listening.
#[derive(Clone, PartialEq, Debug)]
pub struct KeepAlive {
    /// The request.
    pub send: List<u8>,
    /// What its answer starts with; `None`: it is not answered.
    pub expect: Option<Pattern>,
    /// Sent when nothing else has been for this long.
    pub every: Duration,
}

/// A refusal of declared framing: bytes in front of the code, and what codes mean.
#[derive(Clone, PartialEq, Debug)]
pub struct Refusal {
    /// What the answer starts with.
    pub prefix: List<u8>,
    /// Meaning of each code.
    pub meanings: List<(u8, Text)>,
}

/// A state that the unit can be asked into.
#[derive(Clone, PartialEq, Debug)]
pub struct SessionState {
    /// Its name.
    pub name: Text,
    /// Steps that enter it.
    pub enter: List<Step>,
    /// The line as it is from the end of the last answer on.
    pub line: Line,
}

#[cfg(test)]
mod tests {
    use alloc::borrow::Cow;

    use super::*;

    fn line(services: Option<Services>) -> KLine {
        let effects = Cow::Borrowed(&[(0xB1, Effect::Reads)][..]);
        KLine { line: kline::Line::iso14230(0x1C, 0xF1), services, keep_alive: None, effects, refusal: None }
    }

    #[test]
    fn the_named_standard_judges_and_the_declared_effects_fill_in() {
        let named = line(Some(Services::Iso14230));
        assert_eq!(named.effect_of(&[0x23, 0, 4, 0, 2]), Some(Effect::Reads));
        assert_eq!(named.effect_of(&[0xB1, 0x01]), Some(Effect::Reads));
        assert_eq!(named.effect_of(&[0xB2, 0x01]), None);
    }

    /// ISO 14230-3 (SSF 14230-3 issue 2 table 9.1.3.2): control parameter 01 reports the state. ISO 14229-1 annex E.1:
    /// 01 resets the output to its default.
    #[test]
    fn without_a_named_standard_nothing_is_taken_for_a_read_that_may_move_something() {
        let unnamed = line(None);
        let control = [0x2F, 0x9B, 0x00, 0x01];
        assert_eq!((unnamed.effect_of(&control), unnamed.needs_services(&control)), (None, true));
        assert_eq!(
            (unnamed.effect_of(&[0x21, 0x01]), unnamed.needs_services(&[0x21, 0x01])),
            (Some(Effect::Reads), false)
        );
        assert_eq!((unnamed.effect_of(&[0xB2, 0x01]), unnamed.needs_services(&[0xB2, 0x01])), (None, false));
        // ISO 14229-1 has 03 as "results of a routine"; in ISO 14230-3 it is the routine that starts.
        let routine = [0x31, 0x03, 0xFF, 0x00];
        assert_eq!((unnamed.effect_of(&routine), unnamed.needs_services(&routine)), (None, true));
        assert_eq!(unnamed.effect_of(&[0x31, 0x01, 0xFF, 0x00]), Some(Effect::Actuates));
        // Only ISO 14229-1 has 19.
        assert_eq!(unnamed.effect_of(&[0x19, 0x02, 0xFF]), Some(Effect::Reads));
    }

    /// ISO 14229-1: 2F with 00 returns control, which is no read; 2A makes the unit speak on its own.
    #[test]
    fn a_line_of_iso_14229_is_judged_by_it() {
        let named = line(Some(Services::Iso14229));
        assert_eq!(named.effect_of(&[0x22, 0xF1, 0x90]), Some(Effect::Reads));
        assert_eq!(named.effect_of(&[0x2F, 0x9B, 0x00, 0x00]), Some(Effect::Actuates));
        assert_eq!(named.effect_of(&[0x2A, 0x01, 0x01]), Some(Effect::Session));
        assert_eq!(named.effect_of(&[0x31, 0x03, 0xFF, 0x00]), Some(Effect::Reads));
        assert_eq!(named.effect_of(&[0x21, 0x01]), None);
        assert_eq!(named.effect_of(&[0xB1, 0x01]), Some(Effect::Reads));
    }

    /// SSF 14230-3 issue 2 table 3.2.1 and ISO 14229-1 leave the services below 10 to SAE J1979.
    #[test]
    fn services_of_sae_j1979_mean_the_same_whoever_is_named() {
        for services in [None, Some(Services::Iso14230), Some(Services::Iso14229)] {
            let line = line(services);
            assert_eq!(line.effect_of(&[0x01, 0x0C]), Some(Effect::Reads), "{services:?}");
            assert_eq!(line.effect_of(&[0x04]), Some(Effect::Clears), "{services:?}");
            assert_eq!(line.effect_of(&[0x08, 0x01]), Some(Effect::Actuates), "{services:?}");
            assert!(!line.needs_services(&[0x01, 0x0C]), "{services:?}");
        }
    }
}
