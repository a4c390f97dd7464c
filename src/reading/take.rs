//! A take and its readings, as plain data: what the logbook keeps and what comparisons start from.

use std::fmt;

use jiff::Timestamp;
use serde::{Deserialize, Serialize};

use super::State;
use super::pilot::Agreement;
use super::shape::{Echo, Shape};
use crate::channels::{ChannelId, PathClass, Standard};
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
    /// The noise is hardly more than what rounding to the converter's steps adds, so the antenna's own is hidden.
    RoundingLimited {
        /// Centre of the tuning in MHz.
        tuning_mhz: f64,
        /// Share of the quietest stretch that is rounding, 0 to 1.
        share: f64,
    },
    /// The receiver's image of what stands on the other side of a tuning's centre reaches into the channel.
    Image {
        /// Centre of the tuning in MHz.
        tuning_mhz: f64,
        /// The image's power over the channel's signal, 0 upwards.
        share: f64,
    },
    /// The level fell by more than the gain did: made in an overloaded receiver, at least in part, and not received.
    Overloaded {
        /// By how much it fell, in dB.
        fell_db: f64,
        /// Whether that is a lower bound, since nothing was left of it.
        #[serde(default)]
        at_least: bool,
        /// By how much the gain was lowered, in dB.
        step_db: f64,
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
            Health::RoundingLimited { tuning_mhz, share } => {
                write!(
                    f,
                    "rounding makes {:.0} % of the noise at {tuning_mhz} MHz: raise the gain",
                    share * 100.0
                )
            }
            Health::Image { tuning_mhz, share } => {
                write!(
                    f,
                    "image across {tuning_mhz} MHz: up to {:.0} % of the signal",
                    share * 100.0
                )
            }
            Health::Overloaded {
                fell_db,
                at_least,
                step_db,
            } => {
                let by = if *at_least { "at least " } else { "" };
                write!(
                    f,
                    "fell {by}{fell_db:.1} dB where the gain fell {step_db:.1} dB: overloaded, lower the gain"
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

/// The pilot of an 8-VSB channel.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
#[serde(into = "PilotInJson", from = "PilotInJson")]
pub struct PilotReading {
    /// How far above its nominal place it stood, in hertz; the receiver's frequency error is part of that.
    pub offset_hz: f64,
    /// Standard error of the offset in hertz.
    pub offset_standard_error_hz: f64,
    /// Its power, linear, the passband's slope divided out and noise subtracted.
    pub power: Estimate,
    /// Power over the noise in [`PilotReading::enbw_hz`], in dB; `None` where the power is not above zero.
    pub snr_db: Option<f64>,
    /// Noise bandwidth that the ratio belongs to, in hertz.
    pub enbw_hz: f64,
    /// Whether it was found: noise alone would show one in fewer than one channel in a thousand. Where it was not, the
    /// power was measured at a place known from elsewhere.
    pub found: bool,
}

impl PilotReading {
    /// The power as a level in dBFS; `None` where it is not above zero.
    pub fn dbfs(&self) -> Option<f64> {
        self.power.dbfs().map(|level| level.0)
    }
}

/// A pilot as JSON has it: with its level in decibels.
#[derive(Serialize, Deserialize)]
struct PilotInJson {
    offset_hz: f64,
    offset_standard_error_hz: f64,
    power: Estimate,
    #[serde(default)]
    power_dbfs: Option<f64>,
    snr_db: Option<f64>,
    enbw_hz: f64,
    found: bool,
}

impl From<PilotReading> for PilotInJson {
    fn from(pilot: PilotReading) -> Self {
        let PilotReading {
            offset_hz,
            offset_standard_error_hz,
            power,
            snr_db,
            enbw_hz,
            found,
        } = pilot;
        PilotInJson {
            offset_hz,
            offset_standard_error_hz,
            power,
            power_dbfs: pilot.dbfs(),
            snr_db,
            enbw_hz,
            found,
        }
    }
}

impl From<PilotInJson> for PilotReading {
    fn from(json: PilotInJson) -> Self {
        PilotReading {
            offset_hz: json.offset_hz,
            offset_standard_error_hz: json.offset_standard_error_hz,
            power: json.power,
            snr_db: json.snr_db,
            enbw_hz: json.enbw_hz,
            found: json.found,
        }
    }
}

/// What a channel's signal is, told by its structure.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case", tag = "kind")]
pub enum Identity {
    /// 8-VSB, by its pilot.
    #[serde(rename = "8vsb")]
    Vsb8,
    /// OFDM, by its guard interval.
    Ofdm {
        /// The system with its size, such as `DVB-T/T2 8k`.
        system: String,
        /// The guard interval as its standard writes it; `None` where only an ATSC 3.0 bootstrap was found.
        guard: Option<String>,
        /// The standards that it may be.
        standards: Vec<Standard>,
    },
    /// Neither a pilot nor a guard interval was found, though the signal is strong enough to show one: not counted as
    /// television.
    Unidentified,
}

impl fmt::Display for Identity {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        match self {
            Identity::Vsb8 => f.write_str("8-VSB"),
            Identity::Ofdm {
                system,
                guard: Some(guard),
                ..
            } => write!(f, "{system}, guard {guard}"),
            Identity::Ofdm {
                system,
                guard: None,
                ..
            } => f.write_str(system),
            Identity::Unidentified => f.write_str("unidentified"),
        }
    }
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
    /// The 8-VSB pilot, where one was found.
    #[serde(default)]
    pub pilot: Option<PilotReading>,
    /// What the signal is; `None` where none was found, or it can't be told.
    #[serde(default)]
    pub identity: Option<Identity>,
    /// What the path did to the spectrum; `None` where the signal is too weak, or the standard has no known shape.
    #[serde(default)]
    pub shape: Option<Shape>,
    /// An echo, where a regular ripple is significant.
    #[serde(default)]
    pub echo: Option<Echo>,
    /// Standard that the threshold belongs to.
    pub standard: Option<Standard>,
    /// The class of path that the threshold is for; `None` where there is no threshold.
    #[serde(default)]
    pub path: Option<PathClass>,
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

/// How far off the receiver's frequency was, from the pilots of a take's stations.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct FrequencyReading {
    /// Error in parts per million; positive where the receiver listens too high, so that carriers seem low.
    pub ppm: f64,
    /// Lower end of the 95 % interval.
    pub low_ppm: f64,
    /// Upper end of the 95 % interval.
    pub high_ppm: f64,
    /// How many pilots it rests on.
    pub pilots: usize,
    /// How they agreed.
    pub agreement: Agreement,
    /// Pilots that stand elsewhere, and were not averaged in.
    pub outlying: Vec<OutlyingStation>,
}

/// A station whose pilot stands away from its nominal place.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct OutlyingStation {
    /// Its channel.
    pub channel: ChannelId,
    /// How far above the nominal place, in hertz, the receiver's error taken off.
    pub residual_hz: f64,
    /// What a deliberate offset of this size is for; `None` where no such offset is known.
    pub deliberate: Option<String>,
}

/// A narrow line that is no pilot.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
pub struct SpurReading {
    /// Its frequency in hertz.
    pub hz: f64,
    /// Height of its highest bin above the level around, in dB.
    pub excess_db: f64,
    /// Power that was cut out, in dBFS.
    pub power_dbfs: f64,
}

/// The receiver's health at one tuning.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct TuningReading {
    /// Frequency in the middle, in hertz, as the receiver was told.
    pub centre_hz: f64,
    /// Gain in dB, where known.
    pub gain_db: Option<f64>,
    /// Samples averaged.
    pub samples: u64,
    /// Drive in converter steps, rms on one rail; `None` where the samples have no steps.
    pub lsb_rms: Option<f64>,
    /// Whether the converter clipped.
    pub clipped: bool,
    /// Share of samples at the converter's ends, 0 to 1.
    pub end_fraction: f64,
    /// Share that a clean signal of this distribution would have there, 0 to 1.
    pub expected_end_fraction: f64,
    /// Share of the quietest stretch's power that rounding makes, 0 to 1; `None` where the samples have no steps.
    pub rounding_share: Option<f64>,
    /// Power of the spike at the centre, in dBFS.
    pub spike_dbfs: Option<f64>,
    /// How far the image is under the signal, in dB; a lower bound where [`TuningReading::image_is_bound`].
    pub image_db: Option<f64>,
    /// Whether no image was found, so that it is at least so far under the signal.
    pub image_is_bound: bool,
    /// Narrow lines that were cut out.
    pub spurs: Vec<SpurReading>,
}

