//! Benchmarks of the cores.
fn main() {}
