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

use std::f64::consts::{LN_10, PI, TAU};

use num_complex::Complex;
use rustfft::FftPlanner;

use super::pilot::PILOT_ABOVE_EDGE_HZ;
use crate::channels::PathClass;

/// Width to which the density is averaged before it is turned into dB, in hertz.
pub const RESOLUTION_HZ: f64 = 30e3;

/// Longest echo looked for, in seconds. The pilots of OFDM give ripples of their own from about 37 µs on.
pub const LONGEST_ECHO_S: f64 = 30e-6;

/// Weakest ripple called an echo, as a/(1 + a²): −30 dB, or 0.26 dB of ripple. Less may be the receiver's own passband,
/// repeated tuning after tuning.
pub const WEAKEST_ECHO: f64 = 0.03;

/// The chance of calling noise an echo, per channel, that [`echo`] allows.
pub const FALSE_ALARM: f64 = 1e-3;

/// [`ChannelDensity::bin_spread`] of neighbouring bins with the Hann window: N Σw⁴/(Σw²)² = 35/18.
pub const HANN_BIN_SPREAD: f64 = 35.0 / 18.0;

const DB: f64 = 10.0 / LN_10;

/// Width to which the density is averaged before an echo is looked for: fine enough for [`LONGEST_ECHO_S`].
const ECHO_RESOLUTION_HZ: f64 = 5e3;

/// After noise is subtracted a group of points must be this well known, or groups are made wider.
const LARGEST_SPREAD: f64 = 0.15;

const FEWEST_POINTS: usize = 16;

/// A channel's power spectral density on an even grid.
#[derive(Debug, Clone, Copy)]
pub struct ChannelDensity<'a> {
    /// Middle of the first point in hertz above the channel's lower edge, the receiver's frequency error taken off.
    pub first_hz: f64,
    /// Distance between points in hertz.
    pub step_hz: f64,
    /// Density, linear, noise included, in any unit; not finite where the spectrum has a gap.
    pub density: &'a [f64],
    /// Effective number of independent averages in a point.
    pub averages: f64,
    /// By how much the variance of a mean over many neighbouring points exceeds that of independent ones:
    /// [`HANN_BIN_SPREAD`], or 1.
    pub bin_spread: f64,
    /// The noise, where it is known.
    pub noise: Option<NoiseDensity<'a>>,
}

/// Noise density on the grid of a [`ChannelDensity`].
#[derive(Debug, Clone, Copy)]
pub struct NoiseDensity<'a> {
    /// Density, linear, in the channel's unit, point for point.
    pub density: &'a [f64],
    /// Effective number of independent averages in a point; may be infinite.
    pub averages: f64,
}

/// The shape in which a channel is transmitted, in hertz above its lower edge.
#[derive(Debug, Clone, Copy, PartialEq)]
pub enum Transmitted {
    /// 8-VSB in 6 MHz: root-raised cosine, used down to its half-power points, the pilot's surroundings left out.
    Vsb8,
    /// Flat between two frequencies, as OFDM is.
    Flat {
        /// Lower end of the occupied width.
        low_hz: f64,
        /// Upper end of the occupied width.
        high_hz: f64,
    },
}

impl Transmitted {
    /// The stretch that is used.
    fn stretch(self) -> (f64, f64) {
        match self {
            // 100 kHz beside the pilot leave room for a deliberate offset and an uncorrected receiver.
            Transmitted::Vsb8 => (PILOT_ABOVE_EDGE_HZ + 100e3, 6e6 - PILOT_ABOVE_EDGE_HZ),
            Transmitted::Flat { low_hz, high_hz } => (low_hz, high_hz),
        }
    }

    /// Transmitted power density relative to that in the middle.
    ///
    /// Source: the root-raised cosine's square, ATSC A/53 Part 2; half at the Nyquist width of 1539/286 MHz.
    pub fn relative(self, hz: f64) -> f64 {
        match self {
            Transmitted::Vsb8 => {
                let nyquist_hz = 1539e6 / 286.0;
                let slope_hz = 6e6 - nyquist_hz;
                let into_slope = ((hz - 3e6).abs() - (nyquist_hz - slope_hz) / 2.0) / slope_hz;
                0.5 + 0.5 * (PI * into_slope.clamp(0.0, 1.0)).cos()
            }
            Transmitted::Flat { low_hz, high_hz } => {
                if (low_hz..high_hz).contains(&hz) {
                    1.0
                } else {
                    0.0
                }
            }
        }
    }
}

