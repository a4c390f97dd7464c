//! Delays that are no whole number of samples: a short windowed sinc, and correlation at such a lag.
//!
//! Source: the windowed-sinc method, as in T. I. Laakso and others, "Splitting the unit delay", IEEE Signal Processing
//! Magazine 13(1), 1996.

use num_complex::Complex;

use crate::capture::Sample;

/// Taps of the short interpolator.
pub(super) const TAPS: usize = 8;

/// Windowed sinc (Kaiser, by `beta`) that reads between samples: Σ h\[k\]·x\[n + k\] stands for x(n + taps/2 − 1 + fraction).
pub(super) fn interpolator<const N: usize>(fraction: f64, beta: f64) -> [f64; N] {
    let mut h = [0.0; N];
    for (k, tap) in h.iter_mut().enumerate() {
        let t = k as f64 - (N as f64 / 2.0 - 1.0) - fraction;
        let sinc = if t.abs() < 1e-12 {
            1.0
        } else {
            (std::f64::consts::PI * t).sin() / (std::f64::consts::PI * t)
        };
        let edge = (1.0 - (t / (N as f64 / 2.0)).powi(2)).max(0.0);
        *tap = sinc * bessel_i0(beta * edge.sqrt()) / bessel_i0(beta);
    }
    h
}

/// Modified Bessel function of the first kind, order 0, by its power series.
fn bessel_i0(x: f64) -> f64 {
    let mut term = 1.0;
    let mut sum = 1.0;
    for k in 1..60 {
        term *= (x / 2.0 / f64::from(k)).powi(2);
        sum += term;
        if term < sum * 1e-17 {
            break;
        }
    }
    sum
}

/// A lag with its interpolator, ready for a band.
pub(super) struct Lag {
    /// Samples between the first tap and the sample it is multiplied with.
    pub first_tap: usize,
    /// The lag rounded to whole samples.
    pub nearest: usize,
    pub taps: [f32; TAPS],
    /// Mean of |H|² over the band, H being the interpolator's response.
    pub power_gain: f64,
    /// Mean over the band of the part of H that agrees with a perfect delay.
    pub true_gain: f64,
    fraction: f64,
}

impl Lag {
    /// `samples` must be at least [`TAPS`].
    pub fn new(samples: f64) -> Self {
        let whole = samples.floor();
        let fraction = samples - whole;
        Lag {
            first_tap: whole as usize - (TAPS / 2 - 1),
            nearest: samples.round() as usize,
            taps: interpolator::<TAPS>(fraction, 3.5).map(|tap| tap as f32),
            power_gain: 1.0,
            true_gain: 1.0,
            fraction,
        }
    }

    /// Works out the interpolator's gains for a band from `low` to `high`, in cycles a sample.
    pub fn set_band(&mut self, low: f64, high: f64) {
        const POINTS: usize = 128;
        let (mut power, mut agrees) = (0.0, 0.0);
        for point in 0..POINTS {
            let f = low + (high - low) * (point as f64 + 0.5) / POINTS as f64;
            let turn = |t: f64| Complex::cis(std::f64::consts::TAU * f * t);
            let h: Complex<f64> = (self.taps.iter().enumerate())
                .map(|(k, &tap)| {
                    turn(k as f64 - (TAPS as f64 / 2.0 - 1.0) - self.fraction) * f64::from(tap)
                })
                .sum();
            power += h.norm_sqr();
            agrees += h.re;
        }
        self.power_gain = power / POINTS as f64;
        self.true_gain = agrees / POINTS as f64;
    }

    /// Running sums of x(n + lag)·x*(n) from n = 0: `sums[n]` is the sum over the first n products. Returns how many
    /// products there are; `sums` must have room for one more than `re` has samples.
    pub fn running_products(&self, re: &[f32], im: &[f32], sums: &mut [Complex<f32>]) -> usize {
        const CHUNK: usize = 64;
        let Some(count) = re.len().checked_sub(self.first_tap + TAPS - 1) else {
            sums[0] = Complex::ZERO;
            return 0;
        };
        let (late_re, late_im) = (&re[self.first_tap..], &im[self.first_tap..]);
        let mut sum = Complex::ZERO;
        sums[0] = sum;
        let mut n = 0;
        while n < count {
            let length = CHUNK.min(count - n);
            let (mut yr, mut yi) = ([0f32; CHUNK], [0f32; CHUNK]);
            for (k, &tap) in self.taps.iter().enumerate() {
                for (y, x) in yr[..length].iter_mut().zip(&late_re[n + k..n + k + length]) {
                    *y += tap * x;
                }
                for (y, x) in yi[..length].iter_mut().zip(&late_im[n + k..n + k + length]) {
                    *y += tap * x;
                }
            }
            for ((yr, yi), (xr, xi)) in
                (yr[..length].iter_mut().zip(&mut yi[..length])).zip(re[n..].iter().zip(&im[n..]))
            {
                let product = (*yr * xr + *yi * xi, *yi * xr - *yr * xi);
                (*yr, *yi) = product;
            }
            for ((into, pr), pi) in sums[n + 1..n + 1 + length].iter_mut().zip(&yr).zip(&yi) {
                sum.re += pr;
                sum.im += pi;
                *into = sum;
            }
            n += length;
        }
        count
    }
}

/// Correlation coefficient of `samples` with themselves `lag_samples` later, over their whole length and band: Σ y·x* over
/// the root of Σ|x|²·Σ|y|², y being the samples delayed. `None` where too few samples are left, or there is no power.
///
/// For an ideal OFDM signal with guard fraction g in white noise its magnitude is g/(1+g)·SNR/(1+SNR) at the useful
/// duration. This is the plain figure, without whitening, by an interpolator of 64 taps; a probe doesn't use it.
pub fn correlation_coefficient(samples: &[Sample], lag_samples: f64) -> Option<Complex<f64>> {
    const LONG: usize = 64;
    if !lag_samples.is_finite() || lag_samples < LONG as f64 {
        return None;
    }
    let whole = lag_samples.floor();
    let taps = interpolator::<LONG>(lag_samples - whole, 6.0);
    let late = samples.get(whole as usize - (LONG / 2 - 1)..)?;
    let wide = |x: &Sample| Complex::new(f64::from(x.re), f64::from(x.im));
    let (mut cross, mut power_x, mut power_y) = (Complex::ZERO, 0.0, 0.0);
    for (x, around) in samples.iter().zip(late.windows(LONG)) {
        let x = wide(x);
        let y: Complex<f64> = around
            .iter()
            .zip(&taps)
            .map(|(s, tap)| wide(s) * *tap)
            .sum();
        cross += y * x.conj();
        power_x += x.norm_sqr();
        power_y += y.norm_sqr();
    }
    let power = (power_x * power_y).sqrt();
    (power > 0.0).then(|| cross / power)
}
