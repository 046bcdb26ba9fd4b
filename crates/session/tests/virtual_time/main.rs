//! Sessions against a small unit in virtual time.

mod build;
mod bench;

mod closing;
mod connecting;
mod deriving;
mod permits;
mod polling;
mod recovering;
mod refusing;
