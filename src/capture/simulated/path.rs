//! What lies between one transmitter and the receiver's input: power at the spot, echoes, antenna, connector; and fading.

use std::f64::consts::TAU;

use num_complex::Complex;
use rand::RngExt;
use rand_distr::StandardNormal;

use super::random::{Purpose, generator};
use super::scene::{Antenna, Point, Transmitter};
use super::waveform::{Waveform, phasor};
use crate::units::db_to_ratio;

/// The path from one transmitter into the receiver.
///
/// The stated power of a transmitter is all that arrives, echoes included: echoes shape the spectrum and leave the
/// total alone.
pub(super) struct Path {
    reference_hz: f64,
    level: f64,
    gain: Vec<Point>,
    pattern_db: f64,
    /// Delay in seconds, and amplitude at the middle of the band.
    echoes: Vec<(f64, Complex<f64>)>,
    middle_hz: f64,
}

impl Path {
    /// `turned_deg` is how far the antenna is turned from the way it looks in the scene; `extra_db` is the spot's
    /// offset and whatever else raises the level. No antenna means gain 0 dB.
    pub(super) fn new(
        transmitter: &Transmitter,
        waveform: &Waveform,
        antenna: Option<&Antenna>,
        turned_deg: f64,
        extra_db: f64,
    ) -> Self {
        let (low, high) = waveform.band_hz();
        let mut path = Path {
            reference_hz: transmitter.low_mhz * 1e6
                + waveform.reference_hz()
                + transmitter.frequency_offset_hz,
            level: 1.0,
            gain: antenna.map_or_else(Vec::new, |antenna| antenna.gain.clone()),
            pattern_db: antenna.map_or(0.0, |antenna| {
                periodic(
                    &antenna.pattern,
                    transmitter.bearing_deg - antenna.look_deg - turned_deg,
                )
            }),
            echoes: transmitter
                .echoes
                .iter()
                .map(|echo| {
                    (
                        echo.delay_us * 1e-6,
                        Complex::from_polar(
                            db_to_ratio(echo.level_db).sqrt(),
                            echo.phase_deg.to_radians(),
                        ),
                    )
                })
                .collect(),
            middle_hz: (low + high) / 2.0,
        };
        let echoes = waveform.weighted(|f_hz| path.echo_power(f_hz));
        path.level =
            (db_to_ratio(transmitter.power_dbfs + extra_db) / waveform.power() / echoes).sqrt();
        path
    }

    /// Radio frequency of native 0 Hz.
    pub(super) fn reference_hz(&self) -> f64 {
        self.reference_hz
    }

    pub(super) fn longest_echo_s(&self) -> f64 {
        self.echoes.iter().map(|echo| echo.0).fold(0.0, f64::max)
    }

    /// Amplitude at `f_hz` from native 0 Hz, without the echoes: smooth in frequency.
    pub(super) fn amplitude(&self, f_hz: f64) -> f64 {
        let gain_db = interpolated(&self.gain, (self.reference_hz + f_hz) / 1e6) + self.pattern_db;
        self.level * db_to_ratio(gain_db).sqrt()
    }

    /// Each echo at `f_hz`, and the factor that takes it `step_hz` further.
    pub(super) fn echo_steps(&self, f_hz: f64, step_hz: f64) -> Vec<(Complex<f64>, Complex<f64>)> {
        self.echoes
            .iter()
            .map(|&(delay_s, level)| {
                (
                    level * phasor(-(f_hz - self.middle_hz) * delay_s),
                    phasor(-step_hz * delay_s),
                )
            })
            .collect()
    }

    fn echo_power(&self, f_hz: f64) -> f64 {
        let direct = Complex::new(1.0, 0.0);
        self.echoes
            .iter()
            .fold(direct, |sum, &(delay_s, level)| {
                sum + level * phasor(-(f_hz - self.middle_hz) * delay_s)
            })
            .norm_sqr()
    }

    /// Mean |x|² that arrives of the whole signal, before fading, drift and the receiver's passband.
    pub(super) fn power(&self, waveform: &Waveform) -> f64 {
        waveform.power()
            * waveform.weighted(|f_hz| self.echo_power(f_hz) * self.amplitude(f_hz).powi(2))
    }
}

