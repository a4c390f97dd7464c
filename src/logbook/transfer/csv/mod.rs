//! Takes as CSV.

mod read;
mod write;

pub(in crate::logbook) use read::read_csv;
pub use write::export_csv;

/// How many of [`COLUMNS`], from the left, are the take's.
const OF_THE_TAKE: usize = 11;

/// How many of them, from the right, are the take's too.
const OF_THE_TAKE_AT_THE_END: usize = 12;

/// How many of them, from the left, exports of each version have; what a version added is there as a whole or not at all.
const BY_VERSION: [usize; 3] = [40, 76, COLUMNS.len()];

/// The columns of an export, left to right: the take's, then the reading's, then what came later, the reading's before
/// the take's. Powers without a unit in their name are linear (mean |x|²).
pub const COLUMNS: &[&str] = &[
    "take",
    "antenna",
    "spot",
    "plan",
    "taken_at",
    "source",
    "terminated",
    "note",
    "sample_rate_hz",
    "dwell_s",
    "gains_db",
    "reading",
    "channel",
    "low_hz",
    "high_hz",
    "covered",
    "power_dbfs",
    "noise_dbfs",
    "signal_dbfs",
    "signal_upper_dbfs",
    "cn_db",
    "margin_db",
    "state",
    "health",
    "standard",
    "threshold_db",
    "found",
    "power",
    "power_standard_error",
    "power_degrees_of_freedom",
    "noise",
    "noise_standard_error",
    "noise_degrees_of_freedom",
    "noise_source",
    "noise_type_b",
    "signal",
    "signal_standard_error",
    "signal_degrees_of_freedom",
    "signal_upper",
    "parts",
    "pilot_offset_hz",
    "pilot_offset_standard_error_hz",
    "pilot_power_dbfs",
    "pilot_snr_db",
    "pilot_enbw_hz",
    "pilot_found",
    "pilot_power",
    "pilot_power_standard_error",
    "pilot_power_degrees_of_freedom",
    "identity",
    "identity_system",
    "identity_guard",
    "identity_standards",
    "sigma_sp_db",
    "sigma_sp_standard_error_db",
    "shape_class",
    "tilt_db",
    "tilt_standard_error_db",
    "ripple_db",
    "notch_db",
    "notch_hz",
    "shape_low_hz",
    "shape_high_hz",
    "shape_resolution_hz",
    "echo_delay_s",
    "echo_delay_standard_error_s",
    "echo_level_db",
    "echo_false_alarm",
    "path",
    "threshold_assumes",
    "ppm",
    "ppm_low",
    "ppm_high",
    "ppm_pilots",
    "ppm_agreement",
    "outlying_pilots",
    "x_m",
    "y_m",
    "height_m",
    "bearing_deg",
    "bearing_from",
    "scan_count",
];

/// Columns that an import does without: computed ones, and the numbers of takes, which are given anew.
const COMPUTED: &[&str] = &[
    "take",
    "power_dbfs",
    "noise_dbfs",
    "signal_dbfs",
    "signal_upper_dbfs",
    "cn_db",
    "margin_db",
    "pilot_power_dbfs",
    "threshold_assumes",
];
