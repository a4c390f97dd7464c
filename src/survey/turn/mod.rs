//! A rotation: from takes at bearings to a pattern and its figures.
//!
//! [`pattern`] takes the takes of one antenna, turned step by step at one spot, and gives for each channel what was measured
//! at each bearing, a smooth closed curve through it, and the curve's figures, each with an interval; for the wanted channels
//! together their mean pattern, and the bearing at which the weakest of them comes in best.
//!
//! A bearing is where the antenna was turned to, in degrees clockwise seen from above, from a stated direction. So a pattern
//! here says what arrives with the antenna turned there. In the open, with one station, that is the antenna's own pattern
//! mirrored; in a room, where waves come from all sides, it is the pattern *with* the room. Stations stand in different
//! directions, so the patterns of two channels may be turned against each other, and their mean (the band) says how much of
//! everything arrives, not what the antenna would do in the open.
//!
//! How a curve is fitted, and why that way, stands in `fit`; what the figures mean, in [`Figures`].

mod band;
mod check;
mod figures;
mod fit;
mod series;
mod types;
mod words;

use crate::channels::ChannelId;
use crate::reading::{Bearing, Health, Reading, Take};
use crate::statistics::coverage_factor;
use crate::units::ratio_to_db;

use self::band::Needed;
use self::figures::Curves;
use self::fit::{Fitted, Foreseen, Observation};

pub use self::check::{
    LEAST_BEARINGS, Options, TurnError, different_gain, leave_out_turned, mark, mark_of, rotations,
    same_bearing,
};
pub use self::series::{Series, turn_between, wrapped};
pub use self::types::{
    Aim, Band, BearingFigure, Closure, CurvePoint, Figure, Figures, Fit, Pattern, Point, Rotation,
};

/// Why a channel has no curve where no take found anything in it.
pub const NOTHING_FOUND: &str = "nothing found at any bearing";

/// A channel that has a curve.
struct Shape {
    channel: ChannelId,
    observations: Vec<Observation>,
    fitted: Fitted,
    round_p: f64,
    residual_rms_db: Option<f64>,
}

/// The mean of a channel's observations at one bearing.
struct AtBearing {
    value: f64,
    deviation: f64,
    takes: usize,
}

impl Shape {
    /// The weighted mean at a bearing, drift taken out.
    fn mean_at(&self, bearing_deg: f64) -> Option<AtBearing> {
        let drift = self.fitted.drift.map_or(0.0, |(share, _)| share);
        let (mut weights, mut sum, mut takes) = (0.0, 0.0, 0);
        for (o, deviation) in self.observations.iter().zip(&self.fitted.deviations) {
            if same_bearing(o.bearing_deg, bearing_deg) {
                let weight = 1.0 / (deviation * deviation);
                weights += weight;
                sum += weight * o.value / (1.0 + drift * o.time);
                takes += 1;
            }
        }
        (takes > 0).then(|| AtBearing {
            value: sum / weights,
            deviation: 1.0 / weights.sqrt(),
            takes,
        })
    }
}

/// Draws up the takes of one antenna that was turned at one spot; takes without a bearing are passed over.
///
/// Bearings may be uneven and may be repeated; a first bearing measured again at the end shows the drift, which is taken
/// out. The same takes, options and seed give the same result to the last bit.
///
/// # Errors
/// [`TurnError`]: no bearings, fewer than four, all on one side; takes of several antennas, spots, plans, gains or
/// directions that bearings are counted from; options that make no sense.
pub fn pattern(takes: &[Take], options: &Options) -> Result<Rotation, TurnError> {
    check::check_options(options)?;
    let turned = check::turned(takes)?;
    let bearings_deg = check::distinct(turned.iter().map(|(_, bearing)| bearing.degrees));
    check::check_bearings(&bearings_deg)?;
    let (first, zero) = turned[0];
    let last = turned[turned.len() - 1].0;

    let mut channels: Vec<(ChannelId, f64, f64)> = (turned.iter())
        .flat_map(|(take, _)| &take.readings)
        .map(|r| (r.channel.clone(), r.low_hz, r.high_hz))
        .collect();
    channels.sort_by(|a, b| a.1.total_cmp(&b.1));
    channels.dedup_by(|a, b| a.0 == b.0);

    let mut remarks = Vec::new();
    let mut patterns = Vec::new();
    let mut shapes = Vec::new();
    for (n, (channel, low_hz, high_hz)) in channels.into_iter().enumerate() {
        let read = Read::of(&turned, &channel);
        let shape = read.shape(&channel, options, n as u64);
        let wanted = (options.wanted.as_ref()).is_none_or(|list| list.contains(&channel));
        let mut pattern = Pattern {
            channel,
            low_hz,
            high_hz,
            wanted,
            points: Vec::new(),
            fit: None,
            figures: None,
            closure: read.closure(shape.as_ref().ok()),
            reason: None,
        };
        match shape {
            Ok(shape) => {
                describe(
                    &mut pattern,
                    &shape,
                    &read,
                    &bearings_deg,
                    options.confidence,
                );
                shapes.push((shape, read.needed, wanted));
            }
            Err(reason) => pattern.reason = Some(reason),
        }
        remarks.extend(read.remark(&pattern.channel));
        patterns.push(pattern);
    }

    let wanted: Vec<&Shape> = (shapes.iter())
        .filter_map(|(shape, _, wanted)| wanted.then_some(shape))
        .collect();
    let band = band::band(&wanted, &bearings_deg, options.confidence);
    let with_margin: Vec<(&Shape, Needed)> = (shapes.iter())
        .filter(|(_, _, wanted)| *wanted)
        .filter_map(|(shape, needed, _)| Some((shape, (*needed)?)))
        .collect();
    let with_margin = band::worth_aiming(with_margin, options.wanted.is_some());
    let left_out = left_out(options, &patterns, &with_margin);
    let aim = band::aim(&with_margin, left_out, options.confidence);

    let mut rotation = Rotation {
        antenna: first.antenna.clone(),
        spot: first.spot.clone(),
        plan: first.settings.plan.clone(),
        zero: zero.from.clone(),
        takes: turned.len(),
        widest_gap_deg: check::widest_gap(&bearings_deg),
        bearings_deg,
        begun_at: first.taken_at,
        ended_at: last.taken_at,
        confidence: options.confidence,
        channels: patterns,
        band,
        aim,
        remarks: Vec::new(),
        meaning: Vec::new(),
    };
    rotation.remarks = words::remarks(&rotation, remarks);
    rotation.meaning = words::meaning(&rotation);
    Ok(rotation)
}

