//! One control unit of a session: its definition, what is wanted of it, what it has said.

use alloc::borrow::ToOwned;
use alloc::format;
use alloc::string::String;
use alloc::vec;
use alloc::vec::Vec;
use core::time::Duration;

use tickover_defs::compiled::{Every, Layout, Line, Record};
use tickover_defs::{ChannelId, Definition, RecordId};
use tickover_services::obd::SupportMask;

use crate::contention::Outlook;
use crate::derive::Store;
use crate::exchange::Answer;
use crate::meter::Beat;
use crate::plan::{Plan, plan, wanted_session};
use crate::rate::{Load, Prediction, RecordForecast, Terms};
use crate::schedule::Wanted;
use crate::{ChannelKey, NoteKind, Rate, UnitId};

/// How often a record that is read once is asked for until it is answered.
const ONCE_AGAIN: Duration = Duration::from_secs(5);

/// One control unit of a session.
#[derive(Debug)]
pub(crate) struct Unit {
    pub(crate) definition: Definition,
    /// By channel.
    pub(crate) wishes: Vec<Option<Rate>>,
    /// What goes into frames that we send.
    pub(crate) feeds: Vec<(ChannelId, Rate)>,
    /// The session that the caller chose.
    pub(crate) chosen: Option<u16>,
    /// Place in the definition's list; `None`: the base.
    pub(crate) variant: Option<usize>,
    /// The session that the unit is in; `None`: the default one.
    pub(crate) entered: Option<u16>,
    pub(crate) store: Store,
    pub(crate) plan: Plan,
    /// By channel.
    pub(crate) beats: Vec<Beat>,
    /// By record.
    pub(crate) asked: Vec<Asked>,
    /// The answers that told the variant: they make rows once it is known how to read them.
    pub(crate) told: Vec<(RecordId, Answer)>,
    /// PIDs that it says it has; `None`: it has not been asked.
    pub(crate) pids: Option<SupportMask>,
}

/// What became of asking for a record, on this connection.
#[derive(Clone, Copy, Debug, Default)]
pub(crate) struct Asked {
    pub(crate) answered: bool,
    /// Made a row.
    pub(crate) read: bool,
    /// Not asked for any more.
    pub(crate) refused: bool,
    pub(crate) refusals: u8,
    /// Not asked for together with others any more.
    pub(crate) alone: bool,
    /// What was last complained about: said once, not every time.
    pub(crate) complaint: Option<NoteKind>,
}

impl Unit {
    pub(crate) fn new(definition: Definition) -> Self {
        let channels = definition.channels.len();
        let records = definition.records.len();
        Self {
            definition,
            wishes: vec![None; channels],
            feeds: Vec::new(),
            chosen: None,
            variant: None,
            entered: None,
            store: Store::new(channels),
            plan: Plan::default(),
            beats: vec![Beat::default(); channels],
            asked: vec![Asked::default(); records],
            told: Vec::new(),
            pids: None,
        }
    }

    /// The line as it is after initialisation.
    pub(crate) fn base_line(&self) -> Option<&Line> {
        self.definition.line.as_ref()
    }

    /// The line as it is in a session of the definition.
    pub(crate) fn line_in(&self, session: Option<u16>) -> Option<&Line> {
        match session {
            None => self.base_line(),
            Some(session) => self.definition.sessions.get(usize::from(session)).map(|session| &session.line),
        }
    }

    /// The layout that holds now.
    pub(crate) fn layout(&self) -> &Layout {
        layout_of(&self.definition, self.variant)
    }

    pub(crate) fn record(&self, id: RecordId) -> Option<&Record> {
        self.layout().record(id)
    }

    /// Takes a wish; false: this definition has no such channel.
    pub(crate) fn wish(&mut self, channel: ChannelId, rate: Option<Rate>) -> bool {
        let wish = self.wishes.get_mut(usize::from(channel.0));
        wish.map(|wish| *wish = rate.map(Rate::held)).is_some()
    }

    pub(crate) fn wishes(&self) -> Vec<(ChannelId, Rate)> {
        let wishes = self.wishes.iter().enumerate();
        wishes.filter_map(|(place, rate)| Some((ChannelId(place as u16), (*rate)?))).collect()
    }

    pub(crate) fn watched(&self, channel: ChannelId) -> bool {
        self.wishes.get(usize::from(channel.0)).is_some_and(Option::is_some)
    }

    /// The session to enter: the caller's choice, or the one that a wanted record names.
    pub(crate) fn session_to_enter(&self) -> Option<u16> {
        self.chosen.or_else(|| wanted_session(self.layout(), &self.wishes()))
    }

    /// A new connection: nothing is known about the unit.
    pub(crate) fn forget(&mut self) {
        (self.variant, self.entered, self.plan) = (None, None, Plan::default());
        self.store.forget();
        self.asked.fill(Asked::default());
        self.told.clear();
        self.pids = None;
    }

    /// Plans anew, for the wishes, the variant and the session that hold now.
    pub(crate) fn replan(&mut self) {
        let layout = layout_of(&self.definition, self.variant);
        let asked = &self.asked;
        let of = |id: RecordId| asked.get(usize::from(id.0)).copied().unwrap_or_default();
        let wishes: Vec<_> = self.wishes().into_iter().chain(self.feeds.iter().copied()).collect();
        self.plan = plan(layout, &wishes, self.entered, |id| of(id).refused, |id| of(id).alone);
    }

