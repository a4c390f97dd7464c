//! What a rotation comes to, as plain data. Bearings are in degrees clockwise, seen from above.

use jiff::Timestamp;
use serde::Serialize;

use super::series::Series;
use crate::channels::ChannelId;

/// The patterns of one antenna turned round at one spot.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct Rotation {
    /// The antenna's name.
    pub antenna: String,
    /// The spot's name.
    pub spot: String,
    /// Name of the channel plan.
    pub plan: String,
    /// What 0 degrees is: `north`, or what the user counts from.
    pub zero: String,
    /// How many takes it rests on.
    pub takes: usize,
    /// The bearings, ascending, repeats once.
    pub bearings_deg: Vec<f64>,
    /// Widest gap between neighbouring bearings.
    pub widest_gap_deg: f64,
    /// When the first take was made.
    pub begun_at: Timestamp,
    /// When the last take was made.
    pub ended_at: Timestamp,
    /// Probability that an interval holds the truth.
    pub confidence: f64,
    /// The channels, ascending.
    pub channels: Vec<Pattern>,
    /// All wanted channels together; `None` where none of them has a pattern.
    pub band: Option<Band>,
    /// Where to aim it so that the weakest wanted channel comes in best; `None` where no channel has a margin.
    pub aim: Option<Aim>,
    /// What to bear in mind.
    pub remarks: Vec<String>,
    /// What it means, in sentences.
    pub meaning: Vec<String>,
}

/// One channel's pattern.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct Pattern {
    /// The channel.
    pub channel: ChannelId,
    /// Lower edge in hertz.
    pub low_hz: f64,
    /// Upper edge in hertz.
    pub high_hz: f64,
    /// Whether it is among the wanted channels.
    pub wanted: bool,
    /// What was measured, ascending; empty where there is no curve.
    pub points: Vec<Point>,
    /// The curve; `None` where there is none.
    pub fit: Option<Fit>,
    /// Its figures; `None` where there is no curve.
    pub figures: Option<Figures>,
    /// The level at the repeated bearing at the end, against the beginning; `None` where none was repeated.
    pub closure: Option<Closure>,
    /// Why there is no curve.
    pub reason: Option<String>,
}

/// The measured level at one bearing, relative to the curve's maximum.
#[derive(Debug, Clone, Copy, PartialEq, Serialize)]
pub struct Point {
    /// The bearing.
    pub bearing_deg: f64,
    /// How many takes it is the mean of.
    pub takes: usize,
    /// The level in dB; `None` where nothing was found there.
    pub level_db: Option<f64>,
    /// Lower end of its interval; `None` where that reaches down to nothing.
    pub low_db: Option<f64>,
    /// Upper end of its interval; where nothing was found, the upper bound.
    pub high_db: Option<f64>,
}

/// A smooth closed curve through the points.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct Fit {
    /// The curve every 2 degrees.
    pub curve: Vec<CurvePoint>,
    /// Highest harmonic that the bearings can tell.
    pub order: usize,
    /// How many parameters the curve is worth.
    pub effective_parameters: f64,
    /// Spread of the points about the curve in dB, degrees of freedom accounted for; `None` with too few points.
    pub residual_rms_db: Option<f64>,
    /// By how much points scatter more than foreseen, at least 1: the uncertainties are larger by that.
    pub inflation: f64,
    /// Level of the curve's maximum: in dBFS; for a band, in dB above the channels' round means.
    pub maximum_db: f64,
    /// The curve's mean round the circle, in the same scale.
    pub mean_db: f64,
    /// The series behind the curve, in linear power.
    pub series: Series,
}

/// The curve at one bearing, in dB relative to its maximum.
#[derive(Debug, Clone, Copy, PartialEq, Serialize)]
pub struct CurvePoint {
    /// The bearing.
    pub bearing_deg: f64,
    /// The level, not below −40 dB.
    pub level_db: f64,
    /// Lower end of its interval; `None` where that reaches down to nothing.
    pub low_db: Option<f64>,
    /// Upper end of its interval, not below −40 dB.
    pub high_db: f64,
}

/// A figure with its interval.
///
/// Without `value` but with `low` it is a bound: at least that. With `value` but without `high` the interval has no upper
/// end.
#[derive(Debug, Clone, PartialEq, Default, Serialize)]
pub struct Figure {
    /// The figure.
    pub value: Option<f64>,
    /// Lower end of its interval.
    pub low: Option<f64>,
    /// Upper end of its interval.
    pub high: Option<f64>,
    /// What is to be said of it.
    pub remark: Option<String>,
}

/// The bearing of the maximum.
#[derive(Debug, Clone, PartialEq, Default, Serialize)]
pub struct BearingFigure {
    /// The bearing; `None` where no bearing is better than another.
    pub value: Option<f64>,
    /// Anticlockwise end of its interval; above `high` where the interval holds 0°.
    pub low: Option<f64>,
    /// Clockwise end of its interval.
    pub high: Option<f64>,
    /// Middles of other lobes that can't be told to be lower.
    pub rivals: Vec<f64>,
    /// What is to be said of it.
    pub remark: Option<String>,
}

/// The figures of a curve.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct Figures {
    /// Where it is strongest.
    pub best_bearing_deg: BearingFigure,
    /// The angle round the best bearing within which power is at least half of that there (IEEE Std 145), of the curve.
    pub half_power_beamwidth_deg: Figure,
    /// Level at the best bearing over that exactly 180° behind it, in dB.
    pub front_to_back_db: Figure,
    /// Strongest bearing over weakest bearing of the curve, in dB.
    pub roundness_db: Figure,
    /// Probability that an all-round antenna would look as uneven as this.
    pub round_p: f64,
}

/// What came of measuring the first bearing again at the end.
#[derive(Debug, Clone, Copy, PartialEq, Serialize)]
pub struct Closure {
    /// The repeated bearing.
    pub bearing_deg: f64,
    /// Time between its first and its last take in minutes.
    pub minutes_apart: f64,
    /// Last less first, in dB; `None` where either was not found.
    pub difference_db: Option<f64>,
    /// What of an even drift through the whole rotation was taken out, in dB.
    pub drift_db: Option<f64>,
    /// Its standard uncertainty in dB, which is in the curve's band.
    pub drift_uncertainty_db: Option<f64>,
}

/// The mean of several channels' patterns, each relative to its own mean round the circle.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct Band {
    /// The channels that it is the mean of.
    pub channels: Vec<ChannelId>,
    /// The points: means over the channels that have one there.
    pub points: Vec<Point>,
    /// The curve.
    pub fit: Fit,
    /// Its figures.
    pub figures: Figures,
}

/// Where to aim for the household.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct Aim {
    /// The bearing at which the weakest wanted channel has the largest margin.
    pub bearing_deg: BearingFigure,
    /// The weakest wanted channel there.
    pub weakest: ChannelId,
    /// Its margin there in dB.
    pub margin_db: Figure,
    /// Wanted channels that have a margin somewhere.
    pub channels: Vec<ChannelId>,
    /// Wanted channels that are left out of the choice: not found, without a threshold, or (where no list was given) under
    /// their threshold at every bearing.
    pub left_out: Vec<ChannelId>,
}
