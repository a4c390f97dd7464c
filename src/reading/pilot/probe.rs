//! Listens around one frequency: mixes it to zero, decimates, and averages the power of long transforms.
//!
//! The stretch kept is the search width and [`NEIGHBOURS_HZ`] of neighbours on either side of it, from which the noise
//! is estimated. The anti-alias filter is a Kaiser-windowed sinc, 70 dB down where it would fold into that stretch.
//!
//! Source of the filter: J. F. Kaiser's window, as in A. V. Oppenheim and R. W. Schafer, *Discrete-Time Signal
//! Processing*, §7.5 (β and length from attenuation and transition width).

use std::collections::BTreeMap;
use std::f64::consts::{PI, TAU};
use std::sync::Arc;

use rustfft::{Fft, FftPlanner};

use super::spectrum::{Grid, PilotSpectrum, Summed};
use crate::capture::Sample;

/// Length of one transform in seconds.
///
/// 9 ms puts three transforms, half overlapping, into a visit of 20 ms, and its bin (167 Hz with the Hann window) is
/// wide enough for what a warming crystal drifts between visits (about 2 Hz a second at 500 MHz).
pub const SEGMENT_S: f64 = 9e-3;

/// How far on either side of a line its neighbours tell the noise, in hertz.
///
/// The spectrum of the data slopes by 0.5 % a kilohertz there; a symmetric neighbourhood cancels that.
pub(super) const NEIGHBOURS_HZ: f64 = 20e3;

/// Period of the mixing table in samples; the mixing frequency is a multiple of the rate over this.
const TABLE: usize = 4096;

/// Rate after decimation over the half width that is kept: 2 would suffice without a filter's slope.
const OVERSAMPLING: f64 = 4.5;

/// Attenuation of what would fold into the kept stretch, in dB.
const STOP_DB: f64 = 70.0;

/// A transform's level is the median of every so manieth bin: the bins are half a resolution apart, and the window spreads
/// each over its neighbours.
const LEVEL_EVERY: usize = 4;

/// No transform's level is taken for less: samples that are all the same have none.
const LEAST_LEVEL: f64 = 1e-30;

/// Sums are kept in this many lanes so that the compiler can use vector instructions.
const LANES: usize = 8;

/// A streaming probe for a pilot in one tuning. Memory does not depend on how long it listens.
pub struct PilotProbe {
    grid: Grid,
    decimation: usize,
    taps: Vec<f32>,
    table: Vec<Sample>,
    table_at: usize,
    line_re: Vec<f32>,
    line_im: Vec<f32>,
    filled: usize,
    /// Where the next output's filter starts, counted from the line's beginning.
    next: usize,
    window: Vec<f32>,
    segment: Vec<Sample>,
    segment_filled: usize,
    fft: Arc<dyn Fft<f32>>,
    work: Vec<Sample>,
    scratch: Vec<Sample>,
    power_scale: f64,
    summed: Summed,
    /// One transform's power in each bin, and room to sort some of them in.
    powers: Vec<f64>,
    some: Vec<f64>,
    segments: u32,
}

impl PilotProbe {
    /// A probe with transforms of [`SEGMENT_S`]; a visit shorter than that gives an empty spectrum.
    ///
    /// `expected_baseband_hz` is the pilot's nominal place; it is searched for within `search_half_width_hz` on either
    /// side. `None` where these don't fit between ±half the sample rate, or are not finite and above zero.
    pub fn new(
        sample_rate_hz: f64,
        expected_baseband_hz: f64,
        search_half_width_hz: f64,
    ) -> Option<Self> {
        Self::with_segment(
            sample_rate_hz,
            expected_baseband_hz,
            search_half_width_hz,
            SEGMENT_S,
        )
    }

