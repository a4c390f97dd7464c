//! A channel's density as it comes in, the shape it was transmitted in, and points averaged into groups.

use std::f64::consts::PI;

use super::{DB, PILOT_ABOVE_EDGE_HZ};

/// [`ChannelDensity::bin_spread`] of neighbouring bins with the Hann window: N Σw⁴/(Σw²)² = 35/18.
pub const HANN_BIN_SPREAD: f64 = 35.0 / 18.0;

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

/// Standard deviation in dB of a mean of `averages` independent exponential powers: (10/ln 10)·√ψ′(K).
pub fn finite_average_spread_db(averages: f64) -> f64 {
    DB * trigamma(averages).sqrt()
}

/// Neighbouring points averaged: signal density over the transmitted shape, and its standard error.
pub(super) struct Group {
    pub hz: f64,
    pub points: usize,
    pub power: f64,
    pub error: f64,
    /// Averages, where no noise was subtracted.
    pub averages: Option<f64>,
}

impl Group {
    /// Whole groups about `width_hz` wide within the stretch used, ascending; `None` from a senseless grid.
    pub fn all(
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
    pub fn spread(&self) -> f64 {
        self.error / self.power.max(self.error)
    }

    pub fn own_variance_db(&self) -> f64 {
        match self.averages {
            Some(averages) => finite_average_spread_db(averages).powi(2),
            None => (DB * self.spread()).powi(2),
        }
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
}
