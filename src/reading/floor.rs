//! The noise floor of a take that has no terminated take beside it, from stretches in which nothing was found.
//!
//! The usable width of every tuning is cut into slices of some 50 kHz. If part of the band is vacant, the lowest slices
//! all stand at one level, the floor, and differ only by the estimate's own scatter. The floor is the median of that
//! lowest cluster. It is called *assured* only where something tells noise from a signal that happens to be flat: at
//! least 1 MHz of the cluster lies in one piece, and other slices stand a decibel or more above it, or the cluster runs
//! across a channel's edge, where a signal would dip. Otherwise the lowest slice is an upper bound of the noise and no
//! more.
//!
//! A receiver's gain and noise change with frequency, by a dB or more over a band. So the floor may slope, in dB over
//! frequency: by whatever slope makes clearly more of the band vacant than none does.

use super::noise::Levelling;
use super::survey::Survey;
use crate::spectrum::flat::FlatField;
use crate::spectrum::stitch::{Stretch, integrate};
use crate::units::db_to_ratio;

/// Width of a slice in hertz.
const SLICE_HZ: f64 = 50e3;

/// A cluster this wide in one piece, in hertz, is vacant spectrum and not a dip between two channels.
const LEAST_VACANT_HZ: f64 = 1e6;

/// Unevenness of a passband within its flat part, relative: 0.17 dB. Common practice, no source.
const UNEVEN: f64 = 0.04;

/// A tuning is vacant where at least this share of its slices is, and none stands above the floor: those at the edges may
/// stand below it, by the passband's slope, as long as that is not known.
const VACANT_SHARE: f64 = 0.7;

/// A passband slopes beyond this share of the sample rate off the centre, and by the edge of the usable part it has lost
/// no more than 1.5 dB. Common practice, no source.
const SLOPE_BEYOND: f64 = 0.3;
const DEEPEST_SLOPE: f64 = 0.708;

/// A floor slopes by no more than this, in dB a hertz: 3 dB over 100 MHz. Common practice, no source.
const STEEPEST_DB_PER_HZ: f64 = 3.0 / 100e6;

/// Slopes are tried in so many steps to either side.
const SLOPES: i32 = 24;

/// A slope must make so many times more of the band vacant than a lesser one does.
const CLEARLY_MORE: f64 = 1.1;

/// A floor found in a take.
#[derive(Debug, Clone, PartialEq)]
pub(super) struct Floor {
    /// Power in one hertz, linear, at `middle_hz`.
    density: f64,
    /// Where that is.
    middle_hz: f64,
    /// How it changes with frequency.
    slope: Slope,
    /// Whether it is a floor; otherwise it is an upper bound.
    pub assured: bool,
    /// Relative standard error, statistical.
    pub relative_error: f64,
    /// Indices of the tunings that are vacant.
    pub vacant_tunings: Vec<usize>,
}

impl Floor {
    /// Power in one hertz at a frequency, linear.
    pub fn density_at(&self, hz: f64) -> f64 {
        self.density * self.slope.ratio(hz - self.middle_hz)
    }
}

/// A change with frequency in dB a hertz.
#[derive(Debug, Clone, Copy, PartialEq)]
struct Slope(f64);

impl Slope {
    fn ratio(self, apart_hz: f64) -> f64 {
        db_to_ratio(self.0 * apart_hz)
    }

    /// From none to the steepest, both ways in turn.
    fn all() -> impl Iterator<Item = Slope> {
        let step = STEEPEST_DB_PER_HZ / f64::from(SLOPES);
        (0..=SLOPES).flat_map(move |n| {
            let steep = f64::from(n) * step;
            [Slope(steep), Slope(-steep)]
                .into_iter()
                .take(if n == 0 { 1 } else { 2 })
        })
    }
}

/// One slice.
struct Slice {
    tuning: usize,
    low_hz: f64,
    /// As it was found.
    found: f64,
    /// With the floor's slope taken off.
    density: f64,
    vacant: bool,
}

/// Finds the floor, at the common gain; `edges_hz` are the channels' edges. `None` where there is no slice at all.
pub(super) fn find(
    survey: &Survey,
    flat: &FlatField,
    levelling: Levelling,
    edges_hz: &[f64],
) -> Option<Floor> {
    let rate_hz = survey.about.sample_rate.0;
    let mut slices = Vec::new();
    let mut averages = f64::INFINITY;
    for (tuning, found) in survey.tunings.iter().enumerate() {
        let Stretch { low_hz, high_hz } = found.stretch;
        let count = ((high_hz - low_hz) / SLICE_HZ).floor() as usize;
        for index in 0..count {
            let low_hz = low_hz + index as f64 * SLICE_HZ;
            let stretch = Stretch {
                low_hz,
                high_hz: low_hz + SLICE_HZ,
            };
            let length = found.density.len();
            let density = |bin: usize| found.density[bin] / flat.gain(bin, length);
            let power = integrate(density, length, found.centre_hz, rate_hz, stretch);
            let density = levelling.levelled(power / SLICE_HZ, found);
            slices.push(Slice {
                tuning,
                low_hz,
                found: density,
                density,
                vacant: false,
            });
        }
        averages = averages.min(SLICE_HZ * found.samples as f64 / rate_hz);
    }
    // Where rounding is all there is, taking it off leaves nothing to go by.
    slices.retain(|slice| slice.density > 0.0);
    if slices.is_empty() {
        return None;
    }
    // Relative scatter of one slice: 1/√(B·T), which overlapping Hann segments come within a few per cent of; but never
    // less than a passband's own unevenness.
    let scatter = (1.1 / averages.sqrt()).max(UNEVEN);
    let middle_hz = (slices[0].low_hz + slices[slices.len() - 1].low_hz) / 2.0;
    let mut look = |slope| sloping(&mut slices, survey, (slope, middle_hz), scatter, edges_hz);
    let mut best: Option<(Slope, usize)> = None;
    for slope in Slope::all() {
        let vacant = look(slope).map_or(0, |(_, vacant)| vacant);
        let wanted = best.map_or(1.0, |(_, most)| most as f64 * CLEARLY_MORE);
        if vacant as f64 >= wanted {
            best = Some((slope, vacant));
        }
    }
    let slope = best.map_or(Slope(0.0), |(slope, _)| slope);
    let Some((density, vacant_slices)) = look(slope) else {
        let lowest = slices.iter().map(|slice| slice.density);
        return Some(Floor {
            density: lowest.fold(f64::INFINITY, f64::min),
            middle_hz,
            slope,
            assured: false,
            relative_error: scatter,
            vacant_tunings: Vec::new(),
        });
    };
    let vacant_tunings = (0..survey.tunings.len())
        .filter(|&tuning| {
            let own = slices.iter().filter(|slice| slice.tuning == tuning);
            let count = own.clone().count() as f64;
            let vacant = own.clone().filter(|slice| slice.vacant).count() as f64;
            let none_above = own
                .clone()
                .all(|slice| slice.vacant || slice.density < density);
            count > 0.0 && vacant >= VACANT_SHARE * count && none_above
        })
        .collect();
    Some(Floor {
        density,
        middle_hz,
        slope,
        assured: true,
        relative_error: scatter / (vacant_slices as f64).sqrt(),
        vacant_tunings,
    })
}