    /// A probe with transforms of `segment_s` seconds (up to a second), for visits shorter than usual.
    ///
    /// `None` as for [`new`](PilotProbe::new), and where the transform would be shorter than 16 decimated samples.
    pub fn with_segment(
        sample_rate_hz: f64,
        expected_baseband_hz: f64,
        search_half_width_hz: f64,
        segment_s: f64,
    ) -> Option<Self> {
        let half_rate_hz = sample_rate_hz / 2.0;
        let sensible = sample_rate_hz.is_finite()
            && sample_rate_hz > 0.0
            && search_half_width_hz > 0.0
            && expected_baseband_hz.abs() + search_half_width_hz <= half_rate_hz
            && segment_s > 0.0
            && segment_s <= 1.0;
        if !sensible {
            return None;
        }
        // The table's period must hold a whole number of turns; the rest shows in the bins' frequencies.
        let table_step_hz = sample_rate_hz / TABLE as f64;
        let turns = (expected_baseband_hz / table_step_hz).round();
        let origin_hz = turns * table_step_hz;
        let table = (0..TABLE)
            .map(|n| {
                let turn = (turns * n as f64 / TABLE as f64).fract();
                let (sin, cos) = (-TAU * turn).sin_cos();
                Sample::new(cos as f32, sin as f32)
            })
            .collect();

        let kept_hz =
            (search_half_width_hz + NEIGHBOURS_HZ + table_step_hz / 2.0).min(half_rate_hz);
        let decimation = ((sample_rate_hz / (OVERSAMPLING * kept_hz)) as usize).max(1);
        let rate_hz = sample_rate_hz / decimation as f64;
        let taps = if decimation == 1 {
            unfiltered()
        } else {
            low_pass(
                rate_hz / 2.0 / sample_rate_hz,
                (rate_hz - 2.0 * kept_hz) / sample_rate_hz,
            )
        };

        let length = ((segment_s * rate_hz) as usize) & !1;
        if length < 16 {
            return None;
        }
        let window: Vec<f64> = (0..length)
            .map(|n| 0.5 - 0.5 * (TAU * n as f64 / length as f64).cos())
            .collect();
        let fft_length = smooth_at_least(2 * length);
        let fft = FftPlanner::new().plan_fft_forward(fft_length);
        let sum: f64 = window.iter().sum();
        let sum_squares: f64 = window.iter().map(|w| w * w).sum();
        let overlapped: f64 = window
            .iter()
            .zip(&window[length / 2..])
            .map(|(a, b)| a * b)
            .sum();
        let step_hz = rate_hz / fft_length as f64;
        let half_bins = ((kept_hz / step_hz) as usize).min(fft_length / 2 - 1);
        let grid = Grid {
            sample_rate_hz,
            expected_hz: expected_baseband_hz,
            search_half_width_hz,
            origin_hz,
            step_hz,
            half_bins,
            segment_s: length as f64 / rate_hz,
            overlap_correlation: overlapped / sum_squares,
        };
        Some(PilotProbe {
            grid,
            decimation,
            line_re: vec![0.0; taps.len() + TABLE],
            line_im: vec![0.0; taps.len() + TABLE],
            taps,
            table,
            table_at: 0,
            filled: 0,
            next: 0,
            window: window.iter().map(|&w| w as f32).collect(),
            segment: vec![Sample::default(); length],
            segment_filled: 0,
            work: vec![Sample::default(); fft_length],
            scratch: vec![Sample::default(); fft.get_inplace_scratch_len()],
            fft,
            power_scale: 1.0 / (sum * sum),
            summed: Summed::new(2 * half_bins + 1),
            powers: vec![0.0; 2 * half_bins + 1],
            some: vec![0.0; (2 * half_bins + 1).div_ceil(LEVEL_EVERY)],
            segments: 0,
        })
    }

    /// Takes the next samples of the visit, in blocks of any size. Allocates nothing.
    pub fn push(&mut self, samples: &[Sample]) {
        let mut rest = samples;
        while !rest.is_empty() {
            let count = rest
                .len()
                .min(self.line_re.len() - self.filled)
                .min(TABLE - self.table_at);
            let (now, later) = rest.split_at(count);
            rest = later;
            let turned = now.iter().zip(&self.table[self.table_at..]);
            let line = self.line_re[self.filled..]
                .iter_mut()
                .zip(&mut self.line_im[self.filled..]);
            for ((x, t), (re, im)) in turned.zip(line) {
                *re = x.re * t.re - x.im * t.im;
                *im = x.re * t.im + x.im * t.re;
            }
            self.table_at = (self.table_at + count) % TABLE;
            self.filled += count;
            self.filter();
        }
    }

