//! A take and its readings, as plain data: what the logbook keeps and what comparisons start from.

use std::fmt;

use jiff::Timestamp;
use serde::{Deserialize, Serialize};

use super::State;
use crate::channels::{ChannelId, Standard};
use crate::units::{Dbfs, ratio_to_db};

/// A power with its doubt: linear (mean |x|²), the standard error of its statistical part, and that error's degrees of
/// freedom.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
pub struct Estimate {
    /// The value, linear; may be negative where noise was subtracted and nothing was left.
    pub value: f64,
    /// Its standard error, in the same unit.
    pub standard_error: f64,
    /// Degrees of freedom of the standard error; may be infinite.
    #[serde(with = "infinite_as_null")]
    pub degrees_of_freedom: f64,
}

impl Estimate {
    /// The value as a level; `None` where it is not above zero.
    pub fn dbfs(&self) -> Option<Dbfs> {
        (self.value > 0.0).then(|| Dbfs::from_linear(self.value))
    }

    /// The standard error in dB, to first order: (10/ln 10)·u/x; `None` where the value is not above zero.
    pub fn standard_error_db(&self) -> Option<f64> {
        (self.value > 0.0)
            .then(|| 10.0 / std::f64::consts::LN_10 * self.standard_error / self.value)
    }
}

/// Where a channel's noise figure came from.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum NoiseSource {
    /// A take with a terminator in the antenna's place, at the same tunings.
    Terminated,
    /// A terminated take, but not at this tuning: its other tunings stand in.
    TerminatedElsewhere,
    /// Estimated from stretches of the same take in which nothing was found.
    VacantChannels,
    /// An upper bound: the quietest stretch of a take in which no stretch is surely vacant.
    QuietestStretch,
}

/// One remark on how far a channel's figure can be trusted.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case", tag = "kind")]
pub enum Health {
    /// The recording covers only a part of the channel; the figures are for that part.
    Partial {
        /// Covered share of the channel's width, 0 to 1.
        covered: f64,
    },
    /// The converter clipped in a tuning that this channel needs; that tuning gives no figure.
    Clipped {
        /// Centre of the tuning in MHz.
        tuning_mhz: f64,
        /// Share of samples at the converter's ends, 0 to 1.
        fraction: f64,
    },
    /// Too little drive: under one step rms, rounding hides the noise.
    WeakDrive {
        /// Centre of the tuning in MHz.
        tuning_mhz: f64,
        /// Drive in converter steps, rms on one rail.
        lsb_rms: f64,
    },
    /// The noise was not measured with a terminator, but estimated.
    NoiseEstimated,
    /// No terminated take and no stretch that is surely vacant: the noise is no more than an upper bound.
    NoiseUnknown,
}

impl fmt::Display for Health {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        match self {
            Health::Partial { covered } => {
                write!(f, "only {:.0} % of the channel covered", covered * 100.0)
            }
            Health::Clipped {
                tuning_mhz,
                fraction,
            } => {
                write!(
                    f,
                    "clipped at {tuning_mhz} MHz ({:.2} % of samples): lower the gain",
                    fraction * 100.0
                )
            }
            Health::WeakDrive {
                tuning_mhz,
                lsb_rms,
            } => {
                write!(
                    f,
                    "weak drive at {tuning_mhz} MHz ({lsb_rms:.2} steps rms): raise the gain"
                )
            }
            Health::NoiseEstimated => f.write_str("noise estimated from vacant channels"),
            Health::NoiseUnknown => {
                f.write_str("noise unknown: no terminated take, no vacant channel")
            }
        }
    }
}

/// The stretch of a channel that one tuning covered, `low_hz <= f < high_hz`.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
pub struct Part {
    /// Lower end in hertz.
    pub low_hz: f64,
    /// Upper end in hertz.
    pub high_hz: f64,
}

