//! The part of one transmitter's signal that falls into one tuning, at the receiver's sample rate.
//!
//! Work is done block by block in the frequency domain. A block is `native` samples of the waveform and the same stretch
//! of time in `out` samples of the receiver, `native / native rate = out / sample rate`, so that a bin is equally wide in
//! both. The bins that the receiver can see are multiplied by the path's response, laid where they belong (those beyond
//! half the sample rate fold over), and transformed back; a slow mixer then shifts the result by the fraction of a bin
//! that was left. Samples near a block's ends, where the transform wraps round, are dropped, and blocks overlap by that
//! much. What comes out is therefore free of seams, and is the same (to single precision) wherever blocks begin.

use std::sync::Arc;

use num_complex::Complex;
use rustfft::{Fft, FftPlanner};

use super::dongle::Passband;
use super::path::Path;
use super::waveform::{Ratio, Waveform, phasor};
use crate::capture::Sample;

/// Samples dropped at each end of a block, besides the longest echo: 107 µs at 2.4 MS/s. The responses of the
/// transmitter's filter and of the passband have died away by 90 dB and more by then.
const GUARD: usize = 256;
/// A block's length in samples of the receiver lies between these, but for the search's last resort; short dwells
/// get short blocks.
const SHORTEST: usize = 4096;
const LONGEST: usize = 56_000;
/// Native samples that a block is kept near or below, to bound memory (8 bytes each) at low sample rates.
const MOST_NATIVE: f64 = 3e5;
/// How far, in seconds, a block of native samples and its counterpart may differ in length: 0.05 ns is 0.001 rad at
/// 3 MHz. At the usual sample rates the fit is exact.
const MISFIT_S: f64 = 5e-11;
/// The response is worked out afresh every so many bins and interpolated between (1.5 kHz for a block of 20 ms).
const STRIDE: usize = 32;

/// Lengths of a block in native samples and in samples of the receiver.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
struct Lengths {
    native: usize,
    out: usize,
}

/// What a receiver listens to in one tuning.
#[derive(Debug, Clone, Copy)]
pub(super) struct Ear {
    /// Frequency that truly stands at 0 Hz.
    pub listen_hz: f64,
    /// Complex samples a second.
    pub sample_rate: u32,
    /// When the first sample is taken, in nanoseconds after the scene's epoch.
    pub start_ns: i128,
    /// How many samples the tuning holds.
    pub samples: u64,
}

/// One transmitter in one tuning: hands out its samples in order.
pub(super) struct Slice {
    waveform: Waveform,
    lengths: Lengths,
    guard: usize,
    forward: Arc<dyn Fft<f32>>,
    inverse: Arc<dyn Fft<f32>>,
    /// Response from bin `first_bin` (counted from native 0 Hz) upwards.
    response: Vec<Sample>,
    first_bin: i64,
    /// Bins by which native 0 Hz is shifted, and what is left, in turns a sample.
    shift: i64,
    left_turns: f64,
    carrier_turns: f64,
    /// Native index at the tuning's first sample, whole and fraction, and native samples a sample.
    start: (i64, f64),
    native_per_sample: f64,
    blocks: u64,
    native: Vec<Sample>,
    block: Vec<Sample>,
    scratch: Vec<Sample>,
    /// Next sample of `block` to hand out.
    at: usize,
}

impl Slice {
    /// The slice of `waveform` through `path` that `ear` hears; `None` where nothing of it reaches the tuning.
    pub(super) fn new(
        waveform: &Waveform,
        path: &Path,
        passband: &Passband,
        ear: &Ear,
        planner: &mut FftPlanner<f32>,
    ) -> Option<Self> {
        let rate_hz = f64::from(ear.sample_rate);
        let carrier_hz = path.reference_hz() - ear.listen_hz;
        let (band_low, band_high) = waveform.band_hz();
        let reach_hz = passband.reach_hz();
        let low_hz = band_low.max(-reach_hz - carrier_hz);
        let high_hz = band_high.min(reach_hz - carrier_hz);
        if low_hz >= high_hz {
            return None;
        }
        let guard = GUARD + (path.longest_echo_s() * rate_hz).ceil() as usize;
        let wanted = usize::try_from(ear.samples)
            .unwrap_or(usize::MAX)
            .saturating_add(2 * guard);
        let native_per_sample = waveform.rate().value() / rate_hz;
        let shortest = SHORTEST.max(4 * guard);
        let longest = LONGEST
            .min((MOST_NATIVE / native_per_sample) as usize)
            .max(shortest);
        let lengths = lengths(
            waveform.rate(),
            ear.sample_rate,
            wanted.clamp(shortest, longest),
        );
        let bin_hz = waveform.rate().value() / lengths.native as f64;
        let first_bin = (low_hz / bin_hz).ceil() as i64;
        let count = ((high_hz / bin_hz).floor() as i64 - first_bin + 1).max(0) as usize;
        // One over `native` undoes the scale of the forward transform; the inverse is left unscaled.
        let scale = 1.0 / lengths.native as f64;
        let response = response(waveform, path, first_bin, count, bin_hz, |f_hz| {
            scale * passband.amplitude(carrier_hz + f_hz)
        });
        let shift = (carrier_hz / bin_hz).round();
        let forward = planner.plan_fft_forward(lengths.native);
        let inverse = planner.plan_fft_inverse(lengths.out);
        let scratch = forward
            .get_inplace_scratch_len()
            .max(inverse.get_inplace_scratch_len());
        Some(Slice {
            waveform: waveform.clone(),
            lengths,
            guard,
            response,
            first_bin,
            shift: shift as i64,
            left_turns: (carrier_hz - shift * bin_hz) / rate_hz,
            carrier_turns: carrier_hz / rate_hz,
            start: position(ear.start_ns, waveform.rate()),
            native_per_sample,
            blocks: 0,
            native: vec![Sample::default(); lengths.native],
            block: vec![Sample::default(); lengths.out],
            scratch: vec![Sample::default(); scratch],
            at: lengths.out - guard,
            forward,
            inverse,
        })
    }

