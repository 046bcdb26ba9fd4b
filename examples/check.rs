//! Checks definition files.
fn main() {}
