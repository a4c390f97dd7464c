//! Making a stretch of samples white inside a band, and empty outside it, before it is correlated with itself.
//!
//! Noise that is white has no correlation at any lag, so what a dongle's slope, a neighbour's edge or a steady line would
//! feign is taken out first. Frames under a sine window, 50 % overlap, are transformed, each bin is divided by the root of
//! the local level, and the frames are added up again under the same window (sin² + cos² = 1, so nothing else changes).
//! The local level is the median over a block of bins, straight between blocks; a bin more than 6 dB above it (a line) is
//! brought down to it.

use std::sync::Arc;

use num_complex::Complex;
use rustfft::{Fft, FftPlanner};

use crate::capture::Sample;

/// Bins of one frame's transform that share a median.
const BLOCK: usize = 16;
/// A bin this many times above the local level is a line.
const LINE: f32 = 4.0;

pub(super) struct Whitener {
    size: usize,
    forward: Arc<dyn Fft<f32>>,
    inverse: Arc<dyn Fft<f32>>,
    window: Vec<f32>,
    scratch: Vec<Sample>,
    /// Transforms of all frames, one after another.
    spectra: Vec<Sample>,
    power: Vec<f32>,
    weight: Vec<f32>,
    block: Vec<f32>,
    centres: Vec<(f32, f32)>,
    /// Bins of the band in ascending frequency, as places in a transform.
    band: Vec<usize>,
    bin_hz: f64,
}

impl Whitener {
    /// For stretches of at most `longest` samples, in frames of `size` (even).
    pub fn new(size: usize, longest: usize, sample_rate_hz: f64) -> Self {
        let mut planner = FftPlanner::new();
        let forward = planner.plan_fft_forward(size);
        let inverse = planner.plan_fft_inverse(size);
        let scratch = forward
            .get_inplace_scratch_len()
            .max(inverse.get_inplace_scratch_len());
        let frames = frames(longest, size / 2);
        Whitener {
            size,
            forward,
            inverse,
            window: (0..size)
                .map(|i| (std::f64::consts::PI * (i as f64 + 0.5) / size as f64).sin() as f32)
                .collect(),
            scratch: vec![Complex::ZERO; scratch],
            spectra: vec![Complex::ZERO; frames * size],
            power: vec![0.0; size],
            weight: vec![0.0; size],
            block: Vec::with_capacity(2 * BLOCK),
            centres: Vec::with_capacity(size / BLOCK + 1),
            band: Vec::with_capacity(size),
            bin_hz: sample_rate_hz / size as f64,
        }
    }

    /// Chooses the band, in hertz from the tuning's centre.
    pub fn set_band(&mut self, low_hz: f64, high_hz: f64) {
        let half = (self.size / 2) as i64;
        self.band.clear();
        self.band.extend(
            (-half..half)
                .filter(|&bin| (low_hz..=high_hz).contains(&(bin as f64 * self.bin_hz)))
                .map(|bin| bin.rem_euclid(self.size as i64) as usize),
        );
    }

    /// How many bins the band has, as a share of all.
    pub fn band_share(&self) -> f64 {
        self.band.len() as f64 / self.size as f64
    }

    /// Whitens `samples` into the two rails `re` and `im`, each as long as `samples`. Mean |x|² comes out near 1.
    pub fn whiten(&mut self, samples: &[Sample], re: &mut [f32], im: &mut [f32]) {
        let (size, hop) = (self.size, self.size / 2);
        let frames = frames(samples.len(), hop);
        self.power.fill(0.0);
        for (index, frame) in self.spectra.chunks_exact_mut(size).take(frames).enumerate() {
            // Frame 0 begins one hop before the first sample; what lies outside is zero.
            for (half, (into, window)) in frame
                .chunks_exact_mut(hop)
                .zip(self.window.chunks_exact(hop))
                .enumerate()
            {
                let part = (index + half)
                    .checked_sub(1)
                    .and_then(|i| samples.get(i * hop..))
                    .unwrap_or(&[]);
                let part = &part[..part.len().min(hop)];
                for ((x, s), w) in into.iter_mut().zip(part).zip(window) {
                    *x = s * *w;
                }
                into[part.len()..].fill(Complex::ZERO);
            }
            self.forward.process_with_scratch(frame, &mut self.scratch);
            for (p, x) in self.power.iter_mut().zip(&*frame) {
                *p += x.norm_sqr();
            }
        }
        self.choose_weights(frames as f32);

        re.fill(0.0);
        im.fill(0.0);
        for (index, frame) in self.spectra.chunks_exact_mut(size).take(frames).enumerate() {
            for (x, w) in frame.iter_mut().zip(&self.weight) {
                *x *= *w;
            }
            self.inverse.process_with_scratch(frame, &mut self.scratch);
            for (half, (from, window)) in frame
                .chunks_exact(hop)
                .zip(self.window.chunks_exact(hop))
                .enumerate()
            {
                let Some(start) = (index + half)
                    .checked_sub(1)
                    .map(|i| i * hop)
                    .filter(|&s| s < re.len())
                else {
                    continue;
                };
                for (((r, i), x), w) in re[start..]
                    .iter_mut()
                    .zip(&mut im[start..])
                    .zip(from)
                    .zip(window)
                {
                    *r += x.re * w;
                    *i += x.im * w;
                }
            }
        }
    }

    fn choose_weights(&mut self, frames: f32) {
        self.weight.fill(0.0);
        self.centres.clear();
        // The last block takes what is left over, so that none is short.
        let blocks = (self.band.len() / BLOCK).max(1);
        for index in 0..blocks {
            let first = index * BLOCK;
            let end = if index + 1 == blocks {
                self.band.len()
            } else {
                first + BLOCK
            };
            self.block.clear();
            self.block
                .extend(self.band[first..end].iter().map(|&bin| self.power[bin]));
            if self.block.is_empty() {
                return;
            }
            let middle = self.block.len() / 2;
            let (_, median, _) = self.block.select_nth_unstable_by(middle, f32::total_cmp);
            self.centres
                .push(((first + end) as f32 / 2.0 - 0.5, *median));
        }
        // One bin's mean power in `frames` frames is `size` × (mean |x|² per bin) × mean window² (1/2) × frames; the rest of
        // the scale makes the sum over the band's share equal 1 after the inverse transform, which multiplies by `size`.
        let scale = frames / 2.0 / (self.band.len() as f32);
        let mut right = 1;
        for (place, &bin) in self.band.iter().enumerate() {
            let place = place as f32;
            while right + 1 < self.centres.len() && self.centres[right].0 < place {
                right += 1;
            }
            let (a, la) = self.centres[right.saturating_sub(1).min(self.centres.len() - 1)];
            let (b, lb) = self.centres[right.min(self.centres.len() - 1)];
            let along = if b > a {
                ((place - a) / (b - a)).clamp(0.0, 1.0)
            } else {
                0.0
            };
            let level = la + (lb - la) * along;
            let power = self.power[bin];
            let level = if power > LINE * level { power } else { level };
            self.weight[bin] = if level > 0.0 {
                (scale / level).sqrt()
            } else {
                0.0
            };
        }
    }
}

fn frames(samples: usize, hop: usize) -> usize {
    samples.div_ceil(hop) + 1
}
