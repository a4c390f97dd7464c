//! Where a channel's noise figure comes from: a terminated take, or the floor of the take itself.

use super::floor::{self, Floor};
use super::power::{Piece, summed};
use super::survey::{Survey, TuningSpectrum};
use super::{Estimate, NoiseSource};
use crate::channels::Channel;
use crate::spectrum::flat::FlatField;
use crate::spectrum::stitch::Stretch;
use crate::units::db_to_ratio;

/// Relative standard uncertainty, type B, of the noise of a terminated take as the noise of another: the receiver's gain
/// drifts between the two. 0.05 dB is common practice, no source; it lets a vacant channel stay vacant through a drift of
/// 0.15 dB.
const TERMINATED_TYPE_B: f64 = 0.0116;

/// The same where the terminated take was not made at this tuning: the noise figure's change with frequency, 0.2 dB.
/// Common practice, no source.
const ELSEWHERE_TYPE_B: f64 = 0.05;

/// The same where the noise was estimated from vacant stretches: 0.2 dB. Common practice, no source.
const ESTIMATED_TYPE_B: f64 = 0.05;

/// The same where, besides, gains differ: the noise is taken to rise and fall with the gain, but a receiver's noise figure
/// changes with it. 0.5 dB, common practice, no source.
const OTHER_GAIN_TYPE_B: f64 = 0.12;

/// Brings noise densities of tunings at different gains to one: the receiver's own noise goes with the gain, what rounding
/// adds does not. Where all gains are the same, or one is not known, nothing changes.
#[derive(Debug, Clone, Copy)]
pub(super) struct Levelling {
    /// What rounding adds to a density; 0 where nothing is to be levelled.
    rounding: f64,
    /// The gain to which all is brought, in dB; `None` where nothing is to be levelled.
    to_db: Option<f64>,
}

impl Levelling {
    /// For these tunings of one receiver.
    pub fn of<'t>(tunings: impl Iterator<Item = &'t TuningSpectrum>, rounding: f64) -> Self {
        let gains: Option<Vec<f64>> = tunings.map(|tuning| tuning.gain_db).collect();
        let gains = gains.unwrap_or_default();
        let highest = gains.iter().copied().fold(f64::NEG_INFINITY, f64::max);
        let differ = gains
            .iter()
            .any(|gain| (highest - gain).abs() >= SAME_GAIN_DB);
        Levelling {
            rounding: if differ { rounding } else { 0.0 },
            to_db: differ.then_some(highest),
        }
    }

    /// Ratio of the gain to which all is brought to a tuning's.
    fn ratio(self, tuning: &TuningSpectrum) -> f64 {
        match (self.to_db, tuning.gain_db) {
            (Some(to_db), Some(gain_db)) => db_to_ratio(to_db - gain_db),
            _ => 1.0,
        }
    }

    /// A tuning's density as it would be at the common gain, rounding apart.
    pub fn levelled(self, density: f64, tuning: &TuningSpectrum) -> f64 {
        (density - self.rounding) * self.ratio(tuning)
    }

    /// A density at the common gain as it would be at the tuning's.
    fn back(self, density: f64, tuning: &TuningSpectrum) -> f64 {
        density / self.ratio(tuning) + self.rounding
    }
}

/// A noise so many times what rounding adds shows the receiver's gain.
const PLAIN: f64 = 3.0;

/// How a piece of a channel stands to the first.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(super) struct PieceLevel {
    /// What its density must be multiplied by to stand at the first piece's gain.
    pub ratio: f64,
    /// Noise density in one hertz, linear, so multiplied.
    pub noise: f64,
}

/// Gains that differ by less are the same, in dB.
const SAME_GAIN_DB: f64 = 0.05;

