//! SAE J1979 (ISO 15031-5): what a tester asks about emissions, on CAN and on the K-line.
//!
//! Requests are the same on both lines, answers are not: on CAN a message is as long as it needs to be, counts what it
//! carries and may hold several identifiers; on the K-line (ISO 14230-4, ISO 9141-2) it has seven data bytes at most,
//! and a longer answer comes as several messages. A method that only fits one line says so in its name.
//!
//! The text of the standard was not at hand. What stands here comes from published tables of identifiers, from
//! tutorials that quote ISO 15031-5, and from memory; each item says which.

pub mod current_data;
pub mod fault_codes;
pub mod freeze_frame;
pub mod identifiers;
pub mod monitor_status;
pub mod support;
pub mod system_control;
pub mod test_results;
pub mod vehicle_information;

pub use current_data::{CurrentData, PidRecord, ReadCurrentData};
pub use fault_codes::{ClearFaultCodes, FaultCodes, FaultMemory, FaultReport, ReadFaultCodes};
pub use freeze_frame::{FreezeFrame, FrozenPid, FrozenRecord, ReadFreezeFrame};
pub use identifiers::{InfoType, MonitorId, Pid, TestId};
pub use monitor_status::{Ignition, Monitor, MonitorStatus, Readiness};
pub use support::SupportMask;
pub use system_control::ControlSystem;
pub use test_results::{
    ComponentResult, MonitorResult, MonitorResults, OxygenSensorResult, ReadMonitorResults, ReadOxygenSensorResults,
    UnitAndScaling,
};
pub use vehicle_information::{
    InformationMessages, InformationOnCan, InformationOnKLine, ReadVehicleInformation, VehicleInformation, Vin,
};
