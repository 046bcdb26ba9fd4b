//! What the text looks like. That it compiles and equals its definition is shown where it is compiled: the package of
//! cross-crate tests.

use super::rust;
use crate::Definition;

const SMALL: &str = r#"
edition = 1
[definition]
id = "small"
title = "A small [unit]"
revision = "0.1.0"
source = "invented"
[line]
type = "k-line"
baud = 10400
format = "8N1"
init = "fast"
unit = 0x1C
tester = 0xF1
framing = "iso14230"
services = "iso14230"
keep_alive = { send = "3E", expect = "7E", every = "2 s" }
[record.engine]
read = { local_identifier = 0x01 }
length = 2
[channel.engine_speed]
record = "engine"
at = 0
data = "u16be"
formula = "raw / 4"
unit = "/min"
invalid = { 0xFFFF = "not \"available\"" }
[channel.ratio]
formula = "engine_speed * 0.1 / 3"
unit = "1"
"#;

#[test]
fn a_definition_is_written_as_a_static() {
    let definition = Definition::parse(SMALL, "small.toml").unwrap();
    insta::assert_snapshot!(rust(&definition, "SMALL"));
}