/// What a second pass at lower gain showed of the receiver's linearity.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct GainCheck {
    /// By how much the gain was lowered, in dB.
    pub step_db: f64,
    /// Whether the step was measured (the median of what the channels fell by), and not read off the gains set.
    pub step_measured: bool,
    /// The channels that could be compared, ascending.
    pub channels: Vec<Fall>,
}

/// By how much one channel fell when the gain was lowered.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct Fall {
    /// The channel.
    pub channel: ChannelId,
    /// By how much its signal fell, in dB.
    pub fell_db: f64,
    /// Whether that is a lower bound, since nothing was left of it.
    #[serde(default)]
    pub at_least: bool,
    /// Standard uncertainty of that, in dB.
    pub standard_uncertainty_db: f64,
    /// Whether it fell by the step, as what is received does.
    pub linear: bool,
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

/// Where in the room an antenna stood, on the user's own floor plan.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
pub struct Position {
    /// Metres to the right of the plan's lower left corner.
    pub x_m: f64,
    /// Metres up the plan from that corner.
    pub y_m: f64,
    /// Metres above the floor, where stated.
    pub height_m: Option<f64>,
}

/// Where an antenna was turned to.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct Bearing {
    /// Degrees clockwise, seen from above, 0 to under 360.
    pub degrees: f64,
    /// What 0 degrees is: `north`, or whatever the user counts from, such as `the window`.
    pub from: String,
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
    /// Where in the room it stood, where stated.
    pub position: Option<Position>,
    /// Where it was turned to: takes of a rotation have one, other takes look as they usually do.
    pub bearing: Option<Bearing>,
    /// How many stations a television's scan found with this antenna here, where noted.
    pub scan_count: Option<u32>,
    /// The channels, ascending.
    pub readings: Vec<Reading>,
    /// The receiver's frequency error, where pilots tell it.
    pub frequency_error: Option<FrequencyReading>,
    /// The receiver's health, tuning by tuning, ascending.
    pub tunings: Vec<TuningReading>,
    /// What a second pass at another gain showed.
    pub gain_check: Option<GainCheck>,
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