    /// Turns that native 0 Hz (the pilot of 8-VSB, the middle of OFDM) makes in a sample.
    pub(super) fn carrier_turns(&self) -> f64 {
        self.carrier_turns
    }

    /// Adds this slice's next samples to `into`, each times an amplitude that runs in a straight line from the first
    /// of `amplitudes` to the second over `into`.
    pub(super) fn add_to(&mut self, into: &mut [Sample], amplitudes: (f32, f32)) {
        let step = (amplitudes.1 - amplitudes.0) / into.len().max(1) as f32;
        let mut done = 0;
        while done < into.len() {
            let end = self.lengths.out - self.guard;
            if self.at == end {
                self.make_block();
            }
            let take = (end - self.at).min(into.len() - done);
            for (index, (sum, x)) in into[done..done + take]
                .iter_mut()
                .zip(&self.block[self.at..])
                .enumerate()
            {
                *sum += x * (amplitudes.0 + step * (done + index) as f32);
            }
            self.at += take;
            done += take;
        }
    }

    fn make_block(&mut self) {
        let Lengths { native, out } = self.lengths;
        let hop = (out - 2 * self.guard) as u64;
        // Where the block begins, in samples after the tuning's first one.
        let begins = (self.blocks * hop) as f64 - self.guard as f64;
        let position = self.start.1 + begins * self.native_per_sample;
        let late = position - position.floor();
        self.waveform
            .fill(self.start.0 + position.floor() as i64, &mut self.native);
        self.forward
            .process_with_scratch(&mut self.native, &mut self.scratch);

        self.block.fill(Sample::default());
        let mut turn = phasor(self.first_bin as f64 * late / native as f64);
        let step = phasor(late / native as f64);
        let mut from = self.first_bin.rem_euclid(native as i64) as usize;
        let mut to = (self.first_bin + self.shift).rem_euclid(out as i64) as usize;
        for &gain in &self.response {
            self.block[to] +=
                self.native[from] * gain * Complex::new(turn.re as f32, turn.im as f32);
            turn *= step;
            from = if from + 1 == native { 0 } else { from + 1 };
            to = if to + 1 == out { 0 } else { to + 1 };
        }
        self.inverse
            .process_with_scratch(&mut self.block, &mut self.scratch);

        let mut turn = phasor(self.carrier_turns * begins);
        let step = phasor(self.left_turns);
        for sample in &mut self.block {
            *sample *= Complex::new(turn.re as f32, turn.im as f32);
            turn *= step;
        }
        self.blocks += 1;
        self.at = self.guard;
    }
}

/// Native index at `time_ns` after the epoch: the whole part and the fraction, exact whatever the distance.
fn position(time_ns: i128, rate: Ratio) -> (i64, f64) {
    let divisor = rate.denominator * 1_000_000_000;
    let product = time_ns * rate.numerator;
    (
        product.div_euclid(divisor) as i64,
        product.rem_euclid(divisor) as f64 / divisor as f64,
    )
}

