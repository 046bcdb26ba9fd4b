//! Which unit of a definition is simulated, and how it behaves.

use core::time::Duration;

use tickover_defs::compiled::Layout;
use tickover_defs::{Definition, UnknownName, Value};
use tickover_framing::transport::{Echo, Reach};
use tickover_services::FaultCode;

use super::Trouble;
use super::values::Values;

/// Which unit is simulated, and how it behaves. The default is a healthy unit of the first variant.
#[derive(Clone, PartialEq, Debug)]
pub struct Options {
    /// The variant's name; `None`: the first, if the definition has any.
    pub variant: Option<String>,
    /// End of a request to the start of its answer; `None`: P2min of a K-line as it is then, 1 ms on CAN.
    pub p2: Option<Duration>,
    /// Channels that keep a value, by full name.
    pub fixed: Vec<(String, Value)>,
    /// Stored fault codes with their status byte; `None`: the first two that the definition explains. The status is
    /// that of ISO 14230-3 where the definition reads codes with service 18, else that of ISO 14229-1.
    pub faults: Option<Vec<(FaultCode, u8)>>,
    /// PIDs of SAE J1979 that the unit has, of those that the definition names; `None`: all.
    pub pids: Option<Vec<u8>>,
    /// What the unit is called in the truth; `None`: as its definition.
    pub name: Option<String>,
    /// How often the unit looks at its senders; zero: for each answer.
    pub looks_every: Duration,
    /// What it does wrong by chance.
    pub trouble: Trouble,
    /// Of the chances.
    pub seed: u64,
    /// Whether the truth holds the channels' values beside the bytes.
    pub note_values: bool,
    /// What the unit's own port can do. Its own echo is suppressed by default, as by a transceiver that does not
    /// listen while it sends.
    pub reach: Reach,
}

impl Default for Options {
    fn default() -> Self {
        Self {
            variant: None,
            p2: None,
            fixed: Vec::new(),
            faults: None,
            pids: None,
            name: None,
            looks_every: Duration::ZERO,
            trouble: Trouble::default(),
            seed: 1,
            note_values: true,
            reach: Reach { echo: Echo::Suppressed, ..Reach::IDEAL },
        }
    }
}

/// Why a unit cannot be simulated.
#[derive(Clone, PartialEq, Debug, thiserror::Error)]
#[non_exhaustive]
pub enum UnitError {
    /// The definition is a base for others.
    #[error("definition: it has no [line], so there is no unit to simulate; name a definition that has one")]
    NoLine,
    /// No variant or channel of this name.
    #[error(transparent)]
    Unknown(#[from] UnknownName),
    /// No values were found that make exactly this variant's `when` hold.
    #[error(
        "definition: no values were found for which variant '{wanted}' holds and no other; \
         fix the channels that its `when` reads"
    )]
    Variant {
        /// The variant asked for.
        wanted: String,
    },
}

/// The layout of the wanted variant, with values that make its `when` hold.
pub(super) fn choose(definition: &Definition, options: &Options) -> Result<(Layout, Values), UnitError> {
    let variant = match &options.variant {
        None => definition.variants.first(),
        Some(name) => {
            let found = definition.variants.iter().find(|variant| variant.name == *name);
            let known = definition.variants.iter().map(|variant| &*variant.name);
            Some(found.ok_or_else(|| UnknownName::among("variant", name, definition, known))?)
        }
    };
    let layout = variant.map_or(&definition.base, |variant| &variant.layout);
    let mut values = Values::new(definition, layout);
    for (name, value) in &options.fixed {
        values.fix(definition.channel(name)?, value.clone());
    }
    if let Some(variant) = variant {
        let holds = values.make_hold(&definition.base, &variant.when);
        let others = definition.variants.iter().filter(|other| other.name != variant.name);
        if !holds || others.into_iter().any(|other| values.holds(&definition.base, &other.when)) {
            return Err(UnitError::Variant { wanted: variant.name.to_string() });
        }
    }
    Ok((layout.clone(), values))
}
