//! Sessions against a small unit in virtual time.

mod bench;
mod build;

mod campaign;
mod closing;
mod commands;
mod connecting;
mod deriving;
mod model;
mod permits;
mod polling;
mod recovering;
mod refusing;
