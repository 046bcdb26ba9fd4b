//! ISO 14230-3: what a tester asks a control unit on a K-line, and what the unit answers.
//!
//! A request type is built by the caller, or read by a unit with `parse`; [`emit`](crate::Emit::emit) writes it.
//! The request knows its answer: `data` (or a view) checks service, repeated parameters and length of a response
//! and lends what is new in it; `answer` builds the response on the unit's side.
//!
//! Clauses are those of SSF 14230-3 issue 2 (2000-02-01), a published profile of ISO 14230-3; what it leaves out
//! says so. Values of more than one byte stand most significant byte first.
//!
//! Services that this product never sends of its own accord (writing, control, routines, transfer) have no types:
//! definitions spell their requests byte by byte, [`PositiveResponse`] checks the answers, and
//! [`effect`](crate::effect) guards them.

pub mod define;
pub mod faults;
pub mod freeze_frame;
pub mod identification;
pub mod memory;
pub mod positive;
pub mod read_data;
pub mod segments;
pub mod session;
pub mod tester_present;

pub use define::{Definition, DynamicallyDefineLocalIdentifier, Piece, Source};
pub use faults::{
    ClearDiagnosticInformation, FaultEntry, FaultList, FaultReport, FaultStatus, Group, ReadDtcByStatus,
    ReadStatusOfDtc, StatusRequest,
};
pub use freeze_frame::{Access, FrameNumber, ReadFreezeFrameData};
pub use identification::{IdentificationOption, ReadEcuIdentification};
pub use memory::{Address, ReadMemoryByAddress};
pub use positive::PositiveResponse;
pub use read_data::{CommonIdentifier, LocalIdentifier, ReadDataByCommonIdentifier, ReadDataByLocalIdentifier};
pub use segments::Segments;
pub use session::{BaudRate, DiagnosticMode, StartDiagnosticSession, StopDiagnosticSession};
pub use tester_present::TesterPresent;