    /// Ends the visit: returns its spectrum, and is ready for the next visit to the same tuning.
    pub fn finish(&mut self) -> PilotSpectrum {
        let visits = if self.segments == 0 {
            BTreeMap::new()
        } else {
            BTreeMap::from([(self.segments, 1)])
        };
        let bins = self.powers.len();
        let summed = std::mem::replace(&mut self.summed, Summed::new(bins));
        let spectrum = PilotSpectrum::new(self.grid, summed, visits);
        self.segments = 0;
        self.segment_filled = 0;
        self.filled = 0;
        self.next = 0;
        self.table_at = 0;
        spectrum
    }

    /// Makes the outputs that the line has samples for, and moves what is still needed to its beginning.
    fn filter(&mut self) {
        while self.next + self.taps.len() <= self.filled {
            let span = self.next..self.next + self.taps.len();
            let filtered = dot(&self.line_re[span.clone()], &self.line_im[span], &self.taps);
            self.next += self.decimation;
            self.segment[self.segment_filled] = filtered;
            self.segment_filled += 1;
            if self.segment_filled == self.segment.len() {
                self.transform();
            }
        }
        let gone = self.next.min(self.filled);
        self.line_re.copy_within(gone..self.filled, 0);
        self.line_im.copy_within(gone..self.filled, 0);
        self.filled -= gone;
        self.next -= gone;
    }

    fn transform(&mut self) {
        let length = self.segment.len();
        for ((into, x), w) in self.work.iter_mut().zip(&self.segment).zip(&self.window) {
            *into = x * w;
        }
        self.work[length..].fill(Sample::default());
        self.fft
            .process_with_scratch(&mut self.work, &mut self.scratch);
        let half = self.grid.half_bins;
        let below = &self.work[self.work.len() - half..];
        let above = &self.work[..=half];
        for (power, x) in self.powers.iter_mut().zip(below.iter().chain(above)) {
            *power = f64::from(x.norm_sqr()) * self.power_scale;
        }
        let every = self.powers.iter().step_by(LEVEL_EVERY);
        for (some, &power) in self.some.iter_mut().zip(every) {
            *some = power;
        }
        let middle = self.some.len() / 2;
        let (_, &mut level, _) = self.some.select_nth_unstable_by(middle, f64::total_cmp);
        let level = level.max(LEAST_LEVEL);
        let Summed {
            powers,
            levelled,
            levels,
            squared_levels,
        } = &mut self.summed;
        for ((power, sum), levelled) in self.powers.iter().zip(powers).zip(levelled) {
            *sum += power;
            *levelled += power / level;
        }
        *levels += level;
        *squared_levels += level * level;
        self.segments = self.segments.saturating_add(1);
        self.segment.copy_within(length / 2.., 0);
        self.segment_filled = length / 2;
    }
}

/// A filter that passes everything, as long as the lanes ask.
fn unfiltered() -> Vec<f32> {
    let mut taps = vec![0.0; LANES];
    taps[0] = 1.0;
    taps
}

/// Low-pass taps with unit gain at zero, padded to whole lanes. `cutoff` is the middle and `transition` the whole
/// width of the slope, both in cycles a sample.
fn low_pass(cutoff: f64, transition: f64) -> Vec<f32> {
    let beta = 0.1102 * (STOP_DB - 8.7);
    let order = ((STOP_DB - 7.95) / (2.285 * TAU * transition)).ceil();
    let count = order as usize + 1;
    let taps: Vec<f64> = (0..count)
        .map(|n| {
            let from_middle = n as f64 - order / 2.0;
            let sinc = if from_middle == 0.0 {
                2.0 * cutoff
            } else {
                (TAU * cutoff * from_middle).sin() / (PI * from_middle)
            };
            let along = 2.0 * from_middle / order;
            sinc * bessel_i0(beta * (1.0 - along * along).max(0.0).sqrt())
        })
        .collect();
    let sum: f64 = taps.iter().sum();
    let mut taps: Vec<f32> = taps.iter().map(|t| (t / sum) as f32).collect();
    taps.resize(count.next_multiple_of(LANES), 0.0);
    taps
}

