//! Service identifiers: the first byte of every request and response.

use core::fmt;

use crate::effect::is_of_iso14229;

/// Service identifier, the first byte of a message (ISO 14230-3 clause 4, table 4.3 of SSF 14230-3 issue 2).
///
/// Every byte is a service identifier. Where two standards name it differently, it shows as ISO 14230-3 does;
/// [`name_in_iso14229`](Self::name_in_iso14229) has the other one.
///
/// ```
/// use tickover_services::ServiceId;
///
/// let service = ServiceId::READ_DATA_BY_LOCAL_IDENTIFIER;
/// assert_eq!(service.response(), ServiceId(0x61));
/// assert_eq!(service.to_string(), "21 ReadDataByLocalIdentifier");
/// assert_eq!(ServiceId(0xB1).to_string(), "B1");
/// ```
#[derive(Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash, Debug)]
pub struct ServiceId(pub u8);

impl ServiceId {
    /// What a positive response adds to the service identifier of its request.
    pub const RESPONSE: u8 = 0x40;

    /// The service identifier of the positive response to this request.
    pub const fn response(self) -> Self {
        Self(self.0 | Self::RESPONSE)
    }

    /// Whether bit 6 marks this as a response, positive or negative.
    pub const fn is_response(self) -> bool {
        self.0 & Self::RESPONSE != 0
    }

    /// The request that this identifier belongs to: itself, or what it is the positive response of.
    pub const fn request(self) -> Self {
        if self.0 == Self::NEGATIVE_RESPONSE.0 { self } else { Self(self.0 & !Self::RESPONSE) }
    }

