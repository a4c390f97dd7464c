//! Welch's estimate of a power spectral density, sample by sample.
//!
//! The samples are cut into overlapping segments; each has its mean removed (the converter's offset), is weighted by a
//! window and transformed; the squared magnitudes are averaged in linear units. Bins come out in ascending frequency:
//! bin `i` of N stands at `(i − N/2)·rate/N` hertz.
//!
//! Scaling of a bin: *density* divides by `rate · Σw²` (power in one hertz), *spectrum* by `(Σw)²` (power of a tone).
//!
//! Source: P. D. Welch, "The use of fast Fourier transform for the estimation of power spectra", IEEE Trans. Audio
//! Electroacoust. AU-15, 1967.

use std::sync::Arc;

use rustfft::{Fft, FftPlanner};

use super::aligned::Aligned;
use super::{Window, kernels};
use crate::capture::Sample;

/// Segments whose powers are summed in `f32` before they go to `f64`: few enough that rounding stays below 1e-6.
const SEGMENTS_IN_F32: usize = 64;

/// How the estimate is made.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct WelchSettings {
    /// Samples in one segment, an even number from 16. Default 4096.
    pub length: usize,
    /// Samples that a segment shares with the next, fewer than `length`. Default half.
    pub overlap: usize,
    /// The window. Default Hann.
    pub window: Window,
    /// Whether each segment's mean is removed. Default yes.
    pub remove_mean: bool,
    /// What a bin stands for. Default density.
    pub scaling: Scaling,
}

/// What a bin of the estimate stands for.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default)]
pub enum Scaling {
    /// Power in one hertz: noise reads right.
    #[default]
    Density,
    /// Power of a tone in the middle of the bin: lines read right.
    Spectrum,
}

impl Default for WelchSettings {
    fn default() -> Self {
        WelchSettings::of_length(4096)
    }
}

impl WelchSettings {
    /// Hann, half overlap, mean removed, density, with segments of `length` samples.
    pub const fn of_length(length: usize) -> Self {
        WelchSettings {
            length,
            overlap: length / 2,
            window: Window::Hann,
            remove_mean: true,
            scaling: Scaling::Density,
        }
    }
}

/// A running Welch estimate. Memory does not grow with the samples pushed.
pub struct Welch {
    settings: WelchSettings,
    transform: Arc<dyn Fft<f32>>,
    factors: kernels::Factors,
    /// The segment being filled, of which the first `filled` samples are there.
    segment: Aligned<Sample>,
    /// The next one, which takes over what the two share: a transform leaves its input in ruins.
    next: Aligned<Sample>,
    filled: usize,
    work: Aligned<Sample>,
    scratch: Aligned<Sample>,
    /// Sum of |X|² over the segments since the last carry, in the transform's own order of bins.
    recent: Aligned<f32>,
    recent_segments: usize,
    sum: Vec<f64>,
    segments: u64,
    sub_dwells: SubDwells,
}

impl std::fmt::Debug for Welch {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        f.debug_struct("Welch")
            .field("settings", &self.settings)
            .field("segments", &self.segments)
            .finish_non_exhaustive()
    }
}

/// What an estimate comes to.
#[derive(Debug, Clone, PartialEq)]
pub struct Psd {
    /// Power a bin, ascending in frequency, scaled as asked; empty where no segment was full.
    pub bins: Vec<f64>,
    /// Segments averaged.
    pub segments: u64,
    /// The same stretch of time cut into sub-dwells.
    pub sub_dwells: SubDwells,
}

/// Power in a few even bands of the sampled width for each of up to 24 successive sub-dwells: the raw material for a
/// standard error that trusts no theory of the signal.
///
/// The number of segments in a sub-dwell doubles, and neighbours are merged, whenever 24 are full, so that memory stays
/// the same for any length.
#[derive(Debug, Clone, PartialEq)]
pub struct SubDwells {
    /// Segments in a whole sub-dwell.
    segments_each: usize,
    /// Mean power of each whole sub-dwell by band.
    powers: Vec<[f64; SubDwells::BANDS]>,
    /// Power summed over the segments of the sub-dwell that is not whole yet, and how many they are.
    filling: [f64; SubDwells::BANDS],
    filled: usize,
}

