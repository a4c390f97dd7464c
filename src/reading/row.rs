//! A reading as it is printed: the same names in the table, in CSV and in JSON.

use serde::Serialize;

use super::{Reading, State};
use crate::channels::{ChannelId, Standard};

/// One channel of one take, levels in dB.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct Row {
    /// The channel.
    pub channel: ChannelId,
    /// Lower edge in hertz.
    pub low_hz: f64,
    /// Upper edge in hertz.
    pub high_hz: f64,
    /// Covered share of the channel's width, 0 to 1; the levels are of that part.
    pub covered: f64,
    /// Channel power in dBFS, noise included.
    pub power_dbfs: Option<f64>,
    /// Noise in the same width in dBFS.
    pub noise_dbfs: Option<f64>,
    /// Where the noise came from.
    pub noise_source: Option<super::NoiseSource>,
    /// Power less noise in dBFS; absent where no signal was found.
    pub signal_dbfs: Option<f64>,
    /// Standard error of the signal in dB, statistical.
    pub signal_error_db: Option<f64>,
    /// Upper bound of the signal in dBFS where none was found, one-sided 95 %.
    pub signal_upper_dbfs: Option<f64>,
    /// C/N in dB.
    pub cn_db: Option<f64>,
    /// C/N above the threshold in dB; absent where only part of the channel was covered.
    pub margin_db: Option<f64>,
    /// The standard whose threshold was used.
    pub standard: Option<Standard>,
    /// That threshold in dB.
    pub threshold_db: Option<f64>,
    /// The state.
    pub state: Option<State>,
    /// Remarks, in words.
    pub health: Vec<String>,
}

impl From<&Reading> for Row {
    fn from(reading: &Reading) -> Row {
        Row {
            channel: reading.channel.clone(),
            low_hz: reading.low_hz,
            high_hz: reading.high_hz,
            covered: reading.covered,
            power_dbfs: reading.power_dbfs(),
            noise_dbfs: reading.noise_dbfs(),
            noise_source: reading.noise_source,
            signal_dbfs: reading.signal_dbfs(),
            signal_error_db: reading.signal_dbfs().and(reading.signal.and_then(|signal| signal.standard_error_db())),
            signal_upper_dbfs: reading.signal_upper_dbfs(),
            cn_db: reading.cn_db(),
            margin_db: reading.margin_db(),
            standard: reading.standard,
            threshold_db: reading.threshold_db,
            state: reading.state,
            health: reading.health.iter().map(ToString::to_string).collect(),
        }
    }
}
