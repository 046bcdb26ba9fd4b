//! Definitions written as Rust: the text compiles, and what it declares is what was parsed.
//!
//! `bramble_41.rs`, `larkspur_62.rs`, `tansy_bus.rs` and `thistle_8.rs` are written by the emitter from definitions:
//! `UPDATE_EMITTED=1 cargo test -p tickover-tests emit`, or the example `emit` while they do not compile.

use std::borrow::Cow;
use std::path::Path;

use proptest::prelude::*;
use tickover_defs::compiled::Conversion;
use tickover_defs::decode::{self, Scope};
use tickover_defs::{ChannelId, Definition, Invalid, Reading, Value, emit};

// As the emitter wrote them; `pub` because a program declares them at its root.
#[allow(unreachable_pub)]
#[rustfmt::skip]
mod bramble_41;
#[allow(unreachable_pub)]
#[rustfmt::skip]
mod larkspur_62;
#[allow(unreachable_pub)]
#[rustfmt::skip]
mod tansy_bus;
#[allow(unreachable_pub)]
#[rustfmt::skip]
mod thistle_8;

use bramble_41::BRAMBLE_41;
use larkspur_62::LARKSPUR_62;
use tansy_bus::TANSY_BUS;
use thistle_8::THISTLE_8;

/// A CAN line; it is a model of the language, too.
const LARKSPUR: &str = "../defs_ok/larkspur-62.toml";

fn parsed(file: &str) -> Definition {
    let path = Path::new(env!("CARGO_MANIFEST_DIR")).join("emit").join(file);
    Definition::load(path).unwrap_or_else(|report| panic!("{report:?}"))
}

/// The committed text is what the emitter writes today.
fn is_current(file: &str, source: &str, name: &str, committed: &str) {
    let text = format!("//! Written by the emitter from `{file}`.\n\n{}", emit::rust(&parsed(file), name));
    let path = Path::new(env!("CARGO_MANIFEST_DIR")).join("emit").join(source);
    if std::env::var_os("UPDATE_EMITTED").is_some() {
        std::fs::write(path, text).unwrap();
    } else if text != committed {
        panic!("{source} is not what the emitter writes: run UPDATE_EMITTED=1 cargo test -p tickover-tests emit");
    }
}

#[test]
fn the_committed_sources_are_what_the_emitter_writes() {
    is_current("bramble-41.toml", "bramble_41.rs", "BRAMBLE_41", include_str!("bramble_41.rs"));
    is_current("../defs_ok/tansy-bus.toml", "tansy_bus.rs", "TANSY_BUS", include_str!("tansy_bus.rs"));
    is_current(LARKSPUR, "larkspur_62.rs", "LARKSPUR_62", include_str!("larkspur_62.rs"));
    is_current("thistle-8.toml", "thistle_8.rs", "THISTLE_8", include_str!("thistle_8.rs"));
}

#[test]
fn an_emitted_definition_equals_the_parsed_one() {
    assert_eq!(BRAMBLE_41, parsed("bramble-41.toml"));
    assert_eq!(TANSY_BUS, parsed("../defs_ok/tansy-bus.toml"));
    assert_eq!(LARKSPUR_62, parsed(LARKSPUR));
    assert_eq!(THISTLE_8, parsed("thistle-8.toml"));
}

#[test]
fn an_emitted_definition_owns_nothing() {
    let borrowed = |text: &Cow<'static, str>| matches!(text, Cow::Borrowed(_));
    assert!(matches!(BRAMBLE_41.base.channels, Cow::Borrowed(_)) && borrowed(&BRAMBLE_41.title));
    for channel in BRAMBLE_41.base.channels.iter().flatten() {
        assert!(borrowed(&channel.name) && matches!(channel.invalid, Cow::Borrowed(_)));
        if let Conversion::Expr(expr) = &channel.conversion {
            assert!(matches!(expr.nodes, Cow::Borrowed(_)));
        }
    }
}

/// A scope in which every channel has one number.
struct Every(Value);

impl Scope for Every {
    fn latest(&self, _channel: ChannelId) -> Result<&Value, Invalid> {
        Ok(&self.0)
    }

    fn rate(&self, _channel: ChannelId) -> Result<f64, Invalid> {
        Ok(0.1)
    }
}

proptest! {
    #[test]
    fn both_decode_every_response_to_the_same_bits(data in any::<[u8; 10]>(), known in -1e6..1e6f64) {
        let parsed = parsed("bramble-41.toml");
        let scope = Every(Value::Number(known));
        for (emitted, parsed_channel) in BRAMBLE_41.base.channels.iter().zip(parsed.base.channels.iter()) {
            let (Some(emitted), Some(parsed_channel)) = (emitted, parsed_channel) else { continue };
            let a = decode::channel(&BRAMBLE_41.base, emitted, &data, &scope);
            let b = decode::channel(&parsed.base, parsed_channel, &data, &scope);
            let bits = |reading: &Option<Reading>| reading.as_ref().and_then(Reading::number).map(f64::to_bits);
            prop_assert_eq!(bits(&a), bits(&b));
            prop_assert_eq!(a, b);
        }
    }
}
