//! Sessions against a small unit in virtual time.

mod bench;
mod build;

mod closing;
mod connecting;
mod deriving;
mod permits;
mod polling;
mod recovering;
mod refusing;
