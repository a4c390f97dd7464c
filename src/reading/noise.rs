//! Where a channel's noise figure comes from: a terminated take, or the floor of the take itself.

use super::floor::{self, Floor};
use super::power::{Piece, summed};
use super::survey::{Survey, TuningSpectrum};
use super::{Estimate, NoiseSource};
use crate::channels::Channel;
use crate::spectrum::flat::FlatField;

/// Relative standard uncertainty, type B, of the noise of a terminated take as the noise of another: the receiver's gain
/// drifts between the two. 0.05 dB is common practice, no source; it lets a vacant channel stay vacant through a drift of
/// 0.15 dB.
const TERMINATED_TYPE_B: f64 = 0.0116;

/// The same where the terminated take was not made at this tuning: the noise figure's change with frequency, 0.2 dB.
/// Common practice, no source.
const ELSEWHERE_TYPE_B: f64 = 0.05;

/// The same where the noise was estimated from vacant stretches: 0.2 dB. Common practice, no source.
const ESTIMATED_TYPE_B: f64 = 0.05;

/// Where noise figures come from.
pub(super) struct Noise<'s> {
    pub flat: FlatField,
    terminated: Option<&'s Survey>,
    /// Mean density of the terminated take over all its tunings, with its relative standard error.
    elsewhere: Option<(f64, f64)>,
    floor: Option<Floor>,
}

impl<'s> Noise<'s> {
    pub fn of(survey: &Survey, terminated: Option<&'s Survey>, channels: &[Channel]) -> Noise<'s> {
        if let Some(terminated) = terminated {
            let spectra: Vec<&[f64]> = terminated
                .tunings
                .iter()
                .map(|tuning| tuning.density.as_slice())
                .collect();
            let flat = FlatField::from_flat_noise(&spectra, rounding_density(terminated))
                .unwrap_or(FlatField::none());
            let whole: Vec<Estimate> = terminated
                .tunings
                .iter()
                .filter(|tuning| tuning.stretch.width_hz() > 0.0)
                .map(|tuning| {
                    let sum = summed(
                        terminated,
                        &flat,
                        &[Piece {
                            tuning,
                            stretch: tuning.stretch,
                        }],
                    );
                    let width = tuning.stretch.width_hz();
                    Estimate {
                        value: sum.value / width,
                        standard_error: sum.standard_error / width,
                        ..sum
                    }
                })
                .collect();
            let mean = whole.iter().map(|noise| noise.value).sum::<f64>() / whole.len() as f64;
            let error = whole
                .iter()
                .map(|noise| noise.standard_error.powi(2))
                .sum::<f64>()
                .sqrt()
                / whole.len() as f64;
            return Noise {
                flat,
                terminated: Some(terminated),
                elsewhere: Some((mean, error / mean)),
                floor: None,
            };
        }
        let edges: Vec<f64> = channels
            .iter()
            .flat_map(|channel| [channel.low.0, channel.high.0])
            .collect();
        let first = floor::find(survey, &FlatField::none(), &edges);
        // Vacant tunings show the passband as a terminator would; with it the floor is looked for once more.
        let flat = first
            .as_ref()
            .and_then(|floor| {
                let spectra: Vec<&[f64]> = floor
                    .vacant_tunings
                    .iter()
                    .map(|&index| survey.tunings[index].density.as_slice())
                    .collect();
                FlatField::from_flat_noise(&spectra, rounding_density(survey))
            })
            .unwrap_or(FlatField::none());
        let floor = floor::find(survey, &flat, &edges);
        Noise {
            flat,
            terminated: None,
            elsewhere: None,
            floor,
        }
    }

    /// Noise in the pieces of a channel, its type B standard uncertainty (linear), and where it came from.
    pub fn of_pieces(
        &self,
        pieces: &[Piece],
        rate_hz: f64,
    ) -> Option<(Estimate, f64, NoiseSource)> {
        let width: f64 = pieces.iter().map(|piece| piece.stretch.width_hz()).sum();
        let spread = |density: f64, relative: f64| Estimate {
            value: density * width,
            standard_error: density * width * relative,
            degrees_of_freedom: f64::INFINITY,
        };
        if let Some(terminated) = self.terminated {
            let same: Option<Vec<Piece>> = pieces
                .iter()
                .map(|piece| {
                    let tuning = same_tuning(terminated, piece.tuning, rate_hz)?;
                    Some(Piece {
                        tuning,
                        stretch: piece.stretch,
                    })
                })
                .collect();
            if let Some(same) = same {
                let noise = summed(terminated, &self.flat, &same);
                return Some((
                    noise,
                    noise.value * TERMINATED_TYPE_B,
                    NoiseSource::Terminated,
                ));
            }
            let noise = self
                .elsewhere
                .map(|(density, relative)| spread(density, relative))?;
            return Some((
                noise,
                noise.value * ELSEWHERE_TYPE_B,
                NoiseSource::TerminatedElsewhere,
            ));
        }
        let floor = self.floor.as_ref()?;
        let noise = spread(floor.density, floor.relative_error);
        Some(if floor.assured {
            (
                noise,
                noise.value * ESTIMATED_TYPE_B,
                NoiseSource::VacantChannels,
            )
        } else {
            // Anything from none of it to all of it may be noise: a rectangle (GUM 4.3.7).
            (
                noise,
                noise.value / 3f64.sqrt(),
                NoiseSource::QuietestStretch,
            )
        })
    }
}

/// The tuning of the terminated take that stands for `tuning`: same frequency, same gain where both are known.
fn same_tuning<'s>(
    terminated: &'s Survey,
    tuning: &TuningSpectrum,
    rate_hz: f64,
) -> Option<&'s TuningSpectrum> {
    terminated.tunings.iter().find(|other| {
        let same_gain = match (other.gain_db, tuning.gain_db) {
            (Some(a), Some(b)) => (a - b).abs() < 0.05,
            _ => true,
        };
        (other.centre_hz - tuning.centre_hz).abs() < rate_hz * 1e-4 && same_gain
    })
}

/// What rounding to the converter's steps adds to each density: 1/12 step² a rail, over the whole sampled width.
///
/// Source: uniform rounding error, handbook "Eight bits" (recomputed): 1/6 LSB² for both rails.
pub(super) fn rounding_density(survey: &Survey) -> f64 {
    survey
        .about
        .step
        .map_or(0.0, |step| step * step / 6.0 / survey.about.sample_rate.0)
}
