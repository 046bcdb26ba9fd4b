//! PIDs of SAE J1979 service 01 and their data bytes, against the definition that all OBD units share.
//!
//! A channel that is alone in its request has no whole response as a check: that its PID and its place are right is
//! shown here.

use std::path::Path;

use tickover::defs::Definition;
use tickover::defs::compiled::Read;

/// Record, or the channel that is alone in its request; PID; data bytes.
///
/// SAE J1979 service 01, open tables of it, two of them compared row by row; not the standard's own text.
#[rustfmt::skip]
const PIDS: [(&str, u8, u16); 99] = [
    ("monitors", 0x01, 4),
    ("fuel_system", 0x03, 2),
    ("load", 0x04, 1),
    ("coolant", 0x05, 1),
    ("short_trim_1", 0x06, 1),
    ("long_trim_1", 0x07, 1),
    ("short_trim_2", 0x08, 1),
    ("long_trim_2", 0x09, 1),
    ("fuel_pressure", 0x0A, 1),
    ("manifold", 0x0B, 1),
    ("engine_speed", 0x0C, 2),
    ("vehicle_speed", 0x0D, 1),
    ("ignition_angle", 0x0E, 1),
    ("intake_air", 0x0F, 1),
    ("air_flow", 0x10, 2),
    ("throttle", 0x11, 1),
    ("secondary_air", 0x12, 1),
    ("sensors_two_banks", 0x13, 1),
    ("sensor_1", 0x14, 2),
    ("sensor_2", 0x15, 2),
    ("sensor_3", 0x16, 2),
    ("sensor_4", 0x17, 2),
    ("sensor_5", 0x18, 2),
    ("sensor_6", 0x19, 2),
    ("sensor_7", 0x1A, 2),
    ("sensor_8", 0x1B, 2),
    ("obd_standard", 0x1C, 1),
    ("sensors_four_banks", 0x1D, 1),
    ("power_take_off", 0x1E, 1),
    ("run_time", 0x1F, 2),
    ("distance_with_lamp", 0x21, 2),
    ("rail_over_manifold", 0x22, 2),
    ("rail_gauge", 0x23, 2),
    ("wide_voltage_1", 0x24, 4),
    ("wide_voltage_2", 0x25, 4),
    ("wide_voltage_3", 0x26, 4),
    ("wide_voltage_4", 0x27, 4),
    ("wide_voltage_5", 0x28, 4),
    ("wide_voltage_6", 0x29, 4),
    ("wide_voltage_7", 0x2A, 4),
    ("wide_voltage_8", 0x2B, 4),
    ("egr_wanted", 0x2C, 1),
    ("egr_error", 0x2D, 1),
    ("purge_wanted", 0x2E, 1),
    ("fuel_level", 0x2F, 1),
    ("warm_ups_since_clear", 0x30, 1),
    ("distance_since_clear", 0x31, 2),
    ("vapour_pressure", 0x32, 2),
    ("barometer", 0x33, 1),
    ("wide_current_1", 0x34, 4),
    ("wide_current_2", 0x35, 4),
    ("wide_current_3", 0x36, 4),
    ("wide_current_4", 0x37, 4),
    ("wide_current_5", 0x38, 4),
    ("wide_current_6", 0x39, 4),
    ("wide_current_7", 0x3A, 4),
    ("wide_current_8", 0x3B, 4),
    ("catalyst_b1s1", 0x3C, 2),
    ("catalyst_b2s1", 0x3D, 2),
    ("catalyst_b1s2", 0x3E, 2),
    ("catalyst_b2s2", 0x3F, 2),
    ("cycle_monitors", 0x41, 4),
    ("supply", 0x42, 2),
    ("absolute_load", 0x43, 2),
    ("lambda_wanted", 0x44, 2),
    ("relative_throttle", 0x45, 1),
    ("ambient", 0x46, 1),
    ("throttle_b", 0x47, 1),
    ("throttle_c", 0x48, 1),
    ("pedal_d", 0x49, 1),
    ("pedal_e", 0x4A, 1),
    ("pedal_f", 0x4B, 1),
    ("throttle_wanted", 0x4C, 1),
    ("time_with_lamp", 0x4D, 2),
    ("time_since_clear", 0x4E, 2),
    ("maxima", 0x4F, 4),
    ("air_flow_maximum", 0x50, 4),
    ("fuel_type", 0x51, 1),
    ("ethanol", 0x52, 1),
    ("absolute_vapour_pressure", 0x53, 2),
    ("wide_vapour_pressure", 0x54, 2),
    ("rear_short_trims_1_3", 0x55, 2),
    ("rear_long_trims_1_3", 0x56, 2),
    ("rear_short_trims_2_4", 0x57, 2),
    ("rear_long_trims_2_4", 0x58, 2),
    ("rail_absolute", 0x59, 2),
    ("relative_pedal", 0x5A, 1),
    ("battery_life", 0x5B, 1),
    ("oil_temperature", 0x5C, 1),
    ("injection_angle", 0x5D, 2),
    ("fuel_rate", 0x5E, 2),
    ("emission_requirement", 0x5F, 1),
    ("torque_wanted", 0x61, 1),
    ("torque_share", 0x62, 1),
    ("reference_torque", 0x63, 2),
    ("torque_points", 0x64, 5),
    ("air_flow_sensors", 0x66, 5),
    ("coolant_sensors", 0x67, 3),
    ("intake_air_sensors", 0x68, 3),
];

#[test]
fn every_pid_has_the_name_and_the_length_of_the_table() {
    let path = Path::new(env!("CARGO_MANIFEST_DIR")).join("../defs/obd-j1979.toml");
    let definition = Definition::load(path).unwrap_or_else(|report| panic!("{report}"));
    let mut read: Vec<(&str, u8, u16)> = definition
        .base
        .records
        .iter()
        .flatten()
        .filter_map(|record| {
            let Read::Pid(pid) = record.read else { return None };
            assert_eq!(record.length.0, record.length.1, "{pid:02X}");
            Some((&*definition.records[usize::from(record.id.0)], pid, record.length.0))
        })
        .collect();
    read.sort_by_key(|(_, pid, _)| *pid);
    assert_eq!(read, PIDS);
}
