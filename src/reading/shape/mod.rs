//! What the path did to one channel's spectrum: σ_sp, tilt, ripple, notch, and an echo where a regular ripple shows one.
//!
//! Everything starts from a power spectral density, each of whose points is the mean of a known number of effective
//! averages. The density is freed of noise where that is known, divided by the shape that was transmitted, averaged
//! (linearly) to about [`RESOLUTION_HZ`], and only then turned into dB. The spread that a finite average has by itself
//! is taken off the standard deviations, in quadrature: (10/ln 10)·√ψ′(K) for K averages, ψ′ being the trigamma
//! function, or to first order (10/ln 10)·√(P²/K + N²/K_N)/(P − N) where noise N was subtracted from power P.
//!
//! An echo of amplitude a at delay τ multiplies the density by 1 + a² + 2a cos(2πfτ + φ), so that the autocorrelation
//! has a peak of a/(1 + a²) at τ. It can't be told whether the weaker path comes first or last, nor which is weaker.
//! With several echoes the strongest line is reported as if it were alone.
//!
//! Sources: σ_sp, the standard deviation of the spectral amplitudes, is defined in Recommendation ITU-R SM.1875; its
//! classes are quoted from memory, so they choose a default and nothing finer should rest on them. Spread of dB:
//! standard deviation of the logarithm of a gamma variable. 8-VSB's shape: ATSC A/53 Part 2, root-raised cosine of
//! roll-off 0.115 around the middle of 6 MHz.

use std::f64::consts::LN_10;

use serde::{Deserialize, Serialize};

use super::pilot::PILOT_ABOVE_EDGE_HZ;
use crate::channels::PathClass;

mod density;
mod echo;

use density::Group;
pub use density::{
    ChannelDensity, HANN_BIN_SPREAD, NoiseDensity, Transmitted, finite_average_spread_db,
};
pub use echo::{
    Echo, FALSE_ALARM, LARGEST_PASSBAND_RIPPLE, LONGEST_ECHO_S, Regular, WEAKEST_ECHO, echo,
    echo_beside,
};

/// Width to which the density is averaged before it is turned into dB, in hertz.
pub const RESOLUTION_HZ: f64 = 30e3;

const DB: f64 = 10.0 / LN_10;

/// After noise is subtracted a group of points must be this well known, or groups are made wider.
const LARGEST_SPREAD: f64 = 0.15;

const FEWEST_POINTS: usize = 16;

/// The shape of one channel's spectrum.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
pub struct Shape {
    /// σ_sp: standard deviation of the spectral amplitudes in dB, finite averaging taken off; 0 where nothing is left.
    pub sigma_sp_db: f64,
    /// Its standard error in dB, from finite averaging.
    pub sigma_sp_standard_error_db: f64,
    /// The class that σ_sp suggests.
    pub class: PathClass,
    /// Tilt across the stretch in dB, positive where the upper end is stronger.
    pub tilt_db: f64,
    /// Its standard error in dB; the ripple counts as scatter.
    pub tilt_standard_error_db: f64,
    /// Ripple in dB rms, the tilt and finite averaging taken off.
    pub ripple_db: f64,
    /// Deepest point relative to the median in dB, 0 or below.
    pub notch_db: f64,
    /// Where that is, in hertz above the channel's lower edge.
    pub notch_hz: f64,
    /// Lower end of the stretch that was used, in hertz above the channel's lower edge.
    pub low_hz: f64,
    /// Upper end of it.
    pub high_hz: f64,
    /// Width to which the density was averaged, in hertz.
    pub resolution_hz: f64,
}

/// The class of a path by σ_sp in dB: Gaussian to 1 dB, Ricean to 3 dB, Rayleigh above.
///
/// Source: the classes of Recommendation ITU-R SM.1875, quoted from memory.
pub fn class_of(sigma_sp_db: f64) -> PathClass {
    if sigma_sp_db <= 1.0 {
        PathClass::Gaussian
    } else if sigma_sp_db <= 3.0 {
        PathClass::Ricean
    } else {
        PathClass::Rayleigh
    }
}

/// The shape of a channel's spectrum; `None` where fewer than 16 points of [`RESOLUTION_HZ`] (wider where the noise
/// asks for it) are covered, or the signal is too far under the noise.
pub fn shape(channel: &ChannelDensity, transmitted: Transmitted) -> Option<Shape> {
    let mut width_hz = RESOLUTION_HZ;
    loop {
        let groups = Group::all(channel, transmitted, width_hz)?;
        if groups.len() < FEWEST_POINTS {
            return None;
        }
        let known = groups.iter().map(|g| g.power).sum::<f64>() > 0.0
            && median(groups.iter().map(Group::spread).collect()) < LARGEST_SPREAD;
        if known {
            return Some(describe(&groups, channel.step_hz, width_hz));
        }
        width_hz *= 2.0;
    }
}

