//! Tests of the formula room.

mod knowledge;
mod mistakes;
mod roundtrip;
mod semantics;
mod world;
