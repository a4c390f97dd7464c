//! From a survey to the readings of the wanted channels.
//!
//! Channel power is the density summed over the channel in linear units, each bin divided by the passband's gain there
//! (the flat field). Noise in the channel is the same sum over the terminated take at the same tunings; without one it is
//! estimated from vacant stretches of the same take. Signal power is the difference. Its standard error comes from the
//! spread over sub-dwells, part by part of the channel, combined in quadrature (GUM 5.1.2), with effective degrees of
//! freedom by Welch–Satterthwaite (GUM G.4).
//!
//! A signal is *found* where power less noise exceeds what the combined uncertainty explains, one-sided, at a false alarm
//! of 1 in 1000 (Student's t). Otherwise the reading carries an upper bound, one-sided at 95 %.

use super::floor::{self, Floor};
use super::survey::{Survey, TuningSpectrum};
use super::{Estimate, Health, NoiseSource, Part, Reading, State};
use crate::channels::{Channel, PathClass, Thresholds};
use crate::spectrum::flat::FlatField;
use crate::spectrum::stitch::{Stretch, integrate};
use crate::statistics::{student_upper_quantile, welch_satterthwaite};

/// False alarm of one channel's test for a signal.
const FALSE_ALARM: f64 = 1e-3;

/// One-sided probability that an upper bound holds.
const BOUND_CONFIDENCE: f64 = 0.95;

/// Relative standard uncertainty, type B, of the noise of a terminated take as the noise of another: the receiver's gain
/// drifts between the two. 0.05 dB is common practice, no source; it lets a vacant channel stay vacant through a drift of
/// 0.15 dB.
const TERMINATED_TYPE_B: f64 = 0.0116;

/// The same where the terminated take was not made at this tuning: the noise figure's change with frequency, 0.2 dB.
/// Common practice, no source.
const ELSEWHERE_TYPE_B: f64 = 0.05;

/// The same where the noise was estimated from vacant stretches: 0.2 dB. Common practice, no source.
const ESTIMATED_TYPE_B: f64 = 0.05;

/// A channel covered by less than this share of its width is not listed.
const LEAST_COVER: f64 = 0.005;

/// Half of this share may miss at the edges before a channel counts as covered in part.
const WHOLE_COVER: f64 = 0.995;

/// Readings, and what they rest on.
#[derive(Debug, Clone)]
pub struct Evaluation {
    /// One reading a channel that is covered at least in part, ascending.
    pub readings: Vec<Reading>,
    /// The passband that was divided out.
    pub flat: FlatField,
}

/// Reads the wanted channels off a survey.
///
/// `within` limits every channel to these stretches (ascending, apart), but for channels of which they hold nothing: those
/// are read as if there were no limit. `None` is no limit.
pub fn evaluate(
    survey: &Survey,
    terminated: Option<&Survey>,
    channels: &[Channel],
    thresholds: &Thresholds,
    within: Option<&[Part]>,
) -> Evaluation {
    let noise = Noise::of(survey, terminated, channels);
    let readings = channels
        .iter()
        .filter_map(|channel| {
            let shared = within.map(|parts| pieces(survey, channel, Some(parts)));
            let (pieces, covered) = shared
                .into_iter()
                .chain([pieces(survey, channel, None)])
                .map(|pieces| {
                    let widths = pieces.iter().map(|piece| piece.stretch.width_hz());
                    let covered = widths.sum::<f64>() / channel.width().0;
                    (pieces, covered)
                })
                .find(|&(_, covered)| covered >= LEAST_COVER)?;
            Some(read(survey, &noise, channel, thresholds, &pieces, covered))
        })
        .collect();
    Evaluation {
        readings,
        flat: noise.flat,
    }
}

/// The reading of a channel that no tuning covers.
pub fn uncovered(channel: &Channel) -> Reading {
    Reading {
        channel: channel.id.clone(),
        low_hz: channel.low.0,
        high_hz: channel.high.0,
        covered: 0.0,
        parts: Vec::new(),
        power: None,
        noise: None,
        noise_source: None,
        signal: None,
        noise_type_b: 0.0,
        found: false,
        signal_upper: None,
        pilot: None,
        identity: None,
        shape: None,
        echo: None,
        standard: channel.standards.first().copied(),
        path: None,
        threshold_db: None,
        state: None,
        health: Vec::new(),
    }
}

/// A stretch of a channel and the tuning that covers it.
struct Piece<'s> {
    tuning: &'s TuningSpectrum,
    stretch: Stretch,
}

fn pieces<'s>(survey: &'s Survey, channel: &Channel, within: Option<&[Part]>) -> Vec<Piece<'s>> {
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

