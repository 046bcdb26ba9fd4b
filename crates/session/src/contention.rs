//! What several units bring together: their lanes run at the same time, and where two frames are ready the one with the
//! stronger identifier goes first.
//!
//! A message of weaker frames waits until a stronger one that is just passing has ended, half its length on average
//! while such messages pass, and is then interrupted by those that follow: in the share `u` of the time that they take,
//! a message of length `s` needs `s / (1 - u)`. Each lane's rate depends on the others', so they are computed in turn
//! until they hold. Taken for independent of each other, which lanes of similar length are not: where they fall into
//! step, the weaker one may get up to two fifths more.

use alloc::format;
use alloc::string::String;
use alloc::vec::Vec;
use core::time::Duration;

use tickover_defs::compiled::Line;
use tickover_framing::can::Id;

use crate::UnitId;
use crate::rate::{Load, Prediction, Terms, forecast};
use crate::schedule::Admission;
use crate::unit::Unit;

/// Rounds until the rates hold.
const ROUNDS: usize = 40;
/// Stronger frames never take all of the time: so much is left even beside a unit that never pauses.
const MOST: f64 = 0.99;

/// What is asked of a unit.
pub(crate) struct Outlook<'a> {
    pub(crate) unit: &'a Unit,
    pub(crate) id: UnitId,
    pub(crate) loads: Vec<Load>,
    pub(crate) speed: &'static str,
}

/// The messages of one direction of a lane.
#[derive(Clone, Copy, Debug)]
struct Stream {
    id: Id,
    /// Of the time, 0 to 1.
    share: f64,
    /// Seconds: half the message that a moment falls into.
    rest: f64,
}

/// Where a direction's time stands.
type Part = fn(&Terms) -> Duration;

/// Requests with the flow control of answers, and answers.
const PARTS: [Part; 2] = [|terms| terms.request + terms.flow_control, |terms| terms.response];

impl Outlook<'_> {
    /// Alone on the bus.
    pub(crate) fn alone(&self) -> Prediction {
        self.predict(&self.loads)
    }

    fn predict(&self, loads: &[Load]) -> Prediction {
        let mut prediction = forecast(self.id, loads, self.speed);
        prediction.channels = self.unit.channel_rates(self.id, &prediction);
        prediction
    }

    /// Identifiers of requests and of answers.
    fn ids(&self) -> Option<[Id; 2]> {
        let Some(Line::Can(can)) = self.unit.base_line() else { return None };
        can.unit.as_ref().map(|unit| [unit.path.request.id(), unit.path.response.id()])
    }

    fn streams(&self, loads: &[Load]) -> Vec<Stream> {
        let records = forecast(self.id, loads, self.speed).records;
        let stream = |(id, part): (Id, Part)| {
            let messages = records.iter().map(|record| (part(&record.terms).as_secs_f64(), record.per_second));
            let (share, square) = messages
                .fold((0.0, 0.0), |(share, square), (long, rate)| (share + long * rate, square + long * long * rate));
            Stream { id, share, rest: if share > 0.0 { square / share / 2.0 } else { 0.0 } }
        };
        self.ids().map(|ids| ids.into_iter().zip(PARTS).map(stream).collect()).unwrap_or_default()
    }

    /// What is asked, with the time that it waits for these.
    fn beside(&self, others: &[Stream]) -> Vec<Load> {
        let ids = self.ids();
        let waits = |terms: &Terms| -> f64 {
            let [request, answer] = PARTS.map(|part| part(terms).as_secs_f64());
            ids.map_or(0.0, |[to, from]| {
                interrupted(request, to, others) + begins(from, others) + interrupted(answer, from, others)
            })
        };
        let slower = |load: &Load| {
            let arbitration = Duration::from_secs_f64(waits(&load.terms));
            Load { terms: Terms { arbitration, ..load.terms }, ..load.clone() }
        };
        self.loads.iter().map(slower).collect()
    }
}

/// Seconds until an answer with this identifier begins. A request needs no such time: it follows the answer before, when
/// the bus is just free for it.
fn begins(id: Id, others: &[Stream]) -> f64 {
    others.iter().filter(|other| other.id.wins_against(id)).map(|other| other.share.min(MOST) * other.rest).sum()
}

