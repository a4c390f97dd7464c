//! What was measured of a dongle.

use jiff::Timestamp;
use serde::{Deserialize, Serialize};

/// What a check measured of a dongle. What could not be measured is `None` or missing.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct DongleFigures {
    /// Serial number.
    pub serial: String,
    /// The tuner's name.
    pub tuner: String,
    /// When it was measured.
    pub measured_at: Timestamp,
    /// What came of tuning it.
    pub retuning: Option<Retuning>,
    /// How far off its frequency is.
    pub frequency: Option<FrequencyFigure>,
    /// Its gain steps, ascending by gain.
    pub gain_steps: Vec<GainStep>,
    /// What is lost at each sample rate that was tried, ascending.
    pub lost: Vec<Lost>,
}

impl DongleFigures {
    /// Under which name a logbook keeps the figures of the dongle of this name.
    pub fn key(name: &str) -> String {
        format!("dongle {name}")
    }
}

/// What comes after the driver's call to tune has returned. Counts are the largest of all trials.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
pub struct Retuning {
    /// Samples a second at which it was measured.
    pub sample_rate_hz: f64,
    /// Transfers under way. Stale samples differ with these.
    pub transfers: u32,
    /// Bytes in a transfer.
    pub transfer_bytes: u32,
    /// How often it was tried.
    pub trials: usize,
    /// Samples that were still of the old tuning.
    pub stale_samples: u64,
    /// Samples after these until the new tuning had settled; `None` where only gains could be changed.
    pub settling_samples: Option<u64>,
    /// Samples over which a change is seen: counts are no finer than this.
    pub resolution_samples: u64,
    /// Time that the call itself took, in seconds: the median.
    pub call_s: f64,
}

/// A frequency error by pilots.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
pub struct FrequencyFigure {
    /// In parts per million; positive where the dongle listens too high.
    pub error_ppm: f64,
    /// Lower end of the 95 % interval.
    pub low_ppm: f64,
    /// Upper end of the 95 % interval.
    pub high_ppm: f64,
    /// Pilots that it rests on.
    pub pilots: usize,
}

/// From one gain to the next.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
pub struct GainStep {
    /// The lower gain in dB, nominal.
    pub from_db: f64,
    /// The higher gain in dB, nominal.
    pub to_db: f64,
    /// Frequency at which it was measured, in hertz.
    pub centre_hz: f64,
    /// The true step in dB; `None` where one of the two clipped or was too weak.
    pub step_db: Option<f64>,
    /// Its standard error in dB.
    pub standard_error_db: Option<f64>,
}

/// Samples lost at one sample rate.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
pub struct Lost {
    /// Samples a second.
    pub sample_rate_hz: f64,
    /// How long it was watched, in seconds.
    pub watched_s: f64,
    /// Share of the samples that did not come, 0 to 1; 0 also where it is less than could be seen. `None` where the rate was
    /// refused.
    pub share: Option<f64>,
    /// The least share that can be seen.
    pub resolution: f64,
}
