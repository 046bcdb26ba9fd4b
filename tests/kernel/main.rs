//! Our CAN links against the CAN stack of Linux. Run by `tests/kernel/run` in a guest that they have to themselves.
#![cfg(target_os = "linux")]

mod bus;
mod discipline;
mod interface;
mod isotp;
mod kernel;
mod raw;
mod session;