    /// What the schedule must know of the plan; costs by the model until they are measured.
    pub(crate) fn wanted(&self) -> Vec<Wanted> {
        let Some(line) = self.line_in(self.entered) else { return Vec::new() };
        let loads = self.loads(&self.plan, line, fastest_answer(line));
        let wanted = |load: Load| Wanted {
            record: load.record,
            period: load.period,
            fastest: load.fastest,
            cost: load.terms.total(),
        };
        // What is read once is asked for now and then until it has been answered.
        let once = self
            .plan
            .once
            .iter()
            .filter(|id| self.asked.get(usize::from(id.0)).is_some_and(|asked| !asked.read && !asked.refused));
        let again =
            once.map(|id| Wanted { record: *id, period: Some(ONCE_AGAIN), fastest: false, cost: Duration::ZERO });
        loads.into_iter().map(wanted).chain(again).collect()
    }

    /// What is asked of a unit that answers after `p2`, in the session that is, or will be, entered.
    pub(crate) fn outlook(&self, id: UnitId, p2: Duration) -> Outlook<'_> {
        let layout = self.layout();
        let session = self.entered.or_else(|| self.session_to_enter());
        let asked = &self.asked;
        let of = |id: RecordId| asked.get(usize::from(id.0)).copied().unwrap_or_default();
        let plan = plan(layout, &self.wishes(), session, |id| of(id).refused, |id| of(id).alone);
        let loads = match self.line_in(session) {
            Some(line) => self.loads(&plan, line, p2),
            None => Vec::new(),
        };
        let speed = if matches!(self.base_line(), Some(Line::Can(_))) { "bit rate" } else { "baud rate" };
        Outlook { unit: self, id, loads, speed }
    }

    /// Readings per second of each watched channel.
    pub(crate) fn channel_rates(&self, id: UnitId, prediction: &Prediction) -> Vec<(ChannelKey, f64)> {
        let key = |channel| ChannelKey { unit: id, channel };
        self.wishes().iter().map(|(channel, _)| (key(*channel), self.per_second(*channel, prediction))).collect()
    }

    /// A channel has a reading on every response that brings it or one of its inputs.
    fn per_second(&self, channel: ChannelId, prediction: &Prediction) -> f64 {
        let records = match crate::derive::record_of(self.layout(), channel) {
            Some(record) => vec![record],
            None => crate::plan::needs(self.layout(), channel).records,
        };
        let brings = |forecast: &&RecordForecast| forecast.all().any(|record| records.contains(&record));
        let polled = prediction.records.iter().filter(brings);
        let heard = records.iter().filter_map(|id| match self.record(*id)?.every {
            Every::Period(period) => Some(1.0 / period.as_secs_f64()),
            _ => None,
        });
        polled.map(|forecast| forecast.per_second).chain(heard).sum()
    }

    fn loads(&self, plan: &Plan, line: &Line, p2: Duration) -> Vec<Load> {
        let load = |polled: &crate::plan::Polled| {
            let records: Option<Vec<&Record>> = polled.records().map(|id| self.record(id)).collect();
            // Each brings its identifier and data; the service identifier is there once.
            let (mut request, mut response) = (1, 1);
            for record in records? {
                request += record.request.constant()?.len().saturating_sub(1);
                response += record.answer.0.len().saturating_sub(1) + usize::from(record.length.1);
            }
            Some(Load {
                record: polled.record,
                with: polled.with.clone(),
                terms: Terms::on(line, request, response, p2)?,
                period: polled.period,
                fastest: polled.fastest,
            })
        };
        plan.polled.iter().filter_map(load).collect()
    }

    pub(crate) fn asked(&mut self, record: RecordId) -> Option<&mut Asked> {
        self.asked.get_mut(usize::from(record.0))
    }

    /// Whether the channel's record is read at connect and after a clear only.
    pub(crate) fn is_read_once(&self, channel: ChannelId) -> bool {
        let record = crate::derive::record_of(self.layout(), channel);
        record.and_then(|id| self.record(id)).is_some_and(|record| record.every == Every::Once)
    }

    /// `record 'engine'`
    pub(crate) fn say_record(&self, record: RecordId) -> String {
        format!("record '{}'", self.definition.record_name(record))
    }

    /// The name of a session of the definition.
    pub(crate) fn session_name(&self, session: u16) -> String {
        self.definition.sessions.get(usize::from(session)).map_or("?", |session| &session.name).to_owned()
    }
}

/// P2min; on CAN a unit may answer at once.
pub(crate) fn fastest_answer(line: &Line) -> Duration {
    match line {
        Line::KLine(line) => line.line.timing.p2_min,
        _ => Duration::ZERO,
    }
}

/// The base, or a variant laid over it.
pub(crate) fn layout_of(definition: &Definition, variant: Option<usize>) -> &Layout {
    let laid_over = variant.and_then(|variant| definition.variants.get(variant));
    laid_over.map_or(&definition.base, |variant| &variant.layout)
}
