//! Spurs cut out of a survey's spectra.

use super::SpurReading;
use super::spurs::{Spur, SpurSearch, bridge};
use super::survey::{Survey, TuningSpectrum};
use crate::units::{Decibels, ratio_to_db};

/// Bins to either side of the centre in which no line is looked for: the spike's.
const SPIKE_BINS: f64 = 4.0;

/// A line must stand so far above its surroundings in a channel that may carry OFDM and is not known to: its continual
/// pilots are lines, too, 10 dB high in bins of 0.6 kHz. Such a line, left in, is under 0.01 dB of the channel's noise.
const LEAST_EXCESS: Decibels = Decibels(13.0);

/// A line of 60 dB is so wide, skirts and all, seen through the Hann window.
const WIDEST_BINS: usize = 25;

/// Bins from which a cut is bridged, on each side.
const BRIDGE_FROM: usize = 8;

/// Variance of a mean over half overlapping Hann segments, relative to that of as many independent ones: 1 + 2·(1/6)².
///
/// Source: P. D. Welch, IEEE Trans. Audio Electroacoust. AU-15, 1967; the window's correlation at half its length is 1/6.
pub(super) const OVERLAP_SPREAD: f64 = 1.0 + 2.0 / 36.0;

/// Cuts the lines out of every tuning's spectrum, but for those in `explained` (stretches in hertz at radio frequency),
/// and says what they were, tuning by tuning.
pub(super) fn cut(survey: &mut Survey, explained: &[(f64, f64)]) -> Vec<Vec<SpurReading>> {
    let rate_hz = survey.about.sample_rate.0;
    survey
        .tunings
        .iter_mut()
        .map(|tuning| cut_tuning(tuning, rate_hz, explained))
        .collect()
}

fn cut_tuning(
    tuning: &mut TuningSpectrum,
    rate_hz: f64,
    explained: &[(f64, f64)],
) -> Vec<SpurReading> {
    let length = tuning.density.len();
    let step_hz = rate_hz / length as f64;
    let first_hz = tuning.centre_hz - rate_hz / 2.0;
    let spike = (
        tuning.centre_hz - SPIKE_BINS * step_hz,
        tuning.centre_hz + SPIKE_BINS * step_hz,
    );
    let search = SpurSearch {
        widest_bins: WIDEST_BINS,
        least_excess: LEAST_EXCESS,
        excluded_hz: explained.iter().copied().chain([spike]).collect(),
        ..SpurSearch::new(tuning.segments as f64 / OVERLAP_SPREAD)
    };
    let found = search.find(&tuning.density, first_hz, step_hz);
    let power = |bins: &[f64]| bins.iter().sum::<f64>() * step_hz;
    found
        .into_iter()
        // What the slope of the passband and folding make of the outermost bins is not looked at by any channel.
        .filter(|spur| (tuning.stretch.low_hz..tuning.stretch.high_hz).contains(&spur.hz))
        .filter_map(|Spur { hz, excess, bins }| {
            let with = power(&tuning.density[bins.clone()]);
            bridge(&mut tuning.density, bins.clone(), BRIDGE_FROM);
            let cut = with - power(&tuning.density[bins]);
            (cut > 0.0).then(|| SpurReading {
                hz,
                excess_db: excess.0,
                power_dbfs: ratio_to_db(cut),
            })
        })
        .collect()
}