/// The response of `count` bins from `first_bin`: filter, echoes, antenna, and `receiver`, which must be smooth.
fn response(
    waveform: &Waveform,
    path: &Path,
    first_bin: i64,
    count: usize,
    bin_hz: f64,
    receiver: impl Fn(f64) -> f64,
) -> Vec<Sample> {
    let at_hz = |index: usize| (first_bin + index as i64) as f64 * bin_hz;
    let mut echoes = path.echo_steps(at_hz(0), bin_hz);
    let mut made = Vec::with_capacity(count);
    let smooth = |index: usize| receiver(at_hz(index)) * path.amplitude(at_hz(index));
    let mut next = smooth(0);
    for begin in (0..count).step_by(STRIDE) {
        let here = next;
        next = smooth(begin + STRIDE);
        for index in begin..(begin + STRIDE).min(count) {
            let level = here + (next - here) * (index - begin) as f64 / STRIDE as f64;
            let mut sum = Complex::new(1.0, 0.0);
            for (echo, step) in &mut echoes {
                sum += *echo;
                *echo *= *step;
            }
            sum *= level * waveform.filter(at_hz(index));
            made.push(Complex::new(sum.re as f32, sum.im as f32));
        }
    }
    made
}

/// Block lengths for a waveform at `rate` heard at `sample_rate`, at least `wanted` samples long.
///
/// Of the lengths up to half as long again that fit within [`MISFIT_S`], the cheapest to transform; where none fits, the
/// one that fits best.
fn lengths(rate: Ratio, sample_rate: u32, wanted: usize) -> Lengths {
    let ratio = rate.value() / f64::from(sample_rate);
    let candidates = (wanted..wanted + wanted / 2 + 1000).map(|out| {
        let native = (out as f64 * ratio).round().max(1.0) as usize;
        let misfit_s = (native as f64 / rate.value() - out as f64 / f64::from(sample_rate)).abs();
        (Lengths { native, out }, misfit_s)
    });
    let cheapest = candidates
        .clone()
        .filter(|&(_, misfit_s)| misfit_s <= MISFIT_S)
        .map(|(lengths, _)| (lengths, cost(lengths.native) + cost(lengths.out)))
        .min_by(|a, b| a.1.total_cmp(&b.1));
    let best = || {
        candidates
            .min_by(|a, b| a.1.total_cmp(&b.1))
            .map(|(lengths, _)| lengths)
    };
    match cheapest {
        Some((lengths, _)) => lengths,
        None => best().unwrap_or(Lengths { native: 1, out: 1 }),
    }
}

/// Rough cost of a transform of this length: the length times the sum of its prime factors' costs, a prime that rustfft
/// has no butterfly for counting for much more.
fn cost(length: usize) -> f64 {
    let (mut rest, mut sum) = (length, 0.0);
    for prime in [2usize, 3, 5, 7, 11, 13, 17, 19, 23, 29, 31] {
        while rest.is_multiple_of(prime) {
            rest /= prime;
            sum += (prime as f64).sqrt();
        }
    }
    length as f64 * (sum + if rest > 1 { 60.0 } else { 0.0 })
}

#[cfg(test)]
mod tests {
    use super::super::scene::Scene;
    use super::*;

    const VSB: Ratio = Ratio {
        numerator: 1_539_000_000,
        denominator: 143,
    };

    #[test]
    fn lengths_fit_exactly_at_the_usual_rates() {
        for sample_rate in [
            960_000, 1_024_000, 1_920_000, 2_048_000, 2_400_000, 2_560_000, 2_880_000, 3_200_000,
        ] {
            for numerator in [6 * 8_000_000, 7 * 8_000_000, 8 * 8_000_000] {
                let rate = Ratio {
                    numerator,
                    denominator: 7,
                };
                let fit = lengths(rate, sample_rate, 48_512);
                assert_eq!(
                    fit.native as i128 * 7 * i128::from(sample_rate),
                    fit.out as i128 * numerator
                );
            }
            let fit = lengths(VSB, sample_rate, 48_512);
            let misfit_s =
                fit.native as f64 / VSB.value() - fit.out as f64 / f64::from(sample_rate);
            assert!(
                misfit_s.abs() < MISFIT_S,
                "{sample_rate}: {fit:?} {misfit_s}"
            );
            assert!(fit.out < 80_000);
        }
        // 2.4 MS/s: S/fs = 2565/572.
        let fit = lengths(VSB, 2_400_000, 48_512);
        assert_eq!(fit.native * 572, fit.out * 2565);
    }

    #[test]
    fn an_odd_rate_still_fits_within_the_limit() {
        for sample_rate in [2_399_999, 2_000_003, 999_983] {
            let fit = lengths(VSB, sample_rate, 48_512);
            let misfit_s =
                fit.native as f64 / VSB.value() - fit.out as f64 / f64::from(sample_rate);
            assert!(
                misfit_s.abs() < 4.0 * MISFIT_S,
                "{sample_rate}: {fit:?} {misfit_s}"
            );
        }
    }

