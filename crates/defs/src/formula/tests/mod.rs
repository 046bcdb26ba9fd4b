//! Tests of the formula room.

mod mistakes;
mod roundtrip;
mod semantics;
mod world;