    /// The name of the service, of requests and of positive responses: that of ISO 14230-3, of ISO 14229-1 where only
    /// this one has it, and of SAE J1979 below 10. `None` for reserved and maker-specific ones.
    pub fn name(self) -> Option<&'static str> {
        self.name_in([ISO14230, ISO14229, J1979])
    }

    /// The name of the service in ISO 14229-1, or in SAE J1979 below 10.
    ///
    /// ```
    /// use tickover_services::ServiceId;
    ///
    /// assert_eq!(ServiceId(0x22).name_in_iso14229(), Some("ReadDataByIdentifier"));
    /// assert_eq!(ServiceId(0x22).name(), Some("ReadDataByCommonIdentifier"));
    /// ```
    pub fn name_in_iso14229(self) -> Option<&'static str> {
        match self.request().0 {
            service if !is_of_iso14229(service) && service != 0x84 && self != Self::NEGATIVE_RESPONSE => None,
            _ => self.name_in([ISO14229, ISO14230, J1979]),
        }
    }

    fn name_in(self, tables: [&[(Self, &'static str)]; 3]) -> Option<&'static str> {
        let request = self.request();
        tables.into_iter().flatten().find(|(id, _)| *id == request).map(|(_, name)| *name)
    }
}

/// Two hex digits, then the name if there is one: `21 ReadDataByLocalIdentifier`.
impl fmt::Display for ServiceId {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        match self.name() {
            Some(name) => write!(f, "{:02X} {name}", self.0),
            None => write!(f, "{:02X}", self.0),
        }
    }
}

/// Declares the constants and a table of names in one place.
macro_rules! services {
    ($table:ident: $($constant:ident = $id:literal, $name:literal;)*) => {
        impl ServiceId {
            $(#[doc = concat!("`", stringify!($id), "`: ", $name, ".")] pub const $constant: Self = Self($id);)*
        }
        const $table: &[(ServiceId, &str)] = &[$((ServiceId($id), $name),)*];
    };
}

// SAE J1979: what the services are for, shortened; an encyclopaedia's table.
services! { J1979:
    CURRENT_DATA = 0x01, "CurrentData";
    FREEZE_FRAME_DATA = 0x02, "FreezeFrameData";
    EMISSION_DTC = 0x03, "EmissionRelatedDtc";
    CLEAR_EMISSION_DTC = 0x04, "ClearEmissionRelatedDtc";
    OXYGEN_SENSOR_TEST_RESULTS = 0x05, "OxygenSensorTestResults";
    MONITOR_TEST_RESULTS = 0x06, "MonitorTestResults";
    PENDING_EMISSION_DTC = 0x07, "PendingEmissionRelatedDtc";
    CONTROL_OF_SYSTEM = 0x08, "ControlOfSystem";
    VEHICLE_INFORMATION = 0x09, "VehicleInformation";
    PERMANENT_EMISSION_DTC = 0x0A, "PermanentEmissionRelatedDtc";
}

// ISO 14229-1: services that ISO 14230-3 does not have, or has under another name. Notes on the 2020 edition; 24, 29, 38,
// 84, 86 and 87 from memory.
services! { ISO14229:
    DIAGNOSTIC_SESSION_CONTROL = 0x10, "DiagnosticSessionControl";
    READ_DTC_INFORMATION = 0x19, "ReadDTCInformation";
    READ_DATA_BY_IDENTIFIER = 0x22, "ReadDataByIdentifier";
    READ_SCALING_DATA_BY_IDENTIFIER = 0x24, "ReadScalingDataByIdentifier";
    COMMUNICATION_CONTROL = 0x28, "CommunicationControl";
    AUTHENTICATION = 0x29, "Authentication";
    READ_DATA_BY_PERIODIC_IDENTIFIER = 0x2A, "ReadDataByPeriodicIdentifier";
    DYNAMICALLY_DEFINE_DATA_IDENTIFIER = 0x2C, "DynamicallyDefineDataIdentifier";
    WRITE_DATA_BY_IDENTIFIER = 0x2E, "WriteDataByIdentifier";
    INPUT_OUTPUT_CONTROL_BY_IDENTIFIER = 0x2F, "InputOutputControlByIdentifier";
    ROUTINE_CONTROL = 0x31, "RoutineControl";
    REQUEST_FILE_TRANSFER = 0x38, "RequestFileTransfer";
    SECURED_DATA_TRANSMISSION = 0x84, "SecuredDataTransmission";
    CONTROL_DTC_SETTING = 0x85, "ControlDTCSetting";
    RESPONSE_ON_EVENT = 0x86, "ResponseOnEvent";
    LINK_CONTROL = 0x87, "LinkControl";
}

// SSF 14230-3 issue 2 (2000-02-01) table 4.3; 81 to 83: SSF 14230-2 issue 1 clause 5. The names are ISO 14230-3's.
services! { ISO14230:
    START_DIAGNOSTIC_SESSION = 0x10, "StartDiagnosticSession";
    ECU_RESET = 0x11, "EcuReset";
    READ_FREEZE_FRAME_DATA = 0x12, "ReadFreezeFrameData";
    READ_DTC = 0x13, "ReadDiagnosticTroubleCodes";
    CLEAR_DIAGNOSTIC_INFORMATION = 0x14, "ClearDiagnosticInformation";
    READ_STATUS_OF_DTC = 0x17, "ReadStatusOfDiagnosticTroubleCodes";
    READ_DTC_BY_STATUS = 0x18, "ReadDiagnosticTroubleCodesByStatus";
    READ_ECU_IDENTIFICATION = 0x1A, "ReadEcuIdentification";
    STOP_DIAGNOSTIC_SESSION = 0x20, "StopDiagnosticSession";
    READ_DATA_BY_LOCAL_IDENTIFIER = 0x21, "ReadDataByLocalIdentifier";
    READ_DATA_BY_COMMON_IDENTIFIER = 0x22, "ReadDataByCommonIdentifier";
    READ_MEMORY_BY_ADDRESS = 0x23, "ReadMemoryByAddress";
    STOP_REPEATED_DATA_TRANSMISSION = 0x25, "StopRepeatedDataTransmission";
    SET_DATA_RATES = 0x26, "SetDataRates";
    SECURITY_ACCESS = 0x27, "SecurityAccess";
    DYNAMICALLY_DEFINE_LOCAL_IDENTIFIER = 0x2C, "DynamicallyDefineLocalIdentifier";
    WRITE_DATA_BY_COMMON_IDENTIFIER = 0x2E, "WriteDataByCommonIdentifier";
    INPUT_OUTPUT_CONTROL_BY_COMMON_IDENTIFIER = 0x2F, "InputOutputControlByCommonIdentifier";
    INPUT_OUTPUT_CONTROL_BY_LOCAL_IDENTIFIER = 0x30, "InputOutputControlByLocalIdentifier";
    START_ROUTINE_BY_LOCAL_IDENTIFIER = 0x31, "StartRoutineByLocalIdentifier";
    STOP_ROUTINE_BY_LOCAL_IDENTIFIER = 0x32, "StopRoutineByLocalIdentifier";
    REQUEST_ROUTINE_RESULTS_BY_LOCAL_IDENTIFIER = 0x33, "RequestRoutineResultsByLocalIdentifier";
    REQUEST_DOWNLOAD = 0x34, "RequestDownload";
    REQUEST_UPLOAD = 0x35, "RequestUpload";
    TRANSFER_DATA = 0x36, "TransferData";
    REQUEST_TRANSFER_EXIT = 0x37, "RequestTransferExit";
    START_ROUTINE_BY_ADDRESS = 0x38, "StartRoutineByAddress";
    STOP_ROUTINE_BY_ADDRESS = 0x39, "StopRoutineByAddress";
    REQUEST_ROUTINE_RESULTS_BY_ADDRESS = 0x3A, "RequestRoutineResultsByAddress";
    WRITE_DATA_BY_LOCAL_IDENTIFIER = 0x3B, "WriteDataByLocalIdentifier";
    WRITE_MEMORY_BY_ADDRESS = 0x3D, "WriteMemoryByAddress";
    TESTER_PRESENT = 0x3E, "TesterPresent";
    NEGATIVE_RESPONSE = 0x7F, "NegativeResponse";
    START_COMMUNICATION = 0x81, "StartCommunication";
    STOP_COMMUNICATION = 0x82, "StopCommunication";
    ACCESS_TIMING_PARAMETERS = 0x83, "AccessTimingParameters";
}

#[cfg(test)]
mod tests {
    use super::*;

    /// SSF 14230-3 issue 2 table 4.3: request and response side by side, all that the table names.
    #[test]
    fn responses_are_those_of_the_standards_table() {
        let table: [(u8, u8); 35] = [
            (0x10, 0x50),
            (0x11, 0x51),
            (0x12, 0x52),
            (0x13, 0x53),
            (0x14, 0x54),
            (0x17, 0x57),
            (0x18, 0x58),
            (0x1A, 0x5A),
            (0x20, 0x60),
            (0x21, 0x61),
            (0x22, 0x62),
            (0x23, 0x63),
            (0x25, 0x65),
            (0x26, 0x66),
            (0x27, 0x67),
            (0x2C, 0x6C),
            (0x2E, 0x6E),
            (0x2F, 0x6F),
            (0x30, 0x70),
            (0x31, 0x71),
            (0x32, 0x72),
            (0x33, 0x73),
            (0x34, 0x74),
            (0x35, 0x75),
            (0x36, 0x76),
            (0x37, 0x77),
            (0x38, 0x78),
            (0x39, 0x79),
            (0x3A, 0x7A),
            (0x3B, 0x7B),
            (0x3D, 0x7D),
            (0x3E, 0x7E),
            (0x81, 0xC1),
            (0x82, 0xC2),
            (0x83, 0xC3),
        ];
        for (request, response) in table {
            let id = ServiceId(request);
            assert_eq!(id.response(), ServiceId(response));
            assert!(!id.is_response() && id.response().is_response());
            assert_eq!(id.response().request(), id);
            assert_eq!(id.response().name(), id.name());
            assert!(id.name().is_some(), "{request:02X} has no name");
        }
        assert_eq!(ISO14230.len(), table.len() + 1, "the table and the negative response, no more");
    }

    /// ISO 14229-1 renamed some services of ISO 14230-3 and dropped others (notes on its 2013 and 2020 editions).
    #[test]
    fn the_newer_standard_has_names_of_its_own() {
        let table = [
            (0x10, Some("DiagnosticSessionControl")),
            (0x11, Some("EcuReset")),
            (0x18, None),
            (0x19, Some("ReadDTCInformation")),
            (0x21, None),
            (0x62, Some("ReadDataByIdentifier")),
            (0x01, Some("CurrentData")),
            (0x7F, Some("NegativeResponse")),
            (0xB1, None),
        ];
        for (service, name) in table {
            assert_eq!(ServiceId(service).name_in_iso14229(), name, "{service:02X}");
        }
        assert_eq!(ServiceId(0x41).to_string(), "41 CurrentData");
    }

    #[test]
    fn a_negative_response_belongs_to_no_request_by_its_number() {
        assert_eq!(ServiceId::NEGATIVE_RESPONSE.request(), ServiceId::NEGATIVE_RESPONSE);
        assert_eq!(ServiceId(0x7F).to_string(), "7F NegativeResponse");
    }

    use std::string::ToString;
}
