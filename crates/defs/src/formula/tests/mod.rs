//! Tests of the formula room.

mod semantics;
mod world;