impl Default for SubDwells {
    fn default() -> Self {
        SubDwells {
            segments_each: 2,
            powers: Vec::new(),
            filling: [0.0; Self::BANDS],
            filled: 0,
        }
    }
}

impl SubDwells {
    /// Bands across the sampled width, lowest frequency first.
    pub const BANDS: usize = 48;
    const MOST: usize = 24;

    /// Mean power (any scale) of each sub-dwell in the bands that lie within the given share of the sampled width, both
    /// ends from −0.5 to 0.5 in units of the sample rate; bands count by the share of them that is inside.
    pub fn powers(&self, low: f64, high: f64) -> Vec<f64> {
        let edge = |band: usize| band as f64 / Self::BANDS as f64 - 0.5;
        let weights: [f64; Self::BANDS] = std::array::from_fn(|band| {
            ((high.min(edge(band + 1)) - low.max(edge(band))) * Self::BANDS as f64).clamp(0.0, 1.0)
        });
        self.powers
            .iter()
            .map(|bands| bands.iter().zip(&weights).map(|(p, w)| p * w).sum())
            .collect()
    }

    /// Segments in each sub-dwell.
    pub fn segments_each(&self) -> usize {
        self.segments_each
    }

    /// The sub-dwells of two estimates of the same tuning, one after the other.
    pub fn joined(mut self, mut other: SubDwells) -> SubDwells {
        if self.powers.is_empty() {
            return other;
        }
        while self.segments_each < other.segments_each && self.powers.len() > 1 {
            self.merge();
        }
        while other.segments_each < self.segments_each && other.powers.len() > 1 {
            other.merge();
        }
        if self.segments_each == other.segments_each {
            self.powers.append(&mut other.powers);
        }
        while self.powers.len() > Self::MOST {
            self.merge();
        }
        self
    }

    fn merge(&mut self) {
        self.segments_each *= 2;
        self.powers = self
            .powers
            .chunks_exact(2)
            .map(|pair| std::array::from_fn(|band| (pair[0][band] + pair[1][band]) / 2.0))
            .collect();
    }

    /// Takes the power summed over `segments` segments, bins in the transform's own order, but for a factor `scale`.
    fn push(&mut self, sum: &[f32], scale: f64, segments: usize) {
        const HALF: usize = SubDwells::BANDS / 2;
        let (positive, negative) = sum.split_at(sum.len() / 2);
        for (half, bands) in [negative, positive]
            .into_iter()
            .zip(self.filling.chunks_exact_mut(HALF))
        {
            for (band, power) in bands.iter_mut().enumerate() {
                let of_band = &half[band * half.len() / HALF..(band + 1) * half.len() / HALF];
                *power += scale * f64::from(sum_in_lanes(of_band));
            }
        }
        self.filled += segments;
        if self.filled >= self.segments_each {
            self.powers
                .push(self.filling.map(|power| power / self.filled as f64));
            self.filling = [0.0; Self::BANDS];
            self.filled = 0;
            if self.powers.len() == Self::MOST {
                self.merge();
            }
        }
    }
}

impl Welch {
    /// Makes ready for samples; all memory is taken here.
    ///
    /// # Panics
    /// - `settings.length` is odd or below 16
    /// - `settings.overlap >= settings.length`
    pub fn new(settings: WelchSettings) -> Self {
        let WelchSettings {
            length,
            overlap,
            window,
            ..
        } = settings;
        assert!(
            length >= 16 && length.is_multiple_of(2),
            "segments of {length} samples: expected an even number from 16"
        );
        assert!(
            overlap < length,
            "an overlap of {overlap} leaves nothing of a segment of {length} samples"
        );
        let transform = FftPlanner::new().plan_fft_forward(length);
        let scratch = Aligned::zeroes(transform.get_outofplace_scratch_len());
        Welch {
            settings,
            transform,
            factors: kernels::Factors::of(window.terms()),
            segment: Aligned::zeroes(length),
            next: Aligned::zeroes(length),
            filled: 0,
            work: Aligned::zeroes(length),
            scratch,
            recent: Aligned::zeroes(length),
            recent_segments: 0,
            sum: vec![0.0; length],
            segments: 0,
            sub_dwells: SubDwells::default(),
        }
    }