/// Wanted channels that the aim can't rest on; where no list is given, only channels that are received count.
fn left_out(
    options: &Options,
    patterns: &[Pattern],
    with_margin: &[(&Shape, Needed)],
) -> Vec<ChannelId> {
    let rests_on = |channel: &ChannelId| {
        with_margin
            .iter()
            .any(|(shape, _)| shape.channel == *channel)
    };
    match &options.wanted {
        Some(wanted) => (wanted.iter())
            .filter(|channel| !rests_on(channel))
            .cloned()
            .collect(),
        None => (patterns.iter())
            .filter(|p| p.fit.is_some() && !rests_on(&p.channel))
            .map(|p| p.channel.clone())
            .collect(),
    }
}

/// What the takes say of one channel.
struct Read {
    observations: Vec<Observation>,
    /// Whether a signal was found, observation by observation.
    found: Vec<bool>,
    /// Bounds of what was not found, linear.
    bounds: Vec<Option<f64>>,
    minutes: Vec<f64>,
    /// Bearings at which the converter clipped.
    clipped: Vec<f64>,
    /// Bearings without a figure for another reason.
    missing: usize,
    common: f64,
    needed: Option<Needed>,
    drifts: bool,
}

impl Read {
    fn of(turned: &[(&Take, &Bearing)], channel: &ChannelId) -> Read {
        let begins = turned[0].0.taken_at;
        let minutes_of = |take: &Take| take.taken_at.duration_since(begins).as_secs_f64() / 60.0;
        let whole = minutes_of(turned[turned.len() - 1].0);
        let mut read = Read {
            observations: Vec::new(),
            found: Vec::new(),
            bounds: Vec::new(),
            minutes: Vec::new(),
            clipped: Vec::new(),
            missing: 0,
            common: 0.0,
            needed: None,
            drifts: false,
        };
        let mut noises = Vec::new();
        let mut threshold_db = None;
        for (take, bearing) in turned {
            let reading = (take.readings.iter()).find(|r| r.channel == *channel);
            let Some((reading, signal)) = reading.and_then(|r| Some((r, r.signal?))) else {
                match reading.is_some_and(clips) {
                    true => read.clipped.push(bearing.degrees),
                    false => read.missing += 1,
                }
                continue;
            };
            let minutes = minutes_of(take);
            read.observations.push(Observation {
                bearing_deg: bearing.degrees,
                value: signal.value,
                standard_error: signal.standard_error,
                time: if whole > 0.0 {
                    minutes / whole - 0.5
                } else {
                    0.0
                },
            });
            read.found.push(reading.found);
            read.bounds.push(reading.signal_upper);
            read.minutes.push(minutes);
            read.common = read.common.max(reading.noise_type_b);
            noises.extend(reading.noise.map(|noise| noise.value));
            threshold_db = threshold_db.or(reading.threshold_db.filter(|_| reading.covered >= 1.0));
        }
        let noise = noises.iter().sum::<f64>() / noises.len() as f64;
        read.needed = threshold_db
            .filter(|_| noise > 0.0)
            .map(|threshold_db| Needed {
                noise,
                threshold_db,
            });
        read.drifts = read.repeated().is_some();
        read
    }

    /// The first observation whose bearing comes again later, and the last one there.
    fn repeated(&self) -> Option<(usize, usize)> {
        (0..self.observations.len()).find_map(|first| {
            let bearing = self.observations[first].bearing_deg;
            let again = (first + 1..self.observations.len()).rev().find(|&later| {
                same_bearing(self.observations[later].bearing_deg, bearing)
                    && self.minutes[later] > self.minutes[first]
            })?;
            Some((first, again))
        })
    }