/// Seconds that stronger frames take in a message of `long` seconds with this identifier.
fn interrupted(long: f64, id: Id, others: &[Stream]) -> f64 {
    let stronger = others.iter().filter(|other| other.id.wins_against(id));
    let taken = stronger.map(|other| other.share).sum::<f64>().min(MOST);
    long * taken / (1.0 - taken)
}

/// What the units bring beside each other.
pub(crate) fn predict_together(units: &[Outlook<'_>]) -> Prediction {
    let alone: f64 = units.iter().map(|unit| unit.alone().line_share).sum();
    let mut loads: Vec<Vec<Load>> = units.iter().map(|unit| unit.loads.clone()).collect();
    let mut streams: Vec<Vec<Stream>> = units.iter().map(|_| Vec::new()).collect();
    for _ in 0..ROUNDS {
        for ((unit, loads), streams) in units.iter().zip(&loads).zip(&mut streams) {
            let new = unit.streams(loads);
            let half = |(place, new): (usize, &Stream)| Stream {
                share: (streams.get(place).map_or(0.0, |old: &Stream| old.share) + new.share) / 2.0,
                ..*new
            };
            *streams = new.iter().enumerate().map(half).collect();
        }
        for (place, (unit, loads)) in units.iter().zip(&mut loads).enumerate() {
            let others = streams.iter().enumerate().filter(|(other, _)| *other != place);
            *loads = unit.beside(&others.flat_map(|(_, streams)| streams.iter().copied()).collect::<Vec<_>>());
        }
    }
    let mut predictions: Vec<Prediction> = units.iter().zip(&loads).map(|(unit, loads)| unit.predict(loads)).collect();
    let mut strongest_first: Vec<usize> = (0..units.len()).collect();
    strongest_first.sort_by(|a, b| {
        let weaker = |a: usize, b: usize| match (answers(units, a), answers(units, b)) {
            (Some(a), Some(b)) => b.wins_against(a),
            _ => false,
        };
        weaker(*a, *b).cmp(&weaker(*b, *a))
    });
    let mut free = 1.0;
    for place in strongest_first {
        let Some(prediction) = predictions.get_mut(place) else { continue };
        prediction.keep_to(free);
        free = (free - prediction.line_share).max(1.0 - MOST);
    }
    sum(predictions, alone)
}

fn answers(units: &[Outlook<'_>], place: usize) -> Option<Id> {
    units.get(place)?.ids().map(|[_, answer]| answer)
}

fn sum(units: Vec<Prediction>, alone: f64) -> Prediction {
    let worst = units.iter().reduce(|a, b| if a.admission.weaker(b.admission) == a.admission { a } else { b });
    let binds = match worst {
        Some(_) if alone > 1.0 => format!(
            "the bus binds: each alone, the units would fill it to {:.0} % together; frames with the weaker identifiers wait",
            alone * 100.0
        ),
        Some(worst) => worst.binds.clone(),
        None => String::new(),
    };
    Prediction {
        per_second: units.iter().map(|unit| unit.per_second).sum(),
        stretch: units.iter().map(|unit| unit.stretch).fold(1.0, f64::max),
        admission: worst.map_or(Admission::Guaranteed, |unit| unit.admission),
        line_share: units.iter().map(|unit| unit.line_share).sum(),
        records: units.iter().flat_map(|unit| unit.records.iter().cloned()).collect(),
        channels: units.iter().flat_map(|unit| unit.channels.iter().copied()).collect(),
        binds,
        units,
    }
}

impl Prediction {
    /// Takes no more than this share of the bus: everything comes so many times more slowly.
    fn keep_to(&mut self, share: f64) {
        let factor = self.line_share / share;
        if factor <= 1.0 {
            return;
        }
        self.per_second /= factor;
        self.line_share = share;
        if self.stretch > 1.0 {
            self.stretch *= factor;
            self.admission = Admission::Stretched(self.stretch);
        }
        self.records.iter_mut().for_each(|record| record.per_second /= factor);
        self.channels.iter_mut().for_each(|(_, per_second)| *per_second /= factor);
    }
}
