//! A channel's pieces in the tunings that cover it, and the power in them.

use super::survey::{Survey, TuningSpectrum};
use super::{Estimate, Part};
use crate::channels::Channel;
use crate::spectrum::flat::FlatField;
use crate::spectrum::stitch::{Stretch, integrate};
use crate::statistics::welch_satterthwaite;

/// A stretch of a channel and the tuning that covers it.
pub(super) struct Piece<'s> {
    pub tuning: &'s TuningSpectrum,
    pub stretch: Stretch,
}

pub(super) fn pieces<'s>(
    survey: &'s Survey,
    channel: &Channel,
    within: Option<&[Part]>,
) -> Vec<Piece<'s>> {
    let whole = Stretch {
        low_hz: channel.low.0,
        high_hz: channel.high.0,
    };
    let limits: Vec<Stretch> = match within {
        None => vec![whole],
        Some(parts) => parts
            .iter()
            .map(|part| {
                whole.shared(Stretch {
                    low_hz: part.low_hz,
                    high_hz: part.high_hz,
                })
            })
            .filter(|stretch| stretch.width_hz() > 0.0)
            .collect(),
    };
    survey
        .tunings
        .iter()
        .flat_map(|tuning| {
            limits.iter().map(move |&limit| Piece {
                tuning,
                stretch: tuning.stretch.shared(limit),
            })
        })
        .filter(|piece| piece.stretch.width_hz() > 0.0)
        .collect()
}

/// Sum over pieces with its standard error from the spread over each tuning's sub-dwells.
pub(super) fn summed(survey: &Survey, flat: &FlatField, pieces: &[Piece]) -> Estimate {
    let rate_hz = survey.about.sample_rate.0;
    let mut value = 0.0;
    let mut parts = Vec::with_capacity(pieces.len());
    for Piece { tuning, stretch } in pieces {
        let length = tuning.density.len();
        let density = |bin: usize| tuning.density[bin] / flat.gain(bin, length);
        let power = integrate(density, length, tuning.centre_hz, rate_hz, *stretch);
        value += power;
        let share = |hz: f64| (hz - tuning.centre_hz) / rate_hz;
        let spread = tuning
            .sub_dwells
            .powers(share(stretch.low_hz), share(stretch.high_hz));
        let (relative, degrees) = match relative_error(&spread) {
            Some(relative) => (relative, spread.len() as f64 - 1.0),
            // Too short for sub-dwells: 1/√(B·T) (Dicke 1946), no degrees of freedom of its own.
            None => {
                let averages = stretch.width_hz() * tuning.samples as f64 / rate_hz;
                (1.0 / averages.max(1.0).sqrt(), f64::INFINITY)
            }
        };
        parts.push((power * relative, degrees));
    }
    let standard_error = parts
        .iter()
        .map(|(error, _)| error * error)
        .sum::<f64>()
        .sqrt();
    Estimate {
        value,
        standard_error,
        degrees_of_freedom: welch_satterthwaite(parts),
    }
}

/// Relative standard error of the mean of some powers; `None` for fewer than four.
fn relative_error(powers: &[f64]) -> Option<f64> {
    if powers.len() < 4 {
        return None;
    }
    let count = powers.len() as f64;
    let mean = powers.iter().sum::<f64>() / count;
    let squares: f64 = powers.iter().map(|power| (power - mean).powi(2)).sum();
    (mean > 0.0).then(|| (squares / (count - 1.0) / count).sqrt() / mean)
}
