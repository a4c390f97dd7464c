//! The receiver's health at a tuning, and what of it a channel must be told.

use super::amplitude::Image;
use super::noise::rounding_density;
use super::power::Piece;
use super::survey::{Survey, TuningSpectrum};
use super::{Health, SpurReading, TuningReading};
use crate::spectrum::stitch::{Stretch, integrate};
use crate::units::ratio_to_db;

/// Drive below which rounding hides the noise, in steps rms on one rail (method: "under 1 LSB").
const WEAK_DRIVE_STEPS: f64 = 1.0;

/// Share of the quietest stretch from which rounding limits what can be measured.
const ROUNDING_LIMIT: f64 = 0.5;

/// The quietest stretch is so wide, in hertz.
const QUIET_HZ: f64 = 50e3;

/// Share of a channel's signal from which an image is worth a remark: 0.4 dB.
const IMAGE_LIMIT: f64 = 0.1;

/// The receiver's health at one tuning, with the spurs that were cut out.
pub(super) fn of_tuning(
    survey: &Survey,
    tuning: &TuningSpectrum,
    spurs: Vec<SpurReading>,
) -> TuningReading {
    let amplitude = &tuning.amplitude;
    let clipping = amplitude.clipping();
    let image = image_of(tuning);
    TuningReading {
        centre_hz: tuning.centre_hz,
        gain_db: tuning.gain_db,
        samples: tuning.samples,
        lsb_rms: amplitude.drive_lsb_rms(),
        clipped: clipping.clipped,
        end_fraction: clipping.fraction,
        expected_end_fraction: clipping.expected_fraction,
        rounding_share: rounding_share(survey, tuning),
        spike_dbfs: amplitude
            .mean()
            .map(|[i, q]| i * i + q * q)
            .filter(|&power| power > 0.0)
            .map(ratio_to_db),
        image_db: image.map(|image| -2.0 * ratio_to_db(image.amplitude)),
        image_is_bound: image.is_some_and(|image| !image.found),
        spurs,
    }
}

/// What a channel must be told of its tunings, image apart; and whether one of them clipped.
pub(super) fn of_pieces(survey: &Survey, pieces: &[Piece]) -> (Vec<Health>, bool) {
    let mut remarks = Vec::new();
    let mut clipped = false;
    for Piece { tuning, .. } in pieces {
        let tuning_mhz = tuning.centre_hz / 1e6;
        let clipping = tuning.amplitude.clipping();
        if clipping.clipped {
            clipped = true;
            remarks.push(Health::Clipped {
                tuning_mhz,
                fraction: clipping.fraction,
            });
        }
        let weak = (tuning.amplitude.drive_lsb_rms()).filter(|&steps| steps < WEAK_DRIVE_STEPS);
        if let Some(lsb_rms) = weak {
            remarks.push(Health::WeakDrive {
                tuning_mhz,
                lsb_rms,
            });
        } else if let Some(share) =
            rounding_share(survey, tuning).filter(|&share| share > ROUNDING_LIMIT)
        {
            remarks.push(Health::RoundingLimited { tuning_mhz, share });
        }
    }
    (remarks, clipped)
}

/// Share of the quietest stretch's power that rounding makes; `None` where the samples have no steps.
fn rounding_share(survey: &Survey, tuning: &TuningSpectrum) -> Option<f64> {
    let rounding = Some(rounding_density(survey)).filter(|&density| density > 0.0)?;
    let bins = tuning.density.len();
    let each = ((QUIET_HZ * bins as f64 / survey.about.sample_rate.0) as usize).clamp(1, bins);
    let usable = bins / 8..bins - bins / 8;
    let quietest = tuning.density[usable]
        .chunks_exact(each)
        .map(|stretch| stretch.iter().sum::<f64>() / each as f64)
        .fold(f64::INFINITY, f64::min);
    Some((rounding / quietest).min(1.0))
}

/// How strong the image is at a tuning. Samples of a coloured signal are not independent: n of them count as
/// n·(ΣS)²/(N·Σ S(f)·S(−f)) over N bins, which is what the scatter of the mean square depends on.
fn image_of(tuning: &TuningSpectrum) -> Option<Image> {
    let bins = &tuning.density;
    let sum: f64 = bins.iter().sum();
    // Bin 0 is half the sample rate, which mirrors onto itself.
    let mirrored = bins[1..].iter().rev();
    let crossed: f64 = bins[1..]
        .iter()
        .zip(mirrored)
        .map(|(one, other)| one * other)
        .sum();
    let independent = sum * sum / (bins.len() as f64 * crossed);
    tuning.amplitude.image(independent.clamp(0.01, 4.0))
}

/// The image of what stands on the other side of the tunings' centres, where one was found and it is a good part of the
/// channel's `signal` (a power, linear).
pub(super) fn image(survey: &Survey, pieces: &[Piece], signal: f64) -> Option<Health> {
    let rate_hz = survey.about.sample_rate.0;
    let powers = pieces.iter().filter_map(|Piece { tuning, stretch }| {
        let image = image_of(tuning).filter(|image| image.found)?;
        let mirrored = Stretch {
            low_hz: 2.0 * tuning.centre_hz - stretch.high_hz,
            high_hz: 2.0 * tuning.centre_hz - stretch.low_hz,
        };
        let density = |bin: usize| tuning.density[bin];
        let power = integrate(
            density,
            tuning.density.len(),
            tuning.centre_hz,
            rate_hz,
            mirrored,
        );
        Some((tuning.centre_hz, power * image.amplitude * image.amplitude))
    });
    let powers: Vec<(f64, f64)> = powers.collect();
    let share = powers.iter().map(|(_, power)| power).sum::<f64>() / signal;
    let (centre_hz, _) = powers.into_iter().max_by(|a, b| a.1.total_cmp(&b.1))?;
    (signal > 0.0 && share > IMAGE_LIMIT).then_some(Health::Image {
        tuning_mhz: centre_hz / 1e6,
        share,
    })
}