/// Where noise figures come from.
struct Noise<'s> {
    flat: FlatField,
    terminated: Option<&'s Survey>,
    /// Mean density of the terminated take over all its tunings, with its relative standard error.
    elsewhere: Option<(f64, f64)>,
    floor: Option<Floor>,
}

impl<'s> Noise<'s> {
    fn of(survey: &Survey, terminated: Option<&'s Survey>, channels: &[Channel]) -> Noise<'s> {
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
    fn of_pieces(&self, pieces: &[Piece], rate_hz: f64) -> Option<(Estimate, f64, NoiseSource)> {
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
fn rounding_density(survey: &Survey) -> f64 {
    survey
        .about
        .step
        .map_or(0.0, |step| step * step / 6.0 / survey.about.sample_rate.0)
}

/// Sum over pieces with its standard error from the spread over each tuning's sub-dwells.
fn summed(survey: &Survey, flat: &FlatField, pieces: &[Piece]) -> Estimate {
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

fn read(
    survey: &Survey,
    noise: &Noise,
    channel: &Channel,
    thresholds: &Thresholds,
    pieces: &[Piece],
    covered: f64,
) -> Reading {
    let mut reading = uncovered(channel);
    reading.covered = if covered > WHOLE_COVER { 1.0 } else { covered };
    for piece in pieces {
        match reading.parts.last_mut() {
            Some(last) if (piece.stretch.low_hz - last.high_hz).abs() < 1.0 => {
                last.high_hz = piece.stretch.high_hz
            }
            _ => reading.parts.push(Part {
                low_hz: piece.stretch.low_hz,
                high_hz: piece.stretch.high_hz,
            }),
        }
    }
    if reading.covered < 1.0 {
        reading.health.push(Health::Partial { covered });
    }
    let mut clipped = false;
    for piece in pieces {
        let tuning_mhz = piece.tuning.centre_hz / 1e6;
        let clipping = piece.tuning.amplitude.clipping();
        if clipping.clipped {
            clipped = true;
            reading.health.push(Health::Clipped {
                tuning_mhz,
                fraction: clipping.fraction,
            });
        }
        if let Some(steps) = piece
            .tuning
            .amplitude
            .drive_lsb_rms()
            .filter(|&steps| steps < WEAK_DRIVE_STEPS)
        {
            reading.health.push(Health::WeakDrive {
                tuning_mhz,
                lsb_rms: steps,
            });
        }
    }
    if clipped {
        return reading;
    }

    let power = summed(survey, &noise.flat, pieces);
    reading.power = Some(power);
    let Some((noise, type_b, source)) = noise.of_pieces(pieces, survey.about.sample_rate.0) else {
        return reading;
    };
    let value = power.value - noise.value;
    let statistical = power.standard_error.hypot(noise.standard_error);
    let degrees_of_freedom = welch_satterthwaite([
        (power.standard_error, power.degrees_of_freedom),
        (noise.standard_error, noise.degrees_of_freedom),
    ]);
    let combined = statistical.hypot(type_b);
    let degrees_combined =
        welch_satterthwaite([(statistical, degrees_of_freedom), (type_b, f64::INFINITY)]);
    reading.noise = Some(noise);
    reading.noise_source = Some(source);
    reading.noise_type_b = type_b;
    reading.signal = Some(Estimate {
        value,
        standard_error: statistical,
        degrees_of_freedom,
    });
    reading.found = value > student_upper_quantile(FALSE_ALARM, degrees_combined) * combined;
    match source {
        NoiseSource::Terminated | NoiseSource::TerminatedElsewhere => {}
        NoiseSource::VacantChannels => reading.health.push(Health::NoiseEstimated),
        NoiseSource::QuietestStretch => reading.health.push(Health::NoiseUnknown),
    }
    if !reading.found {
        let reach = student_upper_quantile(1.0 - BOUND_CONFIDENCE, degrees_combined) * combined;
        reading.signal_upper = Some(value.max(0.0) + reach);
    }
    let threshold = reading
        .standard
        .and_then(|standard| thresholds.get(standard, PathClass::Gaussian));
    reading.threshold_db = threshold.map(|threshold| threshold.cn_db);
    reading.state = match (reading.found, reading.cn_db(), reading.threshold_db) {
        // Where noise can't be told from signal, an empty channel can't be told from a full one.
        (false, ..) if source == NoiseSource::QuietestStretch => None,
        (false, ..) => Some(State::Vacant),
        (true, Some(cn), Some(threshold)) => Some(State::from_margin(cn - threshold)),
        (true, ..) => Some(State::Trace),
    };
    reading
}

/// Drive below which rounding hides the noise, in steps rms on one rail (method: "under 1 LSB").
const WEAK_DRIVE_STEPS: f64 = 1.0;
