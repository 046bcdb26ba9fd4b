//! ISO 14229-1 (UDS): what a tester asks a control unit of the newer kind, and what the unit answers.
//!
//! A request type is built by the caller, or read by a unit with `parse`; [`emit`](crate::Emit::emit) writes it. The
//! request knows its answer: `data`, `check` or a view checks service, repeated parameters and length of a response
//! and lends what is new in it.
//!
//! The text of the standard was not at hand. Layouts come from third-party notes on its 2013 and 2020 editions that
//! cite clause and table, from ISO/DIS 15765-3.5 (2002-10-01), from tutorials and from memory; each item says which.
//! Values of more than one byte stand most significant byte first.
//!
//! [`effect`](crate::effect) guards what these requests do: a builder is no permit.

pub mod clear;
pub mod communication;
pub mod control;
pub mod define;
pub mod fault_records;
pub mod fault_status;
pub mod faults;
pub mod identifiers;
pub mod memory;
pub mod positive;
pub mod read_data;
pub mod reset;
pub mod security;
pub mod session;
pub mod sub_function;

pub use clear::{ClearDiagnosticInformation, DtcGroup};
pub use communication::{CommunicationControl, ControlDtcSetting, ControlType, TesterPresent};
pub use control::{
    ControlParameter, InputOutputControl, RoutineAction, RoutineControl, RoutineId, WriteDataByIdentifier,
};
pub use define::{Definition, DynamicallyDefineDataIdentifier, Piece};
pub use fault_records::{
    ExtendedRecord, ReadDtcExtendedData, ReadDtcSnapshot, ReadDtcSnapshotIdentification, SnapshotItem, SnapshotOf,
};
pub use fault_status::FaultStatus;
pub use faults::{
    DtcCount, DtcEntry, DtcFormat, DtcList, DtcReport, ReadDtcByStatusMask, ReadDtcCountByStatusMask, ReadSupportedDtc,
};
pub use identifiers::{DataIdentifier, PeriodicIdentifier};
pub use memory::{MemoryRange, ReadMemoryByAddress};
pub use positive::PositiveResponse;
pub use read_data::{
    DataRecord, PeriodicData, ReadDataByIdentifier, ReadDataByPeriodicIdentifier, RecordReport, TransmissionMode,
};
pub use reset::{EcuReset, ResetType};
pub use security::{SecurityAccess, SecurityLevel};
pub use session::{DiagnosticSessionControl, SessionTiming, SessionType};
pub use sub_function::is_suppressed;