/// The modified Bessel function of the first kind and order 0, by its power series.
fn bessel_i0(x: f64) -> f64 {
    let quarter = x * x / 4.0;
    let (mut term, mut sum) = (1.0, 1.0);
    for k in 1..60 {
        term *= quarter / f64::from(k * k);
        sum += term;
    }
    sum
}

/// The least number not below `least` with no prime factor above 5: such transforms are fast.
fn smooth_at_least(least: usize) -> usize {
    (least..)
        .find(|&n| {
            let mut rest = n;
            for factor in [2, 3, 5] {
                while rest % factor == 0 {
                    rest /= factor;
                }
            }
            rest == 1
        })
        .unwrap_or(least)
}

/// Both rails in one loop, and the lanes added as a tree: sums that wait for one another cost half the speed.
fn dot(re: &[f32], im: &[f32], taps: &[f32]) -> Sample {
    let (mut a, mut b) = ([0f32; LANES], [0f32; LANES]);
    let lines = re.chunks_exact(LANES).zip(im.chunks_exact(LANES));
    for ((re, im), t) in lines.zip(taps.chunks_exact(LANES)) {
        for lane in 0..LANES {
            a[lane] += re[lane] * t[lane];
            b[lane] += im[lane] * t[lane];
        }
    }
    let tree = |x: [f32; LANES]| ((x[0] + x[4]) + (x[1] + x[5])) + ((x[2] + x[6]) + (x[3] + x[7]));
    Sample::new(tree(a), tree(b))
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_filter_passes_the_kept_stretch_and_stops_what_would_fold_into_it() {
        for (kept, rate) in [(80e3, 400e3), (21e3, 96e3)] {
            let fs = 2.4e6;
            let taps = low_pass(rate / 2.0 / fs, (rate - 2.0 * kept) / fs);
            let gain_db = |f_hz: f64| {
                let (mut re, mut im) = (0.0, 0.0);
                for (n, &t) in taps.iter().enumerate() {
                    let (sin, cos) = (TAU * f_hz / fs * n as f64).sin_cos();
                    re += f64::from(t) * cos;
                    im += f64::from(t) * sin;
                }
                10.0 * (re * re + im * im).log10()
            };
            for i in 0..=100 {
                let along = f64::from(i) / 100.0;
                assert!(
                    gain_db(kept * along).abs() < 0.01,
                    "{} dB inside",
                    gain_db(kept * along)
                );
                let outside = (rate - kept) + (fs / 2.0 - rate + kept) * along;
                assert!(
                    gain_db(outside) < -68.0,
                    "{} dB at {outside} Hz",
                    gain_db(outside)
                );
            }
        }
    }

    #[test]
    fn smooth_lengths_have_no_large_factors() {
        assert_eq!(smooth_at_least(7), 8);
        assert_eq!(smooth_at_least(5401), 5625); // 3²·5⁴; 5400 itself is 2³·3³·5²
        assert_eq!(smooth_at_least(5400), 5400);
    }

    #[test]
    fn a_probe_refuses_what_does_not_fit_into_the_sample_rate() {
        assert!(PilotProbe::new(2.4e6, -690e3, 60e3).is_some());
        assert!(PilotProbe::new(2.4e6, -1_190e3, 60e3).is_none());
        assert!(PilotProbe::new(f64::NAN, 0.0, 60e3).is_none());
        assert!(PilotProbe::new(2.4e6, f64::NAN, 60e3).is_none());
        assert!(PilotProbe::new(2.4e6, 0.0, 0.0).is_none());
        assert!(PilotProbe::new(250e3, 0.0, 60e3).is_some());
    }

    #[test]
    fn blocks_of_any_size_give_the_same_spectrum() {
        let samples: Vec<Sample> = (0..60_000u32)
            .map(|n| {
                Sample::new(
                    (n as f32 * 0.37).sin(),
                    ((n * n % 1009) as f32 * 0.01).cos(),
                )
            })
            .collect();
        let mut probe = PilotProbe::new(2.4e6, -690e3, 60e3).unwrap();
        probe.push(&samples);
        let whole = probe.finish();
        for block in [1, 37, 4096, 10_000] {
            // The same probe again: what a visit left behind would show.
            samples.chunks(block).for_each(|b| probe.push(b));
            assert_eq!(probe.finish(), whole, "blocks of {block}");
        }
    }
}
