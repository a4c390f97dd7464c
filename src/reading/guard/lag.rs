//! Delays that are no whole number of samples: a short windowed sinc, and correlation at such a lag.
//!
//! Source: the windowed-sinc method, as in T. I. Laakso and others, "Splitting the unit delay", IEEE Signal Processing
//! Magazine 13(1), 1996.

use num_complex::Complex;

use crate::capture::Sample;

/// Taps of the short interpolator.
pub(super) const TAPS: usize = 8;
/// Products that are worked out at a time.
const CHUNK: usize = 32;

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
        sums[0] = Complex::ZERO;
        let Some(count) = re.len().checked_sub(self.first_tap + TAPS - 1) else {
            return 0;
        };
        let (late_re, late_im) = (&re[self.first_tap..], &im[self.first_tap..]);
        let mut sum = Complex::ZERO;
        let whole = count / CHUNK * CHUNK;
        for n in (0..whole).step_by(CHUNK) {
            // Lengths known to the compiler: this loop is half of the probe's work, and runs in vectors so.
            let (Some(yr), Some(yi), Some(xr), Some(xi)) = (
                late_re[n..].first_chunk(),
                late_im[n..].first_chunk(),
                re[n..].first_chunk(),
                im[n..].first_chunk(),
            ) else {
                break;
            };
            let (pr, pi) = self.products(yr, yi, xr, xi);
            for ((into, pr), pi) in sums[n + 1..=n + CHUNK].iter_mut().zip(pr).zip(pi) {
                sum += Complex::new(pr, pi);
                *into = sum;
            }
        }
        for n in whole..count {
            let read = |rail: &[f32]| -> f32 {
                rail[n..]
                    .iter()
                    .zip(&self.taps)
                    .map(|(x, tap)| x * tap)
                    .sum()
            };
            sum += Complex::new(read(late_re), read(late_im)) * Complex::new(re[n], -im[n]);
            sums[n + 1] = sum;
        }
        count
    }

    fn products(
        &self,
        late_re: &[f32; CHUNK + TAPS - 1],
        late_im: &[f32; CHUNK + TAPS - 1],
        re: &[f32; CHUNK],
        im: &[f32; CHUNK],
    ) -> ([f32; CHUNK], [f32; CHUNK]) {
        let (mut pr, mut pi) = ([0.0; CHUNK], [0.0; CHUNK]);
        for n in 0..CHUNK {
            let (mut yr, mut yi) = (0.0, 0.0);
            for k in 0..TAPS {
                yr += self.taps[k] * late_re[n + k];
                yi += self.taps[k] * late_im[n + k];
            }
            pr[n] = yr * re[n] + yi * im[n];
            pi[n] = yi * re[n] - yr * im[n];
        }
        (pr, pi)
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

#[cfg(test)]
mod tests {
    use super::*;

    /// Pseudo-random rails without a generator's help: a quadratic chirp is white enough and exact.
    fn chirp(length: usize, wide: f64) -> Vec<Complex<f64>> {
        (0..length)
            .map(|n| Complex::cis(wide * (n * n % 7919) as f64))
            .collect()
    }

    #[test]
    fn running_products_are_those_of_the_slow_obvious_sum() {
        let x = chirp(777, 0.37);
        let re: Vec<f32> = x.iter().map(|x| x.re as f32).collect();
        let im: Vec<f32> = x.iter().map(|x| x.im as f32).collect();
        for samples in [8.0, 100.25, 300.5, 512.999, 700.0] {
            let lag = Lag::new(samples);
            let taps = interpolator::<TAPS>(samples.fract(), 3.5);
            let mut sums = vec![Complex::new(f32::NAN, f32::NAN); x.len() + 1];
            let count = lag.running_products(&re, &im, &mut sums);
            assert_eq!(count, x.len() - (samples as usize - 3) - 7, "{samples}");
            let mut sum = Complex::<f64>::ZERO;
            for n in 0..count {
                let late: Complex<f64> = (0..TAPS)
                    .map(|k| x[n + samples as usize - 3 + k] * taps[k])
                    .sum();
                sum += late * x[n].conj();
                let ours = Complex::new(f64::from(sums[n + 1].re), f64::from(sums[n + 1].im));
                // f32 running sums of up to 800 terms of size 1.
                assert!(
                    (ours - sum).norm() < 1e-3,
                    "{samples} at {n}: {ours} against {sum}"
                );
            }
        }
    }

    #[test]
    fn a_stretch_shorter_than_the_lag_has_no_products() {
        let mut sums = [Complex::new(1.0, 1.0); 51];
        assert_eq!(
            Lag::new(300.5).running_products(&[1.0; 50], &[1.0; 50], &mut sums),
            0
        );
        assert_eq!(sums[0], Complex::ZERO);
    }

    #[test]
    fn interpolators_read_a_slow_sinusoid_between_samples() {
        // 64 taps, up to 0.4 cycles a sample: the Kaiser window's error at beta 6 is some 60 dB down.
        for fraction in [0.0, 0.2, 0.4444, 0.9] {
            let taps = interpolator::<64>(fraction, 6.0);
            for f in [0.0, 0.1, -0.4, 0.4] {
                let turn = |t: f64| Complex::cis(std::f64::consts::TAU * f * t);
                let read: Complex<f64> = (0..64).map(|k| turn(k as f64) * taps[k]).sum();
                assert!(
                    (read - turn(31.0 + fraction)).norm() < 3e-3,
                    "{fraction} {f}: {read}"
                );
            }
        }
    }

    #[test]
    fn a_lag_that_leaves_nothing_has_no_coefficient() {
        let some = vec![Sample::new(0.1, 0.2); 500];
        for lag in [0.0, -5.0, 499.0, 1e12, f64::NAN, f64::INFINITY] {
            assert_eq!(correlation_coefficient(&some, lag), None, "{lag}");
        }
        assert_eq!(correlation_coefficient(&[Complex::ZERO; 500], 100.5), None);
    }
}
