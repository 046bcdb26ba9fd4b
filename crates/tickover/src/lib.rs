//! Trustworthy measurements from engine control units, at the highest rate the line can carry.
//!
//! A definition file says what one control unit offers and how its bytes become numbers with units. A
//! session made from it connects over a K-line or CAN, polls the channels you choose as often as you wish and the
//! line allows, and hands you rows: each is one record of a response, or one frame, decoded, with the time at which it began on the
//! wire. A number is right or marked invalid with the reason; there is no third thing. What was achieved
//! stands beside what was predicted.
//!
//! # Example
//! The built-in bench stands in for adapter, line and control unit (feature `bench`):
//!
//! ```
//! # #[cfg(all(feature = "bench", unix))]
//! # fn main() -> Result<(), Box<dyn std::error::Error>> {
//! # std::env::set_current_dir("../..")?;
//! use tickover::bench::{Bench, Options};
//! use tickover::{Connection, Definition, Item, Rate, Serial, Session, link::Clock};
//!
//! let definition = Definition::load("defs/bramble-40.toml")?;
//! let bench = Bench::start(&definition, Options::default(), Clock::start(), None)?;
//!
//! let speed = definition.channel("engine_speed")?;     // a wrong name fails here, with the nearest names
//! let session = Session::new(definition).watch(speed, Rate::per_second(20));
//! let connection = Connection::open(session, Serial::open(bench.path())?)?;
//! for item in connection.items().take(10) {
//!     match item? {                                    // Err: nothing more will come
//!         Item::Row(row) => if let Some(reading) = row.get(speed) { println!("{} {reading}", row.at) },
//!         Item::Note(note) => eprintln!("{note}"),     // noise, a refusal, reconnected, rows dropped
//!     }
//! }
//! connection.close()?;                                 // the unit back to its defaults; a drop only stops
//! # Ok(())
//! # }
//! # #[cfg(not(all(feature = "bench", unix)))]
//! # fn main() {}
//! ```
//!
//! With an adapter, the port is `Serial::open("/dev/ttyUSB0")?` or, by its name, `link::open("can:can0")?`; nothing else
//! changes. Several units of one CAN bus stand in one session, each under a name:
//!
//! ```
//! # fn main() -> Result<(), Box<dyn std::error::Error>> {
//! # std::env::set_current_dir("../..")?;
//! use tickover::{Definition, Rate, Session};
//!
//! let [engine, gearbox] = ["defs/bramble-62.toml", "defs/bramble-62-gearbox.toml"].map(Definition::load);
//! let session = Session::new(engine?).named("engine")?.with_unit("gearbox", gearbox?)?;
//! let oil = session.channel("gearbox:oil_temperature")?;
//! let session = session.watch(oil, Rate::per_second(2));
//! # assert!(session.predict(std::time::Duration::from_millis(5)).per_second > 1.9);
//! # Ok(())
//! # }
//! ```
//!
//! # Vocabulary
//! | word | is |
//! |---|---|
//! | control unit, unit | the computer that is asked; the tester is this side |
//! | [`Definition`] | what is known about one sort of control unit: line, records, channels, formulas; a TOML file |
//! | record | what one request brings; its response carries many channels |
//! | channel ([`ChannelId`]) | one measured quantity with its unit |
//! | [`Session`] | the state machine that connects, identifies, polls, decodes and recovers; touches no port |
//! | [`Rate`] | how often a channel is wanted at least |
#![cfg_attr(feature = "link", doc = "| [`Connection`] | a session on a port, run by a thread of its own; a handle |")]
//! | [`Row`] | one record of a response, or one frame, and every watched channel in it; they share one time |
//! | [`Reading`] | a channel's raw value, and a [`Value`] or why it is [`Invalid`] |
//! | [`Note`] | a sentence about the line: who is at fault, what was expected, what came, what to try |
//! | [`Permit`] | permission for one request that does more than read; made on purpose, consumed |
//! | [`Report`] | achieved and predicted rates, never without their worst gaps |
//!
//! # Where to go on
//! * [`defs`]: the definition language: parse, check, decode, encode.
//! * [`session`]: the same session without our threads, on a microcontroller or under your own event loop:
//!   hand in what the line brings, drain what it wants.
#![cfg_attr(
    feature = "link",
    doc = "* [`link`]: ports, the clock, the I/O thread, the blocking and the asynchronous face."
)]
#![cfg_attr(feature = "record", doc = "* [`record`]: rows into CSV files, running statistics.")]
#![cfg_attr(
    feature = "bench",
    doc = "* [`bench`](mod@bench): control units simulated from their definitions, with an engine, a line and a bus with faults."
)]
//! * [`framing`] and [`services`]: the messages themselves, for those who need only these.
//!
//! # Features
//! | feature | brings | default |
//! |---|---|---|
//! | `link` | serial and CAN ports, the clock, the I/O thread, the blocking face | yes |
//! | `tokio` | the asynchronous face: a stream of items, on any runtime | no |
//! | `record` | CSV files and running statistics | yes |
//! | `bench` | the built-in bench: works without hardware | no |
//!
//! # Cautions
//! Polling only reads; everything else takes a [`Permit`]. A running engine moves, is hot and poisons the air
//! of a closed room; a battery's current melts tools. While driving, a passenger operates. Local law and
//! licensed practice come first.

/// The definition language: parse, check, compile, decode, encode.
pub use tickover_defs as defs;
/// Messages, initialisation and timing on the line, for both sides.
pub use tickover_framing as framing;
/// Diagnostic services as views and builders, their codes and effects.
pub use tickover_services as services;
/// The sans-IO session: connect, poll, decode, measure, recover.
pub use tickover_session as session;

/// A control unit simulated from its definition, an engine model, a line with faults.
#[cfg(feature = "bench")]
pub use tickover_bench as bench;
/// Ports, the clock, the I/O thread and its blocking and asynchronous faces.
#[cfg(feature = "link")]
pub use tickover_link as link;
/// What to do with rows: CSV files and running statistics.
#[cfg(feature = "record")]
pub use tickover_record as record;

pub use tickover_defs::{ChannelId, Definition, Invalid, Reading, Value};
#[cfg(feature = "link")]
pub use tickover_link::{Connection, Item, Serial};
pub use tickover_services::Effect;
pub use tickover_session::{ChannelKey, Note, Permit, Rate, Report, Row, Session, UnitId};

/// The front page's program compiles.
#[cfg(all(doctest, feature = "link"))]
#[doc = include_str!("../../../README.md")]
#[derive(Debug)]
pub struct FrontPage;