/// The floor with this slope about a frequency: its density there and the vacant slices, where it is assured.
fn sloping(
    slices: &mut [Slice],
    survey: &Survey,
    (slope, middle_hz): (Slope, f64),
    scatter: f64,
    edges_hz: &[f64],
) -> Option<(f64, usize)> {
    for slice in slices.iter_mut() {
        slice.density = slice.found / slope.ratio(slice.low_hz - middle_hz);
    }
    let mut sorted: Vec<f64> = slices.iter().map(|slice| slice.density).collect();
    sorted.sort_by(f64::total_cmp);
    // The lowest slices of all may be a passband's edges; so a second and a third look begin a little higher.
    [0.02, 0.08, 0.16, 0.3]
        .into_iter()
        .map(|share| cluster(&sorted, (sorted.len() as f64 * share) as usize, scatter))
        .find_map(|cluster| assured(slices, survey, cluster, edges_hz))
}

/// Densities between which the slices of one cluster lie.
#[derive(Debug, Clone, Copy)]
struct Cluster {
    low: f64,
    high: f64,
}

/// The cluster found from slice `start` of the ascending densities up: until the median of those within reach of it stands
/// still.
fn cluster(sorted: &[f64], start: usize, scatter: f64) -> Cluster {
    let mut level = sorted[start];
    for _ in 0..50 {
        let within = sorted.partition_point(|&density| density <= level * (1.0 + 3.0 * scatter));
        let from = sorted.partition_point(|&density| density < level * (1.0 - 3.0 * scatter));
        let median = sorted[(from + within.max(from + 1) - 1) / 2];
        if (median / level - 1.0).abs() < 1e-9 {
            break;
        }
        level = median;
    }
    Cluster {
        low: level * (1.0 - 4.0 * scatter),
        high: level * (1.0 + 4.0 * scatter),
    }
}

/// Marks the slices of a cluster; where it is surely vacant, its mean density and how many slices that comes from.
fn assured(
    slices: &mut [Slice],
    survey: &Survey,
    cluster: Cluster,
    edges_hz: &[f64],
) -> Option<(f64, usize)> {
    let Cluster { low, high } = cluster;
    for slice in slices.iter_mut() {
        slice.vacant = (low..=high).contains(&slice.density);
    }
    // Below a floor there is nothing but the slope of a passband at the ends of what a tuning sees.
    let rate_hz = survey.about.sample_rate.0;
    let only_slope_below = slices
        .iter()
        .filter(|slice| slice.density < low)
        .all(|slice| {
            let off_hz = slice.low_hz + SLICE_HZ / 2.0 - survey.tunings[slice.tuning].centre_hz;
            off_hz.abs() > rate_hz * SLOPE_BEYOND && slice.density > low * DEEPEST_SLOPE
        });
    if !only_slope_below {
        return None;
    }
    let runs: Vec<&[Slice]> = slices
        .chunk_by(|a, b| {
            a.vacant == b.vacant && (b.low_hz - a.low_hz - SLICE_HZ).abs() < 1.5 * SLICE_HZ
        })
        .filter(|run| run[0].vacant && run.len() as f64 * SLICE_HZ >= LEAST_VACANT_HZ)
        .collect();
    let above = slices.iter().filter(|slice| slice.density > high * 1.2);
    let something_above = above.count() * 10 >= slices.len();
    let across_an_edge = runs.iter().any(|run| {
        let (low_hz, high_hz) = (run[0].low_hz, run[run.len() - 1].low_hz + SLICE_HZ);
        edges_hz
            .iter()
            .any(|&edge| low_hz + 2.0 * SLICE_HZ < edge && edge + 2.0 * SLICE_HZ < high_hz)
    });
    let vacant: Vec<f64> = runs
        .iter()
        .flat_map(|run| run.iter().map(|slice| slice.density))
        .collect();
    (!vacant.is_empty() && (something_above || across_an_edge)).then(|| {
        (
            vacant.iter().sum::<f64>() / vacant.len() as f64,
            vacant.len(),
        )
    })
}