/// One channel in one take.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct Reading {
    /// The channel.
    pub channel: ChannelId,
    /// Lower edge in hertz.
    pub low_hz: f64,
    /// Upper edge in hertz.
    pub high_hz: f64,
    /// Covered share of the channel's width, 0 to 1; the powers are sums over the covered part.
    pub covered: f64,
    /// The covered stretches, ascending, joined where they touch.
    pub parts: Vec<Part>,
    /// Channel power, noise included.
    pub power: Option<Estimate>,
    /// Noise in the same width.
    pub noise: Option<Estimate>,
    /// Where the noise came from.
    pub noise_source: Option<NoiseSource>,
    /// Power less noise, statistical errors of both included; given also where it is not significantly above zero.
    pub signal: Option<Estimate>,
    /// Standard uncertainty of the noise that is no matter of statistics (type B), linear; 0 where unknown.
    pub noise_type_b: f64,
    /// Whether the signal is significantly above zero (one-sided, false alarm at most 1 in 1000).
    pub found: bool,
    /// Upper bound of the signal, linear, where it was not found.
    pub signal_upper: Option<f64>,
    /// Standard that the threshold belongs to.
    pub standard: Option<Standard>,
    /// The threshold in dB that the margin rests on.
    pub threshold_db: Option<f64>,
    /// The channel's state; `None` where nothing was measured.
    pub state: Option<State>,
    /// Remarks.
    pub health: Vec<Health>,
}

impl Reading {
    /// Signal level in dBFS; `None` where no signal was found.
    pub fn signal_dbfs(&self) -> Option<f64> {
        if !self.found {
            return None;
        }
        self.signal.and_then(|s| s.dbfs()).map(|level| level.0)
    }

    /// Upper bound of the signal level in dBFS, where no signal was found.
    pub fn signal_upper_dbfs(&self) -> Option<f64> {
        if self.found {
            None
        } else {
            self.signal_upper.filter(|&p| p > 0.0).map(ratio_to_db)
        }
    }

    /// Channel power in dBFS.
    pub fn power_dbfs(&self) -> Option<f64> {
        self.power.and_then(|p| p.dbfs()).map(|level| level.0)
    }

    /// Noise in the channel in dBFS.
    pub fn noise_dbfs(&self) -> Option<f64> {
        self.noise.and_then(|p| p.dbfs()).map(|level| level.0)
    }

    /// Carrier-to-noise ratio in dB; `None` where no signal was found.
    pub fn cn_db(&self) -> Option<f64> {
        Some(self.signal_dbfs()? - self.noise_dbfs()?)
    }

    /// C/N above the threshold in dB; `None` where there is no signal, no threshold, or only part of the channel.
    pub fn margin_db(&self) -> Option<f64> {
        if self.covered < 1.0 {
            return None;
        }
        Some(self.cn_db()? - self.threshold_db?)
    }
}

/// What must be the same in two takes for their figures to be compared.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct Settings {
    /// Name of the channel plan.
    pub plan: String,
    /// Sample rate in samples a second.
    pub sample_rate_hz: f64,
    /// Time on one tuning in seconds (median over the tunings).
    pub dwell_s: f64,
    /// Gain by tuning: (centre in Hz, gain in dB); empty where the source doesn't say.
    pub gains_db: Vec<(f64, f64)>,
}

/// One pass over the wanted channels with one antenna at one spot.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct Take {
    /// Number in the logbook; `None` before it is kept.
    pub id: Option<i64>,
    /// The antenna's name.
    pub antenna: String,
    /// The spot's name.
    pub spot: String,
    /// When its first sample was taken.
    pub taken_at: Timestamp,
    /// Where the samples came from (a file, standard input, a scene).
    pub source: String,
    /// Where the terminated take came from.
    pub terminated: Option<String>,
    /// What was set.
    pub settings: Settings,
    /// Free text.
    pub note: String,
    /// The channels, ascending.
    pub readings: Vec<Reading>,
    /// The stitched spectrum, coarse enough to keep: for plots.
    pub spectrum: Option<Trace>,
}

/// A power spectral density on an even grid, for drawing.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct Trace {
    /// Frequency of the middle of the first bin in hertz.
    pub first_hz: f64,
    /// Distance between bins in hertz.
    pub step_hz: f64,
    /// Density in dBFS in one megahertz (dBFS/MHz), bin after bin; `None` where nothing was covered.
    pub dbfs_per_mhz: Vec<Option<f32>>,
}

/// Infinite degrees of freedom are `null` in JSON, which has no infinity.
mod infinite_as_null {
    use serde::{Deserialize, Deserializer, Serializer};

    pub fn serialize<S: Serializer>(value: &f64, serializer: S) -> Result<S::Ok, S::Error> {
        if value.is_finite() {
            serializer.serialize_some(value)
        } else {
            serializer.serialize_none()
        }
    }

    pub fn deserialize<'de, D: Deserializer<'de>>(deserializer: D) -> Result<f64, D::Error> {
        Ok(Option::<f64>::deserialize(deserializer)?.unwrap_or(f64::INFINITY))
    }
}
