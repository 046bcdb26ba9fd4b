//! The exchange model: how long one request and its answer take, and what that makes per second.
//!
//! `T = n_req tc + (n_req - 1) P4 + P2 + n_resp tc + (n_resp - 1) P1 + P3`, with `tc` the time of one
//! character and the n counting every byte on the wire. P1 of a unit that sends without gaps is zero.
//!
//! On CAN `T = request frames + P2 + answer's frames + flow control + STmin between consecutive frames`, each frame
//! with worst-case stuffing, and what units of one bus take from each other, by the strength of their identifiers.
//! Nothing here is fitted to measurements.

use alloc::format;
use alloc::string::String;
use alloc::vec::Vec;
use core::fmt;
use core::time::Duration;

use tickover_defs::RecordId;
use tickover_defs::compiled::{self, Can};
use tickover_framing::kline::Line;

use crate::frames::{Bus, answer_on, request_on};
use crate::schedule::{Admission, admit, stretch_of};
use crate::{ChannelKey, UnitId};

/// Sorts of time in an exchange.
const PARTS: usize = 8;

/// The parts of one exchange. Of the K-line's P3 and P4 nothing is left on CAN, of STmin, flow control and arbitration
/// nothing on a K-line.
#[derive(Clone, Copy, PartialEq, Eq, Debug, Default)]
pub struct Terms {
    /// Bytes of the request; on CAN its frames.
    pub request: Duration,
    /// P4: gaps between them.
    pub p4: Duration,
    /// P2: end of the request to the start of the answer.
    pub p2: Duration,
    /// Bytes of the answer; on CAN its frames.
    pub response: Duration,
    /// P3: end of the answer to the next request, see [`Line::next_request_after`].
    pub p3: Duration,
    /// On CAN: frames of flow control.
    pub flow_control: Duration,
    /// On CAN: STmin between consecutive frames.
    pub separation: Duration,
    /// On CAN: waiting while frames of the session's other units, with stronger identifiers, pass.
    pub arbitration: Duration,
}

impl Terms {
    /// One exchange of `request` and `response` data bytes with a unit that answers after `p2`, without gaps: the
    /// parts of [`Line::exchange_time`].
    pub fn of(line: &Line, request: usize, response: usize, p2: Duration) -> Self {
        let bytes = line.char_time().of(line.request_len(request));
        Self {
            request: bytes,
            p4: line.request_time(request).saturating_sub(bytes),
            p2,
            response: line.response_time(response, Duration::ZERO),
            p3: line.next_request_after(),
            ..Self::default()
        }
    }

    /// One exchange on a CAN bus with a unit that answers after `p2`: worst-case stuffing, and the pauses that the
    /// line asks for. On a bus that others use, their frames come between.
    pub fn on_can(can: &Can, request: usize, response: usize, p2: Duration) -> Self {
        let Some(unit) = &can.unit else { return Self::default() };
        let bus = Bus::of(can);
        let (request, response) = (request_on(bus, unit, request), answer_on(bus, unit, response));
        Self {
            request: request.frames,
            p2,
            response: response.frames,
            flow_control: request.flow_control + response.flow_control,
            separation: request.separation + response.separation,
            ..Self::default()
        }
    }

    /// One exchange on this line.
    pub(crate) fn on(line: &compiled::Line, request: usize, response: usize, p2: Duration) -> Option<Self> {
        match line {
            compiled::Line::KLine(line) => Some(Self::of(&line.line, request, response, p2)),
            compiled::Line::Can(can) => Some(Self::on_can(can, request, response, p2)),
            _ => None,
        }
    }

    /// Time in which the line carries something.
    fn carrying(&self) -> Duration {
        self.request + self.response + self.flow_control
    }

    /// The whole exchange, from the start of a request to the earliest start of the next.
    pub fn total(&self) -> Duration {
        self.parts().iter().map(|(_, duration)| *duration).sum()
    }

    fn parts(&self) -> [(&'static str, Duration); PARTS] {
        [
            ("P3", self.p3),
            ("STmin", self.separation),
            ("arbitration", self.arbitration),
            ("P2", self.p2),
            ("flow control", self.flow_control),
            ("the bytes of the answer", self.response),
            ("P4", self.p4),
            ("the bytes of the request", self.request),
        ]
    }
}

/// What a choice of channels will bring, before any line is opened.
#[derive(Clone, PartialEq, Debug)]
pub struct Prediction {
    /// Responses per second in total.
    pub per_second: f64,
    /// All wanted periods are stretched by this factor (1: every wish is met).
    pub stretch: f64,
    /// What can be promised.
    pub admission: Admission,
    /// Share of the time in which the line carries something of ours, 0 to 1.
    pub line_share: f64,
    /// Each request that is polled.
    pub records: Vec<RecordForecast>,
    /// Readings per second of each watched channel, unit by unit in file order; derived ones follow their slowest
    /// input.
    pub channels: Vec<(ChannelKey, f64)>,
    /// What takes the most of an exchange and what a change would bring, in one sentence; of several units of the
    /// one whose periods are stretched most.
    pub binds: String,
    /// Of several units each one's own, in order; empty if there is one.
    pub units: Vec<Self>,
}

/// The forecast of one request.
#[derive(Clone, PartialEq, Debug)]
pub struct RecordForecast {
    /// Of which unit.
    pub unit: UnitId,
    /// Which record.
    pub record: RecordId,
    /// Others that the same request asks for.
    pub with: Vec<RecordId>,
    /// One exchange.
    pub terms: Terms,
    /// Responses per second.
    pub per_second: f64,
}

impl RecordForecast {
    /// All records that the request asks for.
    pub fn all(&self) -> impl Iterator<Item = RecordId> + '_ {
        core::iter::once(self.record).chain(self.with.iter().copied())
    }
}

