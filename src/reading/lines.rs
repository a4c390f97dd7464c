//! Spurs cut out of a survey's spectra.

use super::SpurReading;
use super::signals::Explained;
use super::spurs::{Spur, SpurSearch, bridge};
use super::survey::{Survey, TuningSpectrum};
use crate::units::{Decibels, ratio_to_db};

/// Bins to either side of the centre in which no line is looked for: the spike's.
const SPIKE_BINS: f64 = 4.0;

/// A line must stand so far above its surroundings in a channel that may carry OFDM and is not known to: its continual
/// pilots are lines, too, 10 dB high in bins of 0.6 kHz. Such a line, left in, is under 0.01 dB of the channel's noise.
const LEAST_EXCESS: Decibels = Decibels(13.0);

/// A line must stand so far above its surroundings in a channel that is known to carry OFDM. The highest continual pilot, of
/// the widest spacing (DVB-T2 1k in 8 MHz, 8929 Hz), is 2.5 dB over its neighbours and stands 12.6 dB above their density in
/// bins of 586 Hz, ENBW 1.5; echoes that lift it over what is 30 kHz around it, by some dB more.
///
/// Source: ETSI EN 302 755, pilot amplitude 4/3 and elementary period 7/64 µs (handbook 3.2).
const LEAST_EXCESS_IN_OFDM: Decibels = Decibels(20.0);

/// A line of 60 dB is so wide, skirts and all, seen through the Hann window.
const WIDEST_BINS: usize = 25;

/// Bins from which a cut is bridged, on each side.
const BRIDGE_FROM: usize = 8;

/// Variance of a mean over half overlapping Hann segments, relative to that of as many independent ones: 1 + 2·(1/6)².
///
/// Source: P. D. Welch, IEEE Trans. Audio Electroacoust. AU-15, 1967; the window's correlation at half its length is 1/6.
pub(super) const OVERLAP_SPREAD: f64 = 1.0 + 2.0 / 36.0;

/// Cuts the lines out of every tuning's spectrum, but for those that are the stations' own, and says what they were, tuning
/// by tuning.
pub(super) fn cut(survey: &mut Survey, explained: &Explained) -> Vec<Vec<SpurReading>> {
    let rate_hz = survey.about.sample_rate.0;
    let mut listed: Vec<Vec<SpurReading>> = Vec::new();
    for tuning in &mut survey.tunings {
        let step_hz = rate_hz / tuning.density.len() as f64;
        let mut spurs = cut_tuning(tuning, rate_hz, explained);
        // A line where two tunings meet is seen by both.
        let last = listed.last().map_or(&[][..], Vec::as_slice);
        spurs.retain(|spur| {
            !last
                .iter()
                .any(|other| (other.hz - spur.hz).abs() < 2.0 * step_hz)
        });
        listed.push(spurs);
    }
    listed
}

fn cut_tuning(
    tuning: &mut TuningSpectrum,
    rate_hz: f64,
    explained: &Explained,
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
        excluded_hz: (explained.pilots_hz.iter().copied())
            .chain([spike])
            .collect(),
        ..SpurSearch::new(tuning.segments as f64 / OVERLAP_SPREAD)
    };
    let found = search.find(&tuning.density, first_hz, step_hz);
    let in_ofdm = |hz: f64| {
        let holds = |&(low, high): &(f64, f64)| (low..high).contains(&hz);
        explained.ofdm_hz.iter().any(holds)
    };
    let (low_hz, high_hz) = (tuning.stretch.low_hz, tuning.stretch.high_hz);
    let at = |bin: usize| first_hz + bin as f64 * step_hz;
    let power = |bins: &[f64]| bins.iter().sum::<f64>() * step_hz;
    found
        .into_iter()
        // What the slope of the passband and folding make of the outermost bins is not looked at by any channel; but a line
        // just beyond the stretch that the tuning answers for reaches into it.
        .filter(|spur| at(spur.bins.end) > low_hz && at(spur.bins.start) - step_hz < high_hz)
        .filter(|spur| spur.excess >= LEAST_EXCESS_IN_OFDM || !in_ofdm(spur.hz))
        .filter_map(|Spur { hz, excess, bins }| {
            let with = power(&tuning.density[bins.clone()]);
            bridge(&mut tuning.density, bins.clone(), BRIDGE_FROM);
            let cut = with - power(&tuning.density[bins]);
            let own = hz > low_hz - step_hz && hz < high_hz + step_hz;
            (cut > 0.0 && own).then(|| SpurReading {
                hz,
                excess_db: excess.0,
                power_dbfs: ratio_to_db(cut),
            })
        })
        .collect()
}
