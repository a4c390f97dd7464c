//! Window functions and their figures of merit.
//!
//! Every window is *periodic*: the N points are one period of the cosine sum, as suits a transform of N points. With
//! `w[n] = Σ_k (−1)^k a_k cos(2πkn/N)`:
//!
//! - coherent gain: Σw / N
//! - equivalent noise bandwidth in bins: N Σw² / (Σw)²
//! - overlap correlation at overlap r: Σ w[n] w[n + (1−r)N] / Σw²
//!
//! Source: F. J. Harris, "On the use of windows for harmonic analysis with the discrete Fourier transform", Proc. IEEE
//! 66(1), 1978.

use std::f64::consts::TAU;

/// A window function: a sum of cosines.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default)]
pub enum Window {
    /// No weighting.
    Rectangular,
    /// Two terms, side lobes −31.5 dB and falling fast: the default.
    #[default]
    Hann,
    /// Two terms, side lobes −42.7 dB.
    Hamming,
    /// Three terms, side lobes −58.1 dB.
    Blackman,
    /// Four terms, side lobes −92.0 dB.
    BlackmanHarris,
    /// Five terms, scalloping 0.01 dB: a tone's level reads right wherever it falls.
    FlatTop,
}

impl Window {
    /// Every window.
    pub const ALL: [Window; 6] = [
        Window::Rectangular,
        Window::Hann,
        Window::Hamming,
        Window::Blackman,
        Window::BlackmanHarris,
        Window::FlatTop,
    ];

