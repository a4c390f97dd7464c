//! The noise floor of a take that has no terminated take beside it, from stretches in which nothing was found.
//!
//! The usable width of every tuning is cut into slices of some 50 kHz. If part of the band is vacant, the lowest slices
//! all stand at one level, the floor, and differ only by the estimate's own scatter. The floor is the median of that
//! lowest cluster. It is called *assured* only where something tells noise from a signal that happens to be flat: at
//! least 1 MHz of the cluster lies in one piece, and other slices stand a decibel or more above it, or the cluster runs
//! across a channel's edge, where a signal would dip. Otherwise the lowest slice is an upper bound of the noise and no
//! more.

use super::survey::Survey;
use crate::spectrum::flat::FlatField;
use crate::spectrum::stitch::{Stretch, integrate};

/// Width of a slice in hertz.
const SLICE_HZ: f64 = 50e3;

/// A cluster this wide in one piece, in hertz, is vacant spectrum and not a dip between two channels.
const LEAST_VACANT_HZ: f64 = 1e6;

/// A floor found in a take.
#[derive(Debug, Clone, PartialEq)]
pub(super) struct Floor {
    /// Power in one hertz, linear.
    pub density: f64,
    /// Whether it is a floor; otherwise it is an upper bound.
    pub assured: bool,
    /// Relative standard error, statistical.
    pub relative_error: f64,
    /// Indices of the tunings that are vacant over their whole usable width.
    pub vacant_tunings: Vec<usize>,
}

/// One slice.
struct Slice {
    tuning: usize,
    low_hz: f64,
    density: f64,
    vacant: bool,
}

/// Finds the floor; `edges_hz` are the channels' edges. `None` where there is no slice at all.
pub(super) fn find(survey: &Survey, flat: &FlatField, edges_hz: &[f64]) -> Option<Floor> {
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
            slices.push(Slice {
                tuning,
                low_hz,
                density: power / SLICE_HZ,
                vacant: false,
            });
        }
        averages = averages.min(SLICE_HZ * found.samples as f64 / rate_hz);
    }
    if slices.is_empty() {
        return None;
    }
    // Relative scatter of one slice, 1/√(B·T); overlapping Hann segments come within a few per cent of it.
    let scatter = 1.1 / averages.sqrt();
    let mut sorted: Vec<f64> = slices.iter().map(|slice| slice.density).collect();
    sorted.sort_by(f64::total_cmp);
    // From the lowest slices up, until the median of those within reach stands still.
    let mut level = sorted[sorted.len() / 50];
    for _ in 0..50 {
        let within = sorted.partition_point(|&density| density <= level * (1.0 + 3.0 * scatter));
        let median = sorted[within.saturating_sub(1) / 2];
        if (median / level - 1.0).abs() < 1e-9 {
            break;
        }
        level = median;
    }
    let (low, high) = (level * (1.0 - 4.0 * scatter), level * (1.0 + 4.0 * scatter));
    for slice in &mut slices {
        slice.vacant = (low..=high).contains(&slice.density);
    }
    let runs: Vec<&[Slice]> = slices
        .chunk_by(|a, b| {
            a.vacant == b.vacant && (b.low_hz - a.low_hz - SLICE_HZ).abs() < 1.5 * SLICE_HZ
        })
        .filter(|run| run[0].vacant && run.len() as f64 * SLICE_HZ >= LEAST_VACANT_HZ)
        .collect();
    let something_above = slices
        .iter()
        .filter(|slice| slice.density > level * 1.26)
        .count()
        * 10
        >= slices.len();
    let across_an_edge = runs.iter().any(|run| {
        let (low_hz, high_hz) = (run[0].low_hz, run[run.len() - 1].low_hz + SLICE_HZ);
        edges_hz
            .iter()
            .any(|&edge| low_hz + 2.0 * SLICE_HZ < edge && edge + 2.0 * SLICE_HZ < high_hz)
    });
    let assured = !runs.is_empty() && (something_above || across_an_edge);
    let vacant: Vec<f64> = runs
        .iter()
        .flat_map(|run| run.iter().map(|slice| slice.density))
        .collect();
    let density = if assured {
        vacant.iter().sum::<f64>() / vacant.len() as f64
    } else {
        sorted[0].max(level * 0.5)
    };
    let vacant_tunings = (0..survey.tunings.len())
        .filter(|&tuning| {
            let mut own = slices
                .iter()
                .filter(|slice| slice.tuning == tuning)
                .peekable();
            assured && own.peek().is_some() && own.all(|slice| slice.vacant)
        })
        .collect();
    Some(Floor {
        density,
        assured,
        relative_error: scatter / (vacant.len().max(1) as f64).sqrt(),
        vacant_tunings,
    })
}