/// The value in dB at `x`, straight between points (ascending), level beyond the first and last; 0 without any.
fn interpolated(points: &[Point], x: f64) -> f64 {
    let after = points.partition_point(|point| point.0 <= x);
    match (
        after.checked_sub(1).and_then(|before| points.get(before)),
        points.get(after),
    ) {
        (Some(a), Some(b)) => a.1 + (b.1 - a.1) * (x - a.0) / (b.0 - a.0),
        (Some(only), None) | (None, Some(only)) => only.1,
        (None, None) => 0.0,
    }
}

/// The value in dB at an angle, straight between points, once round: points are within 0 ≤ angle < 360, ascending.
fn periodic(points: &[Point], angle_deg: f64) -> f64 {
    let (Some(first), Some(last)) = (points.first(), points.last()) else {
        return 0.0;
    };
    let angle = angle_deg.rem_euclid(360.0);
    let mut round = vec![Point(last.0 - 360.0, last.1)];
    round.extend_from_slice(points);
    round.push(Point(first.0 + 360.0, first.1));
    interpolated(&round, angle)
}

/// Slow fading of one transmitter: a level in dB that wanders with time, the same for whoever listens.
///
/// A sum of cosines with random phases and normally distributed frequencies; its autocorrelation is
/// exp(−(τ/correlation)²/2), its standard deviation `sigma_db`.
#[derive(Debug, Clone)]
pub(super) struct Fading {
    /// Amplitude of each component in dB.
    amplitude_db: f64,
    /// Turns a second, and turns at the epoch.
    components: Vec<(f64, f64)>,
}

impl Fading {
    const COMPONENTS: usize = 32;

    pub(super) fn new(seed: u64, stream: u64, sigma_db: f64, correlation_s: f64) -> Self {
        let mut random = generator(seed, Purpose::Fading, stream);
        let components = (0..Self::COMPONENTS)
            .map(|_| {
                let speed: f64 = random.sample(StandardNormal);
                (speed / TAU / correlation_s, random.random::<f64>())
            })
            .collect();
        Fading {
            amplitude_db: sigma_db * (2.0 / Self::COMPONENTS as f64).sqrt(),
            components,
        }
    }

    /// The level at `time_s` after the epoch, in dB.
    pub(super) fn at(&self, time_s: f64) -> f64 {
        let sum: f64 = self
            .components
            .iter()
            .map(|(speed, start)| phasor(speed * time_s + start).re)
            .sum();
        self.amplitude_db * sum
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn gains_lie_straight_between_points_and_level_beyond() {
        let points = [Point(470.0, -2.0), Point(530.0, 4.0)];
        assert_eq!(interpolated(&points, 400.0), -2.0);
        assert_eq!(interpolated(&points, 500.0), 1.0);
        assert_eq!(interpolated(&points, 600.0), 4.0);
        assert_eq!(interpolated(&[], 600.0), 0.0);
    }

    #[test]
    fn patterns_close_round_the_circle() {
        let points = [
            Point(0.0, 0.0),
            Point(90.0, -9.0),
            Point(180.0, -20.0),
            Point(270.0, -9.0),
        ];
        for (angle, db) in [
            (0.0, 0.0),
            (45.0, -4.5),
            (-45.0, -4.5),
            (315.0, -4.5),
            (720.0, 0.0),
            (-180.0, -20.0),
        ] {
            assert!((periodic(&points, angle) - db).abs() < 1e-12, "{angle}");
        }
        assert_eq!(periodic(&[Point(30.0, -3.0)], 200.0), -3.0);
    }

    #[test]
    fn fading_has_the_spread_and_correlation_stated() {
        // Over 400 transmitters rather than over time: each is one draw of the process.
        let draws: Vec<(f64, f64, f64)> = (0..400)
            .map(|stream| {
                let fading = Fading::new(9, stream, 2.0, 30.0);
                (
                    fading.at(1000.0),
                    fading.at(1030.0),
                    fading.at(1000.0 + 1e-6),
                )
            })
            .collect();
        let mean = |f: &dyn Fn(&(f64, f64, f64)) -> f64| {
            draws.iter().map(f).sum::<f64>() / draws.len() as f64
        };
        let variance = mean(&|d| d.0 * d.0);
        // Standard deviation of a variance from 400 draws: 4·√(2/400) = 0.28.
        assert!((variance - 4.0).abs() < 0.9, "{variance}");
        let correlation = mean(&|d| d.0 * d.1) / variance;
        assert!(
            (correlation - (-0.5f64).exp()).abs() < 0.13,
            "{correlation}"
        );
        assert!(draws.iter().all(|d| (d.0 - d.2).abs() < 1e-5));
    }
}
