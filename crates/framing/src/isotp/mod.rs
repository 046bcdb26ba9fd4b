//! Messages on CAN: segmentation and flow control of ISO 15765-2, for both sides.

pub mod address;
mod deadline;
mod flow_control;
pub mod line;
mod model;
pub mod pdu;
mod receiver;
mod sender;
mod settings;
mod tester;
#[cfg(test)]
mod tests;
mod unit;

pub use address::{Address, Path};
pub use flow_control::{FlowControl, FlowStatus, SeparationTime};
pub use line::{Fd, Flow, Frames, Line, Timing};
pub use pdu::{OwnedPdu, Pdu, PduError, PduView};
pub use tester::{PathError, Tester};
pub use unit::{Unit, UnitEvent};
