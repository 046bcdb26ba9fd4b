//! The link under real sessions: a simulated unit behind a pseudo-terminal or in process, on the real clock.
//! Values and order are asserted, never speed.

use std::path::Path;

use tickover::bench::{Bench, Line, Options as UnitOptions, Simulated, real_time::LiveLine};
use tickover::link::{Clock, Items};
use tickover::{ChannelId, Definition, Item, Note, Rate, Row, Session};

mod buses;
mod faces;
mod loss;
mod relay;
mod speed;

fn bramble() -> Definition {
    let file = Path::new(env!("CARGO_MANIFEST_DIR")).join("../defs/bramble-40.toml");
    Definition::load(file).unwrap_or_else(|report| panic!("{report}"))
}

/// A session that watches the engine's speed, and which channel that is.
fn watching() -> (Session, ChannelId) {
    let definition = bramble();
    let speed = definition.channel("engine_speed").expect("bramble-40 has an engine speed");
    (Session::new(definition).watch(speed, Rate::Fastest), speed)
}

/// The unit behind a pseudo-terminal.
fn bench() -> Bench {
    Bench::start(&bramble(), UnitOptions::default(), Clock::start(), None).expect("a bench")
}

/// The unit on a line in this process.
fn in_process() -> LiveLine<Simulated> {
    let clock = Clock::start();
    let options = UnitOptions::default();
    let mut line = Line::new(tickover::framing::transport::Reach::IDEAL);
    line.attach(Simulated::new(&bramble(), &options, clock.now()).expect("a unit"));
    LiveLine::new(line, clock, "workshop")
}

/// The next row; notes before it are kept in `notes`.
fn next_row(items: &mut Items, notes: &mut Vec<Note>) -> Row {
    loop {
        match items.next() {
            Some(Ok(Item::Row(row))) => return row,
            Some(Ok(Item::Note(note))) => notes.push(note),
            end => panic!("{end:?} after {notes:#?}"),
        }
    }
}

/// The next note; rows before it are passed over.
fn next_note(items: &mut Items) -> Note {
    loop {
        match items.next() {
            Some(Ok(Item::Row(_))) => {}
            Some(Ok(Item::Note(note))) => return note,
            end => panic!("{end:?}"),
        }
    }
}