fn describe(groups: &[Group], step_hz: f64, width_hz: f64) -> Shape {
    let n = groups.len() as f64;
    let levels: Vec<f64> = groups
        .iter()
        .map(|g| DB * g.power.max(g.error).ln())
        .collect();
    let own_variance = groups.iter().map(|g| g.own_variance_db()).sum::<f64>() / n;
    let mean_hz = groups.iter().map(|g| g.hz).sum::<f64>() / n;
    let mean_db = levels.iter().sum::<f64>() / n;
    let moment = groups.iter().map(|g| (g.hz - mean_hz).powi(2)).sum::<f64>();
    let slope = groups
        .iter()
        .zip(&levels)
        .map(|(g, y)| (g.hz - mean_hz) * (y - mean_db))
        .sum::<f64>()
        / moment;
    let about_mean = levels.iter().map(|y| (y - mean_db).powi(2)).sum::<f64>();
    let about_line = groups
        .iter()
        .zip(&levels)
        .map(|(g, y)| (y - mean_db - slope * (g.hz - mean_hz)).powi(2))
        .sum::<f64>();

    let sigma_sp_db = (about_mean / (n - 1.0) - own_variance).max(0.0).sqrt();
    // The channel being fixed, a sample variance has the variance (4σ²c² + 2c⁴)/n, c² that of a point by itself.
    let variance_error =
        ((4.0 * sigma_sp_db.powi(2) * own_variance + 2.0 * own_variance.powi(2)) / n).sqrt();
    let scale = (2.0 * sigma_sp_db).max(variance_error.sqrt());
    let sigma_sp_standard_error_db = if scale > 0.0 {
        variance_error / scale
    } else {
        0.0
    };
    let median_db = median(levels.clone());
    let (deepest, notch_db) = levels
        .iter()
        .map(|y| y - median_db)
        .enumerate()
        .fold((0, 0.0), |a, b| if b.1 < a.1 { b } else { a });
    let half_hz = groups
        .first()
        .map_or(0.0, |g| g.points as f64 * step_hz / 2.0);
    let low_hz = groups.first().map_or(0.0, |g| g.hz - half_hz);
    let high_hz = groups.last().map_or(0.0, |g| g.hz + half_hz);
    Shape {
        sigma_sp_db,
        sigma_sp_standard_error_db,
        class: class_of(sigma_sp_db),
        tilt_db: slope * (high_hz - low_hz),
        tilt_standard_error_db: (about_line / (n - 2.0) / moment).sqrt() * (high_hz - low_hz),
        ripple_db: (about_line / (n - 2.0) - own_variance).max(0.0).sqrt(),
        notch_db,
        notch_hz: groups[deepest].hz,
        low_hz,
        high_hz,
        resolution_hz: width_hz.max(step_hz),
    }
}

/// The middle value; of an even number the upper one.
fn median(mut values: Vec<f64>) -> f64 {
    let middle = values.len() / 2;
    *values.select_nth_unstable_by(middle, f64::total_cmp).1
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn classes_change_at_1_and_3_db() {
        use PathClass::{Gaussian, Rayleigh, Ricean};
        let classes = [0.0, 1.0, 1.01, 3.0, 3.01].map(class_of);
        assert_eq!(classes, [Gaussian, Gaussian, Ricean, Ricean, Rayleigh]);
    }

    #[test]
    fn a_senseless_or_short_spectrum_has_no_shape() {
        let density = vec![1.0; 3000];
        let whole = ChannelDensity {
            first_hz: 0.0,
            step_hz: 2e3,
            density: &density,
            averages: 50.0,
            bin_spread: 1.0,
            noise: None,
        };
        assert!(shape(&whole, Transmitted::Vsb8).is_some());
        assert_eq!(
            shape(
                &ChannelDensity {
                    step_hz: 0.0,
                    ..whole
                },
                Transmitted::Vsb8
            ),
            None
        );
        assert_eq!(
            shape(
                &ChannelDensity {
                    first_hz: 5.3e6,
                    ..whole
                },
                Transmitted::Vsb8
            ),
            None
        );
        assert_eq!(
            shape(
                &ChannelDensity {
                    first_hz: f64::NAN,
                    step_hz: f64::NAN,
                    ..whole
                },
                Transmitted::Vsb8
            ),
            None
        );
        let gap = vec![f64::NAN; 3000];
        assert_eq!(
            shape(
                &ChannelDensity {
                    density: &gap,
                    ..whole
                },
                Transmitted::Vsb8
            ),
            None
        );
        assert_eq!(
            echo(
                &ChannelDensity {
                    density: &gap,
                    ..whole
                },
                Transmitted::Vsb8
            ),
            None
        );
        let noise = NoiseDensity {
            density: &density[1..],
            averages: 50.0,
        };
        assert_eq!(
            shape(
                &ChannelDensity {
                    noise: Some(noise),
                    ..whole
                },
                Transmitted::Vsb8
            ),
            None
        );
    }
}