    #[test]
    fn positions_are_exact_a_year_from_the_epoch() {
        let year_ns = 365 * 86_400 * 1_000_000_000i128;
        // A second later is 10 762 237 + 109/143 samples later (1539/143 MHz).
        let (whole, part) = position(year_ns, VSB);
        let (later, later_part) = position(year_ns + 1_000_000_000, VSB);
        let difference = (later - whole) as f64 + (later_part - part);
        assert!(
            (difference - 1_539_000_000.0 / 143.0).abs() < 1e-9,
            "{difference}"
        );
        assert_eq!(
            position(
                -1_000_000_000,
                Ratio {
                    numerator: 8_000_000,
                    denominator: 1
                }
            ),
            (-8_000_000, 0.0)
        );
    }

    /// The slow, obvious way: every symbol times the impulse response of the whole chain, found by quadrature.
    #[test]
    fn a_block_equals_the_sum_over_symbols_of_the_impulse_response() {
        let scene = Scene::parse(
            "slice test",
            r#"
            title = "One transmitter"
            invented = true
            plan = "us"
            seed = 5
            [dongle]
            noise_dbfs_per_mhz = -60
            [[transmitter]]
            name = "T"
            channel = 20
            low_mhz = 506
            width_mhz = 6
            standard = "8vsb"
            power_dbfs = 0
            bearing_deg = 0
            frequency_offset_hz = 123.4
            echo = [{ delay_us = 2.5, level_db = -4, phase_deg = 70 }]
            [[antenna]]
            name = "sloping"
            gain = [[500, -3], [520, 6]]
            [[spot]]
            name = "S"
            "#,
        )
        .unwrap();
        let mut planner = FftPlanner::new();
        let waveform = Waveform::vsb8(5, 0);
        let path = Path::new(
            &scene.transmitters[0],
            &waveform,
            Some(&scene.antennas[0]),
            0.0,
            0.0,
        );
        let passband = Passband::of(&scene.dongle);
        // The pilot and half the slope of the lower edge in view.
        let ear = Ear {
            listen_hz: 507.0e6,
            sample_rate: 2_400_000,
            start_ns: 123_456_789_012,
            samples: 60_000,
        };
        let mut slice = Slice::new(&waveform, &path, &passband, &ear, &mut planner).unwrap();
        let mut made = vec![Sample::default(); 60_000];
        slice.add_to(&mut made, (1.0, 1.0));

        let carrier_hz = path.reference_hz() - ear.listen_hz;
        let steps = 1500;
        let (low, high) = waveform.band_hz();
        let high = high.min(passband.reach_hz() - carrier_hz);
        let response: Vec<(f64, Complex<f64>)> = (0..steps)
            .map(|i| {
                let f = low + (high - low) * (i as f64 + 0.5) / steps as f64;
                let echo = path
                    .echo_steps(f, 0.0)
                    .iter()
                    .fold(Complex::new(1.0, 0.0), |sum, (echo, _)| sum + echo);
                let gain =
                    waveform.filter(f) * path.amplitude(f) * passband.amplitude(carrier_hz + f);
                (f, echo * gain * (high - low) / steps as f64)
            })
            .collect();
        let (mut error, mut power) = (0.0, 0.0);
        let span = 300i64;
        // Among them samples on both sides of the seam between the first two blocks.
        for n in [0usize, 1, 777, 49_500, 50_000, 59_999] {
            let at = ear.start_ns as f64 / 1e9 * VSB.value();
            let (whole, part) = position(ear.start_ns, VSB);
            assert!((at - (whole as f64 + part)).abs() < 1e-2);
            let position = part + n as f64 * VSB.value() / 2.4e6;
            let middle = whole + position.floor() as i64;
            let mut symbols = vec![Sample::default(); 2 * span as usize];
            waveform.fill(middle - span, &mut symbols);
            let mut sum = Complex::new(0.0, 0.0);
            for (f, gain) in &response {
                // Σ a_k exp(j2πf(t − t_k)), by recurrence over k.
                let age = (position - position.floor()) + span as f64;
                let mut turn = phasor(f * age / VSB.value());
                let back = phasor(-f / VSB.value());
                let mut line = Complex::new(0.0, 0.0);
                for symbol in &symbols {
                    line += turn * f64::from(symbol.re);
                    turn *= back;
                }
                sum += line * gain;
            }
            sum *= phasor(carrier_hz * n as f64 / 2.4e6) / VSB.value();
            let difference = sum - Complex::new(f64::from(made[n].re), f64::from(made[n].im));
            error += difference.norm_sqr();
            power += sum.norm_sqr();
        }
        // What is left is the tail of the impulse response beyond 300 symbols (28 µs).
        assert!(error / power < 1e-4, "{error} of {power}");
    }
}
