//! Rotations made up for tests: patterns in closed form, and takes of them with errors.

// Each test file uses its own part of this.
#![allow(dead_code)]

use gainsay::reading::{Bearing, Estimate, Reading, Take};
use rand::{RngExt, SeedableRng};
use rand_chacha::ChaCha8Rng;
use rand_distr::StandardNormal;

use crate::takes::{NOISE, reading, take};

/// A power pattern over the angle from its axis in radians, 1 at most.
pub type Power = fn(f64) -> f64;

/// A half-wave dipole in its E plane, the axis across it: cos²(½π sin θ)/cos²θ. Source: Balanis, *Antenna Theory*, the
/// half-wavelength dipole, with the angle from broadside.
pub fn half_wave_dipole(angle: f64) -> f64 {
    let across = angle.cos();
    if across.abs() < 1e-9 {
        return 0.0;
    }
    ((std::f64::consts::FRAC_PI_2 * angle.sin()).cos() / across).powi(2)
}

/// A dipole that is short against the wavelength: cos²θ. Source: Balanis, the infinitesimal dipole.
pub fn short_dipole(angle: f64) -> f64 {
    angle.cos().powi(2)
}

/// A cardioid: amplitude ½(1 + cos θ).
pub fn cardioid(angle: f64) -> f64 {
    ((1.0 + angle.cos()) / 2.0).powi(2)
}

/// The same in all directions.
pub fn omni(_: f64) -> f64 {
    1.0
}

/// Hardly uneven: 0.52 dB between the strongest and the weakest bearing.
pub fn nearly_omni(angle: f64) -> f64 {
    (1.0 + 0.06 * angle.cos()) / 1.06
}

/// A main lobe and two of 2.4 dB less, without a null.
pub fn three_lobes(angle: f64) -> f64 {
    (1.0 + 0.5 * angle.cos() + 0.1 * (2.0 * angle).cos() + 0.5 * (3.0 * angle - 0.2).cos()) / 2.1
}

/// What a rotation is made with.
#[derive(Debug, Clone, Copy)]
pub struct Made {
    /// Bearing of the pattern's axis, in degrees.
    pub axis_deg: f64,
    /// Number of bearings, evenly round.
    pub bearings: usize,
    /// Standard deviation of each take's level in dB.
    pub noise_db: f64,
    /// C/N at the maximum in dB.
    pub cn_db: f64,
    /// Whether the first bearing comes again at the end.
    pub closes: bool,
    /// Drift from beginning to end in dB.
    pub drift_db: f64,
}

impl Made {
    /// Without any error of the level, at a C/N of 40 dB.
    pub fn clean(bearings: usize, axis_deg: f64) -> Made {
        Made {
            axis_deg,
            bearings,
            noise_db: 0.0,
            cn_db: 40.0,
            closes: false,
            drift_db: 0.0,
        }
    }
}

/// A take at a bearing, half a minute after the one before.
pub fn at(bearing_deg: f64, number: usize, readings: Vec<Reading>) -> Take {
    let mut take = take("loop", number as f64 / 2.0, readings);
    take.bearing = Some(Bearing {
        degrees: bearing_deg,
        from: "north".into(),
    });
    take
}

/// A rotation of one antenna whose channels (20, 21 …) have these patterns, all as `made`.
pub fn rotation(patterns: &[Power], made: Made, seed: u64) -> Vec<Take> {
    let mut random = ChaCha8Rng::seed_from_u64(seed);
    let mut normal = || random.sample::<f64, _>(StandardNormal);
    let number = made.bearings + usize::from(made.closes);
    (0..number)
        .map(|n| {
            let bearing = (n % made.bearings) as f64 * 360.0 / made.bearings as f64;
            let time = n as f64 / number.max(2) as f64 - 0.5;
            let readings = (patterns.iter().zip(20..))
                .map(|(power, channel)| {
                    let level_db = made.cn_db + made.drift_db * time + made.noise_db * normal();
                    let angle = (bearing - made.axis_deg).to_radians();
                    let signal = NOISE * 10f64.powf(level_db / 10.0) * power(angle);
                    let mut reading = reading(channel, NOISE + signal, NOISE, 0.0);
                    if made.noise_db > 0.0 {
                        jitter(&mut reading, normal());
                    } else if let Some(signal) = &mut reading.signal {
                        signal.standard_error *= 1e-6;
                    }
                    reading
                })
                .collect();
            at(bearing, n, readings)
        })
        .collect()
}

/// Moves the signal by so many of its standard errors, and finds out anew whether it is found.
fn jitter(reading: &mut Reading, normal: f64) {
    if let Some(Estimate {
        value,
        standard_error,
        ..
    }) = &mut reading.signal
    {
        *value += normal * *standard_error;
        reading.found = *value > 3.0902 * *standard_error;
        reading.signal_upper =
            (!reading.found).then_some(value.max(0.0) + 3.0902 * *standard_error);
    }
}

/// What is true of a pattern, found on a fine grid.
#[derive(Debug, Clone, Copy)]
pub struct Truth {
    /// Angle of the maximum from the axis in degrees.
    pub best_deg: f64,
    /// `None` where it never falls 3 dB.
    pub beamwidth_deg: Option<f64>,
    /// Infinite for a null.
    pub front_to_back_db: f64,
    /// Infinite for a null.
    pub roundness_db: f64,
}

/// By brute force, every hundredth of a degree.
pub fn truth(power: Power) -> Truth {
    const STEPS: usize = 36_000;
    let curve: Vec<f64> = (0..STEPS)
        .map(|n| power((n as f64 / 100.0).to_radians()))
        .collect();
    let most = (0..STEPS).fold(0, |m, n| if curve[n] > curve[m] + 1e-12 { n } else { m });
    let side = |back: bool| {
        (0..STEPS).find(|&n| {
            let at = if back { STEPS - n } else { n };
            curve[(most + at) % STEPS] < curve[most] / 2.0
        })
    };
    let least = curve.iter().copied().fold(f64::INFINITY, f64::min);
    let db = |weak: f64| {
        if weak < 1e-6 * curve[most] {
            f64::INFINITY
        } else {
            -10.0 * (weak / curve[most]).log10()
        }
    };
    Truth {
        best_deg: most as f64 / 100.0,
        beamwidth_deg: (side(false).zip(side(true))).map(|(a, b)| (a + b) as f64 / 100.0),
        front_to_back_db: db(curve[(most + STEPS / 2) % STEPS]),
        roundness_db: db(least),
    }
}
