//! A scope of named values.

use std::collections::HashMap;
use std::format;
use std::vec::Vec;

use crate::compile::Catalog;
use crate::compile::sheet::unknown_name;
use crate::compiled::{Channel, Layout, Origin};
use crate::decode::{self, Counted, Scope};
use crate::diagnostic::{Diagnostic, codes};
use crate::model::Findings;
use crate::model::vector::{Named, Want};
use crate::number;
use crate::value::{ChannelId, Invalid, Value};

/// Values by channel, and how far totals have counted.
#[derive(Debug, Default)]
pub(super) struct Values {
    pub(super) latest: HashMap<ChannelId, Result<Value, Invalid>>,
    pub(super) counted: HashMap<ChannelId, Counted>,
}

impl Values {
    /// What `given` says; `None` if one of its names or values is wrong.
    pub(super) fn given(list: &[Named], layout: &Layout, catalog: &Catalog, out: &mut Findings<'_>) -> Option<Self> {
        let mut values = Self::default();
        let mut good = true;
        for named in list {
            let Some(id) = channel(named, layout, catalog, out) else {
                good = false;
                continue;
            };
            let Some(value) = value(named, layout, id, out) else {
                good = false;
                continue;
            };
            values.latest.insert(id, value);
        }
        good.then_some(values)
    }

    /// Adds every derived channel whose inputs are here.
    pub(super) fn derive(&mut self, layout: &Layout) {
        let derived = layout.channels.iter().flatten().filter(|channel| matches!(channel.origin, Origin::Derived));
        let mut readers: HashMap<ChannelId, Vec<&Channel>> = HashMap::new();
        for channel in derived {
            for input in channel.inputs.iter() {
                readers.entry(*input).or_default().push(channel);
            }
        }
        let mut come: Vec<ChannelId> = self.latest.keys().copied().collect();
        while let Some(input) = come.pop() {
            for channel in readers.get(&input).into_iter().flatten() {
                let ready = channel.inputs.iter().all(|input| self.latest.contains_key(input));
                if ready && !self.latest.contains_key(&channel.id) {
                    let value = decode::derived(layout, channel, self).value;
                    self.latest.insert(channel.id, value);
                    come.push(channel.id);
                }
            }
        }
    }
}

impl Scope for Values {
    fn latest(&self, channel: ChannelId) -> Result<&Value, Invalid> {
        match self.latest.get(&channel) {
            Some(value) => value.as_ref().map_err(Clone::clone),
            None => Err(Invalid::NoReading),
        }
    }

    fn counted(&self, channel: ChannelId) -> Option<Counted> {
        self.counted.get(&channel).copied()
    }
}

/// The channel of this name in this layout; reported if there is none in any.
pub(super) fn channel(named: &Named, layout: &Layout, catalog: &Catalog, out: &mut Findings<'_>) -> Option<ChannelId> {
    match catalog.channel(&named.name) {
        Some(id) if layout.channel(id).is_some() => Some(id),
        Some(_) => None,
        None => {
            let head = named.name.split('.').next().unwrap_or(&named.name);
            let broken = catalog.knows("channel", head) && catalog.knows_in_formulas(head) && head == named.name;
            if !broken {
                let names = catalog.formula_names();
                let mut found = unknown_name("channel", &named.name, named.name_span.clone(), names, out);
                // Names stand here as keys, without quotes.
                if let Some(suggestion) = &mut found.suggestion {
                    suggestion.text = suggestion.text.trim_matches('"').into();
                }
                out.push(found);
            }
            None
        }
    }
}

fn value(named: &Named, layout: &Layout, id: ChannelId, out: &mut Findings<'_>) -> Option<Result<Value, Invalid>> {
    let channel = layout.channel(id)?;
    let text = !channel.states.is_empty() || channel.unit.is_none();
    match &named.want {
        Want::Invalid(reason) => Some(Err(Invalid::Declared(crate::compile::owned(reason)))),
        Want::Number(literal) if channel.unit.is_some() => {
            number::decimal(literal).map(|number| Ok(Value::Number(number.value.to_f64())))
        }
        Want::Text(value) if text && (channel.states.is_empty() || channel.states.iter().any(|s| s.name == *value)) => {
            Some(Ok(Value::Text(crate::compile::owned(value))))
        }
        _ => {
            let message = format!("`{}` cannot have this value", named.name);
            let states: Vec<&str> = channel.states.iter().map(|state| &*state.name).collect();
            let mut found = Diagnostic::new(codes::VECTOR_SHAPE, named.span.clone(), message);
            found = match (channel.unit, states.as_slice()) {
                (Some(unit), []) => found.expected(format!("a number in {}", unit.code())),
                (_, []) => found.expected("a text"),
                (_, states) => found.expected(crate::model::keys::list(states)),
            };
            out.push(found);
            None
        }
    }
}