    /// The terms a_0, a_1, … of the cosine sum.
    pub const fn terms(self) -> &'static [f64] {
        match self {
            Window::Rectangular => &[1.0],
            Window::Hann => &[0.5, 0.5],
            Window::Hamming => &[0.54, 0.46],
            Window::Blackman => &[0.42, 0.5, 0.08],
            Window::BlackmanHarris => &[0.35875, 0.48829, 0.14128, 0.01168],
            Window::FlatTop => &[
                0.21557895,
                0.41663158,
                0.277263158,
                0.083578947,
                0.006947368,
            ],
        }
    }

    /// The window's `length` points.
    pub fn points(self, length: usize) -> Vec<f64> {
        (0..length)
            .map(|n| {
                let phase = TAU * n as f64 / length as f64;
                self.terms()
                    .iter()
                    .enumerate()
                    .map(|(k, a)| {
                        if k % 2 == 0 {
                            a * (phase * k as f64).cos()
                        } else {
                            -a * (phase * k as f64).cos()
                        }
                    })
                    .sum()
            })
            .collect()
    }

    /// Mean of the points: the gain for a tone in the middle of a bin.
    pub fn coherent_gain(self) -> f64 {
        self.terms()[0]
    }

    /// Equivalent noise bandwidth in bins.
    pub fn noise_bandwidth_bins(self) -> f64 {
        let terms = self.terms();
        let squares: f64 = terms[1..].iter().map(|a| a * a).sum();
        1.0 + squares / (2.0 * terms[0] * terms[0])
    }

    /// Correlation of the weighted noise of two segments that overlap by `overlap` of their length, 0 to 1.
    pub fn overlap_correlation(self, overlap: f64) -> f64 {
        // Long enough that the sum stands for the integral to 1e-4.
        const LENGTH: usize = 8192;
        let points = self.points(LENGTH);
        let shift = ((1.0 - overlap) * LENGTH as f64).round() as usize;
        let energy: f64 = points.iter().map(|w| w * w).sum();
        points
            .iter()
            .zip(&points[shift.min(LENGTH)..])
            .map(|(a, b)| a * b)
            .sum::<f64>()
            / energy
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    type Figures = (Window, f64, f64, f64, f64, f64, Option<(f64, f64)>);

    /// Handbook §6 (R: recomputed from the definitions for N = 4096), beside the figures printed in Harris 1978, Table I
    /// (from memory): name, coherent gain, noise bandwidth in bins, scalloping dB, correlation at 75 % and 50 %, then
    /// printed noise bandwidth and scalloping.
    const FIGURES: [Figures; 6] = [
        (
            Window::Rectangular,
            1.0,
            1.0000,
            3.922,
            0.750,
            0.500,
            Some((1.00, 3.92)),
        ),
        (
            Window::Hann,
            0.5,
            1.5000,
            1.424,
            0.659,
            1.0 / 6.0,
            Some((1.50, 1.42)),
        ),
        (
            Window::Hamming,
            0.54,
            1.3628,
            1.751,
            0.707,
            0.234,
            Some((1.36, 1.78)),
        ),
        (
            Window::Blackman,
            0.42,
            1.7268,
            1.099,
            0.567,
            0.090,
            Some((1.73, 1.10)),
        ),
        (
            Window::BlackmanHarris,
            0.3588,
            2.0044,
            0.826,
            0.460,
            0.038,
            Some((2.00, 0.83)),
        ),
        (Window::FlatTop, 0.2156, 3.7702, 0.010, 0.046, -0.015, None),
    ];

    /// The window's response in dB to a tone `bins` away from a bin's middle, by the definition of the transform.
    fn response_db(window: Window, bins: f64) -> f64 {
        let points = window.points(4096);
        let (mut re, mut im) = (0.0, 0.0);
        for (n, w) in points.iter().enumerate() {
            let phase = TAU * bins * n as f64 / 4096.0;
            re += w * phase.cos();
            im += w * phase.sin();
        }
        20.0 * (re.hypot(im) / points.iter().sum::<f64>()).log10()
    }

    #[test]
    fn figures_agree_with_harris_1978() {
        for (window, gain, bandwidth, scalloping, at_75, at_50, printed) in FIGURES {
            assert!(
                (window.coherent_gain() - gain).abs() < 6e-5,
                "{window:?} coherent gain"
            );
            assert!(
                (window.noise_bandwidth_bins() - bandwidth).abs() < 6e-5,
                "{window:?} noise bandwidth"
            );
            assert!(
                (-response_db(window, 0.5) - scalloping).abs() < 6e-4,
                "{window:?} scalloping"
            );
            assert!(
                (window.overlap_correlation(0.75) - at_75).abs() < 6e-4,
                "{window:?} correlation at 75 %"
            );
            assert!(
                (window.overlap_correlation(0.5) - at_50).abs() < 6e-4,
                "{window:?} correlation at 50 %"
            );
            if let Some((bandwidth, scalloping)) = printed {
                // Printed to two digits; Hamming's 1.78 dB there against 1.75 recomputed.
                assert!(
                    (window.noise_bandwidth_bins() - bandwidth).abs() < 0.006,
                    "{window:?} printed bandwidth"
                );
                assert!(
                    (-response_db(window, 0.5) - scalloping).abs() < 0.035,
                    "{window:?} printed scalloping"
                );
            }
        }
    }

    #[test]
    fn closed_form_of_the_noise_bandwidth_is_the_definition() {
        for window in Window::ALL {
            let points = window.points(4096);
            let sum: f64 = points.iter().sum();
            let squares: f64 = points.iter().map(|w| w * w).sum();
            assert!(
                (4096.0 * squares / (sum * sum) - window.noise_bandwidth_bins()).abs() < 1e-9,
                "{window:?}"
            );
            assert!(
                (sum / 4096.0 - window.coherent_gain()).abs() < 1e-12,
                "{window:?}"
            );
        }
    }

    #[test]
    fn highest_side_lobes_agree_with_harris_1978() {
        // Handbook §6 (R), searched beyond each window's main lobe.
        for (window, main_lobe_bins, highest_db) in [
            (Window::Rectangular, 1.0, -13.3),
            (Window::Hann, 2.0, -31.5),
            (Window::Hamming, 2.0, -42.7),
            (Window::Blackman, 3.0, -58.1),
            (Window::BlackmanHarris, 4.0, -92.0),
            (Window::FlatTop, 5.0, -93.0),
        ] {
            let highest = (0..300)
                .map(|step| response_db(window, main_lobe_bins + 0.05 * f64::from(step)))
                .fold(f64::NEG_INFINITY, f64::max);
            assert!((highest - highest_db).abs() < 0.06, "{window:?}: {highest}");
        }
    }
}