    /// The channel's curve, or why it has none.
    fn shape(&self, channel: &ChannelId, options: &Options, stream: u64) -> Result<Shape, String> {
        let bearings = check::distinct(self.observations.iter().map(|o| o.bearing_deg));
        if bearings.is_empty() {
            return Err("not measured".into());
        }
        if bearings.len() < LEAST_BEARINGS {
            return Err(format!("measured at only {} bearing(s)", bearings.len()));
        }
        if !self.found.iter().any(|&found| found) {
            return Err(NOTHING_FOUND.into());
        }
        let foreseen = Foreseen {
            unsteadiness: options.unsteadiness_db * std::f64::consts::LN_10 / 10.0,
            common: self.common,
            drifts: self.drifts,
        };
        let seed = options.seed.wrapping_mul(1_000_003).wrapping_add(stream);
        let fitted = fit::fit(&self.observations, foreseen, options.draws, seed);
        let mean = fitted.mean.mean();
        let below = fitted.draws.iter().filter(|d| d.mean() <= 0.0).count();
        if mean <= 0.0 || below as f64 > 0.025 * fitted.draws.len() as f64 {
            return Err("too weak for a pattern".into());
        }
        let drift = fitted.drift.map_or(0.0, |(share, _)| share);
        Ok(Shape {
            channel: channel.clone(),
            round_p: figures::round_p(&self.observations, foreseen.unsteadiness, drift),
            residual_rms_db: figures::residual_rms_db(&self.observations, &fitted),
            observations: self.observations.clone(),
            fitted,
        })
    }

    fn closure(&self, shape: Option<&Shape>) -> Option<Closure> {
        let (first, again) = self.repeated()?;
        let level = |n: usize| {
            let value = self.observations[n].value;
            (self.found[n] && value > 0.0).then(|| ratio_to_db(value))
        };
        let drift = shape.and_then(|shape| shape.fitted.drift);
        let in_db = |share: f64| share * 10.0 / std::f64::consts::LN_10;
        Some(Closure {
            bearing_deg: self.observations[first].bearing_deg,
            minutes_apart: self.minutes[again] - self.minutes[first],
            difference_db: level(again)
                .zip(level(first))
                .map(|(end, start)| end - start),
            drift_db: drift.map(|(share, _)| in_db(share)),
            drift_uncertainty_db: drift.map(|(_, uncertainty)| in_db(uncertainty)),
        })
    }

    /// The point at a bearing, relative to `top`.
    fn point(&self, shape: &Shape, bearing_deg: f64, top: f64, factor: f64) -> Option<Point> {
        let mean = shape.mean_at(bearing_deg)?;
        let here = |n: &usize| same_bearing(self.observations[*n].bearing_deg, bearing_deg);
        let found = (0..self.found.len()).filter(here).any(|n| self.found[n]);
        let bound = (0..self.bounds.len())
            .filter(here)
            .filter_map(|n| self.bounds[n])
            .reduce(f64::min);
        let half = factor * mean.deviation.hypot(self.common);
        let level = |power: f64| (power > 0.0).then(|| ratio_to_db(power / top));
        let (low, high) = (mean.value - half, mean.value.max(0.0) + half);
        Some(Point {
            bearing_deg,
            takes: mean.takes,
            level_db: level(mean.value).filter(|_| found),
            low_db: level(low).filter(|_| found),
            high_db: level(if found { high } else { bound.unwrap_or(high) }),
        })
    }

    /// What clipped.
    fn remark(&self, channel: &ChannelId) -> Option<String> {
        let list: Vec<String> = self.clipped.iter().map(|b| format!("{b:.0}°")).collect();
        (!list.is_empty()).then(|| {
            format!(
                "channel {channel} clipped at {}: left out there; turn again at a lower gain",
                list.join(", ")
            )
        })
    }
}

fn clips(reading: &Reading) -> bool {
    (reading.health.iter()).any(|health| matches!(health, Health::Clipped { .. }))
}

/// Puts a channel's curve, points and figures into its pattern.
fn describe(
    pattern: &mut Pattern,
    shape: &Shape,
    read: &Read,
    bearings_deg: &[f64],
    confidence: f64,
) {
    let fitted = &shape.fitted;
    let curves = Curves::new(&fitted.mean, &fitted.draws, confidence);
    let top = curves.top().1;
    let factor = coverage_factor(confidence, fitted.freedom);
    pattern.points = (bearings_deg.iter())
        .filter_map(|&bearing| read.point(shape, bearing, top, factor))
        .collect();
    pattern.fit = Some(Fit {
        curve: curves.points(),
        order: fitted.order,
        effective_parameters: fitted.effective_parameters,
        residual_rms_db: shape.residual_rms_db,
        inflation: fitted.inflation,
        maximum_db: ratio_to_db(top),
        mean_db: ratio_to_db(fitted.mean.mean()),
        series: fitted.mean.clone(),
    });
    pattern.figures = Some(curves.figures(shape.round_p));
}