/// `17.90 responses/s; every wanted rate can be kept; P3 takes 49 % of ..`
impl fmt::Display for Prediction {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        write!(f, "{:.2} responses/s; {}; {}", self.per_second, self.admission, self.binds)
    }
}

/// A request to forecast.
#[derive(Clone, Debug)]
pub(crate) struct Load {
    pub(crate) record: RecordId,
    pub(crate) with: Vec<RecordId>,
    pub(crate) terms: Terms,
    pub(crate) period: Option<Duration>,
    pub(crate) fastest: bool,
}

/// Forecasts the records; channels are left to the caller, who knows which record brings which.
pub(crate) fn forecast(unit: UnitId, loads: &[Load], speed: &str) -> Prediction {
    let periodic = || loads.iter().filter_map(|load| Some((load.terms.total(), load.period?)));
    let load: f64 = periodic().map(|(cost, period)| cost.as_secs_f64() / period.as_secs_f64().max(1e-9)).sum();
    let stretch = stretch_of(load);
    let ring = || loads.iter().filter(|load| load.fastest);
    let round: f64 = ring().map(|load| load.terms.total().as_secs_f64()).sum();
    let rounds = if round > 0.0 { (1.0 - load / stretch).max(0.0) / round } else { 0.0 };
    let records: Vec<RecordForecast> = loads
        .iter()
        .map(|load| {
            let asked = load.period.map_or(0.0, |period| 1.0 / (period.as_secs_f64().max(1e-9) * stretch));
            let per_second = asked + if load.fastest { rounds } else { 0.0 };
            RecordForecast { unit, record: load.record, with: load.with.clone(), terms: load.terms, per_second }
        })
        .collect();
    let admission = admit(&periodic().collect::<Vec<_>>(), ring().map(|load| load.terms.total()).max());
    // The sum of none is -0.
    let per_second = records.iter().map(|record| record.per_second).sum::<f64>().max(0.0);
    let binds = binds(&records, speed);
    let line_share = records.iter().map(|it| it.terms.carrying().as_secs_f64() * it.per_second).sum();
    Prediction { per_second, stretch, admission, line_share, records, channels: Vec::new(), binds, units: Vec::new() }
}

/// The largest part of the average exchange, and what its absence or twice the speed would bring.
fn binds(records: &[RecordForecast], speed: &str) -> String {
    let weight: f64 = records.iter().map(|record| record.per_second).sum();
    if weight <= 0.0 {
        return String::from("nothing is polled");
    }
    let mut sums = [("", 0.0); PARTS];
    for record in records {
        for (sum, (name, duration)) in sums.iter_mut().zip(record.terms.parts()) {
            *sum = (name, sum.1 + duration.as_secs_f64() * record.per_second / weight);
        }
    }
    let total: f64 = sums.iter().map(|(_, part)| part).sum();
    let carried = |name: &str| name.starts_with("the bytes") || name == "flow control";
    let bytes: f64 = sums.iter().filter(|(name, _)| carried(name)).map(|(_, part)| part).sum();
    // The first of equals: of what can be changed, P3 comes before P2, and timers before bytes.
    let mut largest = sums[0];
    sums.iter().filter(|part| part.1 > 0.0).for_each(|part| {
        if part.1 > largest.1 {
            largest = *part;
        }
    });
    let (name, part) = largest;
    if total <= part {
        return format!("{name} is the whole exchange");
    }
    let faster = total / (total - bytes / 2.0);
    let share = 100.0 * part / total;
    if name.starts_with("the bytes") {
        return format!(
            "{name} take {share:.0} % of an exchange of {:.1} ms; twice the {speed} gives {faster:.2} times the rate",
            total * 1e3
        );
    }
    let without = total / (total - part);
    format!(
        "{name} takes {share:.0} % of an exchange of {:.1} ms; {name} of 0 ms would give {without:.2} times the rate, \
         twice the {speed} {faster:.2} times",
        total * 1e3
    )
}