/// Where noise figures come from.
pub(super) struct Noise<'s> {
    pub flat: FlatField,
    terminated: Option<&'s Survey>,
    /// Mean density of the terminated take over all its tunings, with its relative standard error.
    elsewhere: Option<(f64, f64)>,
    floor: Option<Floor>,
    levelling: Levelling,
    /// What rounding adds to a density.
    rounding: f64,
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
            let tunings = terminated.tunings.iter().chain(&survey.tunings);
            let levelling = Levelling::of(tunings, rounding_density(terminated));
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
                        value: levelling.levelled(sum.value / width, tuning),
                        standard_error: sum.standard_error / width * levelling.ratio(tuning),
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
                levelling,
                rounding: rounding_density(survey),
            };
        }
        let edges: Vec<f64> = channels
            .iter()
            .flat_map(|channel| [channel.low.0, channel.high.0])
            .collect();
        let levelling = Levelling::of(survey.tunings.iter(), rounding_density(survey));
        let first = floor::find(survey, &FlatField::none(), levelling, &edges);
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
        let floor = floor::find(survey, &flat, levelling, &edges);
        Noise {
            flat,
            terminated: None,
            elsewhere: None,
            floor,
            levelling,
            rounding: rounding_density(survey),
        }
    }

    /// How the pieces of a channel stand to each other, piece by piece. At one gain all are the same; where gains differ, the
    /// terminated take's noise shows by how much, if rounding leaves enough of it, else the gains set do.
    pub fn levels(&self, pieces: &[Piece], rate_hz: f64) -> Option<Vec<PieceLevel>> {
        let (whole, _, source) = self.of_pieces(pieces, rate_hz)?;
        let width_hz: f64 = pieces.iter().map(|piece| piece.stretch.width_hz()).sum();
        let gains: Option<Vec<f64>> = pieces.iter().map(|piece| piece.tuning.gain_db).collect();
        let gains = gains.unwrap_or_default();
        let highest = gains.iter().copied().fold(f64::NEG_INFINITY, f64::max);
        let lowest = gains.iter().copied().fold(f64::INFINITY, f64::min);
        if gains.is_empty() || highest - lowest < SAME_GAIN_DB {
            let one = PieceLevel {
                ratio: 1.0,
                noise: whole.value / width_hz,
            };
            return Some(vec![one; pieces.len()]);
        }
        let densities: Vec<f64> = pieces
            .iter()
            .map(|piece| {
                let own = self.of_pieces(std::slice::from_ref(piece), rate_hz)?;
                Some(own.0.value / piece.stretch.width_hz())
            })
            .collect::<Option<_>>()?;
        let shown = source == NoiseSource::Terminated
            && (densities.iter()).all(|&density| density > PLAIN * self.rounding);
        let ratio = |place: usize| {
            if shown {
                (densities[0] - self.rounding) / (densities[place] - self.rounding)
            } else {
                db_to_ratio(gains[0] - gains[place])
            }
        };
        let level = |place: usize| PieceLevel {
            ratio: ratio(place),
            noise: densities[place] * ratio(place),
        };
        Some((0..pieces.len()).map(level).collect())
    }

    /// Noise in the pieces of a channel, its type B standard uncertainty (linear), and where it came from.
    pub fn of_pieces(
        &self,
        pieces: &[Piece],
        rate_hz: f64,
    ) -> Option<(Estimate, f64, NoiseSource)> {
        let spread = |density_at: &dyn Fn(f64) -> f64, relative: f64| {
            let noise = pieces.iter().map(|piece| {
                let Stretch { low_hz, high_hz } = piece.stretch;
                let density = density_at((low_hz + high_hz) / 2.0);
                self.levelling.back(density, piece.tuning) * piece.stretch.width_hz()
            });
            let value: f64 = noise.sum();
            Estimate {
                value,
                standard_error: value * relative,
                degrees_of_freedom: f64::INFINITY,
            }
        };
        let other_gain = match self.levelling.to_db {
            Some(_) => OTHER_GAIN_TYPE_B,
            None => 0.0,
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
                .map(|(density, relative)| spread(&|_| density, relative))?;
            return Some((
                noise,
                noise.value * ELSEWHERE_TYPE_B.hypot(other_gain),
                NoiseSource::TerminatedElsewhere,
            ));
        }
        let floor = self.floor.as_ref()?;
        let noise = spread(&|hz| floor.density_at(hz), floor.relative_error);
        Some(if floor.assured {
            (
                noise,
                noise.value * ESTIMATED_TYPE_B.hypot(other_gain),
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
            (Some(a), Some(b)) => (a - b).abs() < SAME_GAIN_DB,
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