    /// How the estimate is made.
    pub fn settings(&self) -> &WelchSettings {
        &self.settings
    }

    /// Forgets everything pushed so far and keeps the memory.
    pub fn reset(&mut self) {
        self.filled = 0;
        self.recent.fill(0.0);
        self.recent_segments = 0;
        self.sum.fill(0.0);
        self.segments = 0;
        self.sub_dwells = SubDwells::default();
    }

    /// Takes the next samples, in blocks of any size; allocates nothing for them.
    pub fn push(&mut self, mut samples: &[Sample]) {
        while !samples.is_empty() {
            let space = self.space();
            let count = space.len().min(samples.len());
            space[..count].copy_from_slice(&samples[..count]);
            self.advance(count);
            samples = &samples[count..];
        }
    }

    /// Where the next samples may be written in place of a [`push`](Welch::push), at least one; then call
    /// [`advance`](Welch::advance). Samples that are written right into it are transformed while the processor still
    /// has them at hand.
    pub fn space(&mut self) -> &mut [Sample] {
        &mut self.segment[self.filled..]
    }

    /// Takes the first `count` samples of [`space`](Welch::space) as the next ones.
    ///
    /// # Panics
    /// When `count` is more than there is space.
    pub fn advance(&mut self, count: usize) {
        let WelchSettings {
            length, overlap, ..
        } = self.settings;
        self.filled += count;
        assert!(
            self.filled <= length,
            "{count} samples are more than there was space for"
        );
        if self.filled == length {
            self.next[..overlap].copy_from_slice(&self.segment[length - overlap..]);
            self.add_segment();
            std::mem::swap(&mut self.segment, &mut self.next);
            self.filled = overlap;
        }
    }

    fn add_segment(&mut self) {
        self.transform.process_outofplace_with_scratch(
            &mut self.segment,
            &mut self.work,
            &mut self.scratch,
        );
        if self.settings.remove_mean {
            self.work[0] = Sample::default();
        }
        kernels::add_windowed(&self.work, &self.factors, &mut self.recent);
        self.recent_segments += 1;
        if self.recent_segments == self.sub_dwells.segments_each.min(SEGMENTS_IN_F32) {
            self.carry();
        }
    }

    /// Moves the recent sum to the long one, and to the sub-dwells.
    fn carry(&mut self) {
        kernels::add_up(&self.recent, &mut self.sum);
        self.segments += self.recent_segments as u64;
        self.sub_dwells
            .push(&self.recent, self.factors.scale, self.recent_segments);
        self.recent.fill(0.0);
        self.recent_segments = 0;
    }

    /// The estimate so far. Samples that fill no whole segment are left out, as usual.
    pub fn psd(&mut self, sample_rate_hz: f64) -> Psd {
        if self.recent_segments > 0 {
            self.carry();
        }
        if self.segments == 0 {
            return Psd {
                bins: Vec::new(),
                segments: 0,
                sub_dwells: SubDwells::default(),
            };
        }
        let WelchSettings {
            length,
            window,
            scaling,
            ..
        } = self.settings;
        // Σw and Σw² of a sum of cosines in closed form.
        let sum = length as f64 * window.coherent_gain();
        let divisor = match scaling {
            Scaling::Density => {
                sample_rate_hz * sum * window.coherent_gain() * window.noise_bandwidth_bins()
            }
            Scaling::Spectrum => sum * sum,
        } * self.segments as f64
            / self.factors.scale;
        let (positive, negative) = self.sum.split_at(self.sum.len() / 2);
        let bins = negative
            .iter()
            .chain(positive)
            .map(|power| power / divisor)
            .collect();
        Psd {
            bins,
            segments: self.segments,
            sub_dwells: self.sub_dwells.clone(),
        }
    }
}

/// Sum of some floats in sixteen lanes, which can be added several at a time.
fn sum_in_lanes(values: &[f32]) -> f32 {
    let mut lanes = [0f32; 16];
    let (chunks, rest) = values.as_chunks::<16>();
    for chunk in chunks {
        for (lane, value) in lanes.iter_mut().zip(chunk) {
            *lane += value;
        }
    }
    lanes.iter().chain(rest).sum()
}

#[cfg(test)]
mod tests;