/// The shape of one channel's spectrum.
#[derive(Debug, Clone, Copy, PartialEq)]
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

/// An echo, seen as a regular ripple.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Echo {
    /// Delay between the paths in seconds; which comes first is not known.
    pub delay_s: f64,
    /// Its standard error in seconds.
    pub delay_standard_error_s: f64,
    /// Level of the weaker path relative to the stronger in dB, 0 or below.
    pub level_db: f64,
    /// The chance that noise alone gives so high a line at any delay, at most [`FALSE_ALARM`].
    pub false_alarm: f64,
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

/// Standard deviation in dB of a mean of `averages` independent exponential powers: (10/ln 10)·√ψ′(K).
pub fn finite_average_spread_db(averages: f64) -> f64 {
    DB * trigamma(averages).sqrt()
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
            && median_of(&groups, Group::spread) < LARGEST_SPREAD;
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
    let sigma_sp_standard_error_db =
        variance_error / (2.0 * sigma_sp_db).max(variance_error.sqrt());
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

/// The strongest regular ripple as an echo; `None` where nothing stands out of the noise by so much that noise alone
/// would do it in fewer than one channel in a thousand, or the ripple is under [`WEAKEST_ECHO`].
///
/// Delays from twice the inverse of the stretch used (0.38 µs for 8-VSB) to [`LONGEST_ECHO_S`] are looked at.
pub fn echo(channel: &ChannelDensity, transmitted: Transmitted) -> Option<Echo> {
    let groups = Group::all(channel, transmitted, ECHO_RESOLUTION_HZ)?;
    if groups.len() < 4 * FEWEST_POINTS {
        return None;
    }
    let (first, last) = (groups.first()?, groups.last()?);
    let step_hz = first.points as f64 * channel.step_hz;
    let count = ((last.hz - first.hz) / step_hz).round() as usize + 1;
    let stretch_hz = count as f64 * step_hz;

    // Relative to the straight line through the density, windowed; gaps stay at zero.
    let line = StraightLine::through(&groups);
    let length = (4 * count).next_power_of_two();
    let mut transform = vec![Complex::new(0.0, 0.0); length];
    let (mut window_sum, mut expected_floor) = (0.0, 0.0);
    for g in &groups {
        let n = ((g.hz - first.hz) / step_hz).round();
        let w = 0.5 - 0.5 * (TAU * (n + 0.5) / count as f64).cos();
        let trend = line.at(g.hz);
        if trend <= 0.0 {
            return None;
        }
        transform[(n as usize).min(count - 1)].re = w * (g.power / trend - 1.0);
        window_sum += w;
        expected_floor += (w * g.error / trend).powi(2);
    }
    FftPlanner::new()
        .plan_fft_forward(length)
        .process(&mut transform);
    let power: Vec<f64> = transform.iter().map(Complex::norm_sqr).collect();

    let delay_step_s = 1.0 / (length as f64 * step_hz);
    let shortest = (2.0 / stretch_hz / delay_step_s).ceil() as usize;
    let longest = ((LONGEST_ECHO_S.min(0.4 / step_hz)) / delay_step_s) as usize;
    let searched = power.get(shortest..=longest)?;
    // The floor is what averaging leaves by itself, or what the spectrum shows if that is more. The shown one is a
    // median of exponentials, whose variance is 1/ln²2 that of their mean, over cells of the Hann window.
    let cells = (longest - shortest) as f64 * delay_step_s * stretch_hz / HANN_BIN_SPREAD;
    let shape = cells * std::f64::consts::LN_2.powi(2);
    let floor = expected_floor.max(median(searched.to_vec()) / std::f64::consts::LN_2);
    let (at, &peak) = searched
        .iter()
        .enumerate()
        .max_by(|a, b| a.1.total_cmp(b.1))?;
    let at = at + shortest;
    let false_alarm = (searched.len() as f64 * (1.0 + peak / floor / shape).powf(-shape)).min(1.0);

    let (below, above) = (power[at - 1].ln(), power[at + 1].ln());
    let bend = below - 2.0 * peak.ln() + above;
    let aside = if bend < 0.0 {
        ((below - above) / (2.0 * bend)).clamp(-1.0, 1.0)
    } else {
        0.0
    };
    let delay_s = (at as f64 + aside) * delay_step_s;
    let top = (peak.ln() - (below - above) * aside / 4.0).exp();
    let smoothed = {
        let turns = PI * delay_s * step_hz;
        turns.sin() / turns
    };
    let squared = ((top - floor) / (window_sum * smoothed).powi(2)).max(0.0);
    let ripple = squared.sqrt().min(0.5);
    if false_alarm > FALSE_ALARM || ripple < WEAKEST_ECHO {
        return None;
    }
    let amplitude = (1.0 - (1.0 - 4.0 * ripple * ripple).sqrt()) / (2.0 * ripple);
    // As for a line's frequency: ∫w²t² and ∫w t² of the Hann window of length 1 in closed form.
    let (w2t2, wt2) = (
        1.0 / 32.0 - 15.0 / (64.0 * PI * PI),
        1.0 / 24.0 - 1.0 / (4.0 * PI * PI),
    );
    let per_line = floor / (top - floor) / 1.5;
    let delay_standard_error_s =
        (per_line * w2t2 / (8.0 * PI * PI * wt2 * wt2)).sqrt() / stretch_hz;
    Some(Echo {
        delay_s,
        delay_standard_error_s,
        level_db: 2.0 * DB * amplitude.ln(),
        false_alarm,
    })
}

/// Neighbouring points averaged: signal density over the transmitted shape, and its standard error.
struct Group {
    hz: f64,
    points: usize,
    power: f64,
    error: f64,
    /// Averages, where no noise was subtracted.
    averages: Option<f64>,
}

impl Group {
    /// Whole groups about `width_hz` wide within the stretch used, ascending; `None` from a senseless grid.
    fn all(
        channel: &ChannelDensity,
        transmitted: Transmitted,
        width_hz: f64,
    ) -> Option<Vec<Group>> {
        let sensible = channel.step_hz > 0.0 && channel.averages > 0.0 && channel.bin_spread >= 1.0;
        let noise_fits = channel
            .noise
            .is_none_or(|n| n.density.len() == channel.density.len() && n.averages > 0.0);
        if !sensible || !noise_fits || !width_hz.is_finite() {
            return None;
        }
        let (low_hz, high_hz) = transmitted.stretch();
        let from = ((low_hz - channel.first_hz) / channel.step_hz)
            .ceil()
            .max(0.0) as usize;
        let to = (((high_hz - channel.first_hz) / channel.step_hz).floor() + 1.0).max(0.0) as usize;
        let to = to.min(channel.density.len());
        let points = ((width_hz / channel.step_hz).round() as usize).max(1);
        let gain = points as f64 / (1.0 + (channel.bin_spread - 1.0) * (1.0 - 1.0 / points as f64));
        let group = |start: usize| {
            let (mut power, mut noise, mut signal, mut variance) = (0.0, 0.0, 0.0, 0.0);
            for i in start..start + points {
                let sent = transmitted.relative(channel.first_hz + i as f64 * channel.step_hz);
                let n = channel.noise.map_or(0.0, |n| n.density[i]);
                power += channel.density[i];
                noise += n;
                signal += (channel.density[i] - n) / sent;
                variance += 1.0 / (sent * sent);
            }
            let m = points as f64;
            let (power, noise) = (power / m, noise / m);
            let noise_averages = channel.noise.map_or(f64::INFINITY, |n| n.averages);
            let error = (power * power / channel.averages + noise * noise / noise_averages) / gain
                * variance
                / m;
            Group {
                hz: channel.first_hz + (start as f64 + (m - 1.0) / 2.0) * channel.step_hz,
                points,
                power: signal / m,
                error: error.sqrt(),
                averages: channel.noise.is_none().then_some(channel.averages * gain),
            }
        };
        let starts = (from..to)
            .step_by(points)
            .filter(|start| start + points <= to);
        Some(
            starts
                .map(group)
                .filter(|g| g.power.is_finite() && g.error > 0.0)
                .collect(),
        )
    }

    /// Relative standard error.
    fn spread(&self) -> f64 {
        self.error / self.power.max(self.error)
    }

    fn own_variance_db(&self) -> f64 {
        match self.averages {
            Some(averages) => finite_average_spread_db(averages).powi(2),
            None => (DB * self.spread()).powi(2),
        }
    }
}

struct StraightLine {
    middle_hz: f64,
    mean: f64,
    slope: f64,
}

impl StraightLine {
    fn through(groups: &[Group]) -> Self {
        let n = groups.len() as f64;
        let middle_hz = groups.iter().map(|g| g.hz).sum::<f64>() / n;
        let mean = groups.iter().map(|g| g.power).sum::<f64>() / n;
        let moment = groups
            .iter()
            .map(|g| (g.hz - middle_hz).powi(2))
            .sum::<f64>();
        let slope = groups
            .iter()
            .map(|g| (g.hz - middle_hz) * (g.power - mean))
            .sum::<f64>()
            / moment;
        // A deep notch at one end could tilt the line below zero at the other: keep it above a fifth of the mean.
        let reach = groups
            .iter()
            .map(|g| (g.hz - middle_hz).abs())
            .fold(f64::MIN_POSITIVE, f64::max);
        let steepest = 0.8 * mean.abs() / reach;
        StraightLine {
            middle_hz,
            mean,
            slope: slope.clamp(-steepest, steepest),
        }
    }

    fn at(&self, hz: f64) -> f64 {
        self.mean + self.slope * (hz - self.middle_hz)
    }
}

/// The derivative of the digamma function, by its recurrence and asymptotic series (relative error under 1e-9).
fn trigamma(x: f64) -> f64 {
    let (mut x, mut sum) = (x, 0.0);
    while x < 12.0 {
        sum += 1.0 / (x * x);
        x += 1.0;
    }
    let y = 1.0 / (x * x);
    sum + 1.0 / x + y / 2.0 + y / x * (1.0 / 6.0 - y * (1.0 / 30.0 - y * (1.0 / 42.0 - y / 30.0)))
}

fn median_of(groups: &[Group], value: impl Fn(&Group) -> f64) -> f64 {
    median(groups.iter().map(value).collect())
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
    fn the_spread_of_a_finite_average_matches_the_handbook() {
        // (10/ln 10)·√ψ′(K), recomputed in double precision: K independent averages, standard deviation in dB.
        for (averages, db) in [
            (1.0, 5.570),
            (4.0, 2.314),
            (10.0, 1.408),
            (20.0, 0.983),
            (100.0, 0.435),
            (1000.0, 0.137),
        ] {
            assert!(
                (finite_average_spread_db(averages) - db).abs() < 0.0006,
                "K = {averages}"
            );
        }
        assert!(
            (trigamma(1.0) - PI * PI / 6.0).abs() < 1e-9
                && (trigamma(0.5) - PI * PI / 2.0).abs() < 1e-8
        );
    }

    #[test]
    fn the_transmitted_8_vsb_is_half_at_the_pilot_and_ends_at_the_edges() {
        assert!((Transmitted::Vsb8.relative(PILOT_ABOVE_EDGE_HZ) - 0.5).abs() < 1e-9);
        assert!((Transmitted::Vsb8.relative(6e6 - PILOT_ABOVE_EDGE_HZ) - 0.5).abs() < 1e-9);
        assert!(
            Transmitted::Vsb8.relative(0.0).abs() < 1e-12
                && Transmitted::Vsb8.relative(6e6).abs() < 1e-12
        );
        assert_eq!(Transmitted::Vsb8.relative(0.619e6), 1.0);
        assert!(Transmitted::Vsb8.relative(0.618e6) < 1.0);
    }

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
