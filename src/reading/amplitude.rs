//! The converter's health from the amplitudes alone: drive, centre spike, clipping, rounding.
//!
//! Clipping is told from a strong but clean signal by the shape of the amplitude distribution near the converter's
//! ends. A clean signal's distribution runs smoothly into the last code: a noise-like one (OFDM, 8-VSB) has no more
//! there than in the code before, a full-scale carrier, whose distribution rises as 1/√(1 − x²) towards its peak, up
//! to 3.2 times the mean of the four codes before. A clipped one piles up all that lay beyond. What the codes before
//! the last explain is the *expected* share; a pile beyond it counts as clipping once it is significantly more than
//! [`TOLERATED`] of the samples.
//!
//! A carrier driven past the end by a small part of a step (0.1 step clips it in 5 % of its samples), or an excess below
//! the tolerated share, adds less than rounding does, and is not called clipping. Runs of samples at one end are reported and not judged: a clean, slow
//! full-scale carrier has long ones, too.
//!
//! Sources: arcsine and normal distributions; rounding adds step²/12 a rail.

use crate::capture::Sample;

/// Share of samples at the ends beyond the expected that is tolerated: normal noise clipped in 2·10⁻⁴ of its samples
/// makes distortion of about −50 dBFS, as much as rounding to 8 bits.
pub const TOLERATED: f64 = 2e-4;

/// Codes counted at each end, the last one included.
const CODES: usize = 16;

/// Codes before the last whose mean tells what to expect in it, and as many again twice to tell the trend.
const NEAR: usize = 4;
const FAR: usize = 8;

/// A full-scale carrier's share in the last code over the mean of the [`NEAR`] codes before, less 1, over what the mean
/// of these exceeds that of the [`FAR`] codes before by: arccos(127/128) and its like, at the worst place of the peak
/// within the last code.
const TREND: f64 = 2.83;

const PLUS: usize = 0;
const MINUS: usize = 1;

/// Samples are summed in single precision over this many, then added up in double.
const BLOCK: usize = 256;

/// The step assumed where the source has none (floating-point samples), only to sort amplitudes near full scale.
const NOTIONAL_STEP: f64 = 1.0 / 127.5;

/// Statistics of the samples of one tuning, gathered block after block.
#[derive(Debug, Clone, PartialEq)]
pub struct AmplitudeStats {
    step: Option<f64>,
    /// Amplitudes from here on are counted code by code.
    near_end: f32,
    count: u64,
    sums: [f64; 2],
    squares: [f64; 2],
    /// Sum of the products of I and Q.
    crossed: f64,
    /// For each rail and sign (I+, I−, Q+, Q−; see [`PLUS`] and [`MINUS`]), values by their distance in codes from full scale.
    tallies: [[u64; CODES]; 4],
    /// Values more than half a step beyond full scale: there is no end there.
    beyond: u64,
    /// Samples with I or Q at an end: at full scale, and the same with one code less at the positive end.
    at_end: [u64; 2],
    /// Present run of values at full scale for each rail and sign, and the longest.
    runs: [u64; 4],
    longest_run: u64,
}

/// What the amplitudes say about clipping.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Clipping {
    /// Share of samples with I or Q at an end of the converter, 0 to 1.
    pub fraction: f64,
    /// Share that a clean signal with this distribution just below the ends would have there.
    pub expected_fraction: f64,
    /// Longest run of values at full scale at the same end of one rail.
    pub longest_run: u64,
    /// Whether the signal is clipped: more at the ends than expected by more than [`TOLERATED`], significantly.
    pub clipped: bool,
}

/// The chance of calling a tuning's own scatter an image.
const IMAGE_FALSE_ALARM: f64 = 1e-3;

/// How strong the image is.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Image {
    /// Its amplitude relative to the signal's, or, where none was found, the most that it can be.
    pub amplitude: f64,
    /// Whether one was found: without any, chance shows one in fewer than one tuning in a thousand.
    pub found: bool,
}

impl AmplitudeStats {
    /// No samples yet. `step` is the converter's step where full scale is 1 (1/127.5 for 8 bits), `None` for
    /// floating-point samples, for which an end is assumed at ±1 unless values lie beyond it.
    pub fn new(step: Option<f64>) -> Self {
        let step = step.filter(|s| *s > 0.0 && *s < 1.0);
        let mut stats = AmplitudeStats {
            step,
            near_end: 0.0,
            count: 0,
            sums: [0.0; 2],
            squares: [0.0; 2],
            crossed: 0.0,
            tallies: [[0; CODES]; 4],
            beyond: 0,
            at_end: [0; 2],
            runs: [0; 4],
            longest_run: 0,
        };
        stats.near_end = (1.0 - (CODES as f64 - 0.5) * stats.sorting_step()) as f32;
        stats
    }

    /// Takes the next samples, in blocks of any size. Allocates nothing.
    pub fn push(&mut self, samples: &[Sample]) {
        for block in samples.chunks(BLOCK) {
            let largest = self.add(block);
            if largest >= self.near_end {
                self.sort(block);
            } else {
                self.runs = [0; 4];
            }
        }
        self.count += samples.len() as u64;
    }

    /// Adds the samples of another stretch of the same tuning. A run does not go on from one to the other.
    pub fn merge(&mut self, other: &AmplitudeStats) {
        self.count += other.count;
        self.beyond += other.beyond;
        self.crossed += other.crossed;
        for k in 0..2 {
            self.sums[k] += other.sums[k];
            self.squares[k] += other.squares[k];
            self.at_end[k] += other.at_end[k];
        }
        for (ours, theirs) in self
            .tallies
            .iter_mut()
            .flatten()
            .zip(other.tallies.iter().flatten())
        {
            *ours += theirs;
        }
        self.longest_run = self.longest_run.max(other.longest_run);
        self.runs = [0; 4];
    }

    /// How many samples there were.
    pub fn count(&self) -> u64 {
        self.count
    }

    /// Mean of I and of Q: the spike at the tuning's centre. `None` without samples.
    pub fn mean(&self) -> Option<[f64; 2]> {
        let n = self.samples()?;
        Some(self.sums.map(|s| s / n))
    }

    /// Mean |x|², linear (0 dBFS = 1), spike included. `None` without samples.
    pub fn mean_square(&self) -> Option<f64> {
        Some((self.squares[0] + self.squares[1]) / self.samples()?)
    }

    /// Drive of I and of Q in converter steps, rms, the mean taken off, rounding noise included. `None` without samples
    /// or for a source without steps.
    pub fn drive_steps(&self) -> Option<[f64; 2]> {
        let (n, step, mean) = (self.samples()?, self.step?, self.mean()?);
        let rms = |rail: usize| {
            (self.squares[rail] / n - mean[rail] * mean[rail])
                .max(0.0)
                .sqrt()
                / step
        };
        Some([rms(0), rms(1)])
    }

    /// Drive of the two rails together in converter steps, rms on one rail.
    pub fn drive_lsb_rms(&self) -> Option<f64> {
        self.drive_steps()
            .map(|[i, q]| ((i * i + q * q) / 2.0).sqrt())
    }

    /// The image that an unequal I and Q leave on the other side of the centre: amplitude relative to the signal's own.
    /// `None` without samples or without power. `independent` is the share of the samples that counts as independent, 1 for
    /// white noise.
    ///
    /// Received as y = x + β·x*, a signal whose mean square E\[x²\] is zero, as that of noise, OFDM and of 8-VSB away from
    /// the centre is, has E\[y²\] = 2β·E\[|x|²\] to first order; the spike is taken off first. Without an image, the mean
    /// square of n independent samples over twice their power is Rayleigh distributed with the mean square 1/(2n).
    pub fn image(&self, independent: f64) -> Option<Image> {
        let (n, mean) = (self.samples()?, self.mean()?);
        let [i, q] = [0, 1].map(|rail| self.squares[rail] / n - mean[rail] * mean[rail]);
        let crossed = self.crossed / n - mean[0] * mean[1];
        let power = i + q;
        (power > 0.0).then(|| {
            let amplitude = (i - q).hypot(2.0 * crossed) / (2.0 * power);
            let bound = (IMAGE_FALSE_ALARM.recip().ln() / (2.0 * n * independent)).sqrt();
            Image {
                amplitude: amplitude.max(bound),
                found: amplitude > bound,
            }
        })
    }

    /// Whether the drive is under one step rms, so that rounding hides the noise; `None` where it isn't known.
    pub fn rounding_limited(&self) -> Option<bool> {
        self.drive_lsb_rms().map(|drive| drive < 1.0)
    }

    /// Tells clipping from a strong but clean signal. Without samples nothing is clipped.
    pub fn clipping(&self) -> Clipping {
        let n = self.samples().unwrap_or(1.0);
        if self.step.is_none() && self.beyond > 0 {
            return Clipping {
                fraction: 0.0,
                expected_fraction: 0.0,
                longest_run: 0,
                clipped: false,
            };
        }
        // A signed converter ends one code short of +1.
        let reached = |sign: usize| self.tallies[sign][0] + self.tallies[sign + 2][0] > 0;
        let short = usize::from(reached(MINUS) && !reached(PLUS));
        let (mut at_ends, mut expected) = (0.0, 0.0);
        for (side, tally) in self.tallies.iter().enumerate() {
            let end = if side % 2 == PLUS { short } else { 0 };
            let mean = |from: usize, count: usize| {
                tally[from..from + count].iter().sum::<u64>() as f64 / count as f64
            };
            let near = mean(end + 1, NEAR);
            let far = mean(end + 1 + NEAR, FAR);
            let rise = if far > 0.0 {
                (near / far - 1.0).clamp(0.0, 0.8)
            } else {
                0.0
            };
            at_ends += tally[..=end].iter().sum::<u64>() as f64;
            expected += near * (1.0 + TREND * rise);
        }
        // Samples with both rails at an end are in two tallies.
        let met = self.at_end[short] as f64;
        let expected_met = if at_ends > 0.0 {
            expected.min(at_ends) * met / at_ends
        } else {
            0.0
        };
        // A tenth for what is not exactly so (a carrier that meets few phases), and three standard deviations of chance.
        let tolerated = TOLERATED * n;
        let limit = 1.1 * expected + tolerated + 3.0 * (expected + tolerated).sqrt();
        Clipping {
            fraction: met / n,
            expected_fraction: expected_met / n,
            longest_run: self.longest_run,
            clipped: at_ends > limit,
        }
    }

    fn samples(&self) -> Option<f64> {
        (self.count > 0).then_some(self.count as f64)
    }

    fn sorting_step(&self) -> f64 {
        self.step.unwrap_or(NOTIONAL_STEP)
    }

    /// Adds a block's sums and returns its largest amplitude on a rail.
    fn add(&mut self, block: &[Sample]) -> f32 {
        let Lanes {
            sums,
            squares,
            crossed,
            largest,
        } = Lanes::of(block);
        self.crossed += crossed.iter().map(|&sum| f64::from(sum)).sum::<f64>();
        for k in 0..LANES {
            self.sums[k % 2] += f64::from(sums[k]);
            self.squares[k % 2] += f64::from(squares[k]);
        }
        largest.iter().fold(0.0, |a, &b| if b > a { b } else { a })
    }

    /// Counts a block's values near full scale, code by code; seldom needed.
    fn sort(&mut self, block: &[Sample]) {
        let step = self.sorting_step();
        for x in block {
            if x.re.abs().max(x.im.abs()) < self.near_end {
                self.runs = [0; 4];
                continue;
            }
            let mut least = [CODES; 2];
            for (rail, value) in [x.re, x.im].into_iter().enumerate() {
                let sign = if value >= 0.0 { PLUS } else { MINUS };
                let (side, other) = (2 * rail + sign, 2 * rail + 1 - sign);
                let code = ((1.0 - f64::from(value.abs())) / step).round();
                self.runs[other] = 0;
                self.beyond += u64::from(code < 0.0);
                if code < CODES as f64 {
                    let code = code.max(0.0) as usize;
                    self.tallies[side][code] += 1;
                    least[sign] = least[sign].min(code);
                }
                self.runs[side] = if code <= 0.0 { self.runs[side] + 1 } else { 0 };
                self.longest_run = self.longest_run.max(self.runs[side]);
            }
            for (short, count) in self.at_end.iter_mut().enumerate() {
                *count += u64::from(least[PLUS] <= short || least[MINUS] == 0);
            }
        }
    }
}

const LANES: usize = 8;

/// Sums over a block in plain lanes (I and Q in turn), so that the compiler can use vector instructions.
struct Lanes {
    sums: [f32; LANES],
    squares: [f32; LANES],
    crossed: [f32; LANES / 2],
    largest: [f32; LANES],
}

impl Lanes {
    /// Not inlined: merged into its caller it took a fifth longer (0.40 against 0.33 ns a sample).
    #[inline(never)]
    fn of(block: &[Sample]) -> Lanes {
        let (mut sums, mut squares, mut largest) = ([0f32; LANES], [0f32; LANES], [0f32; LANES]);
        let mut crossed = [0f32; LANES / 2];
        let chunks = block.chunks_exact(LANES / 2);
        let rest = chunks.remainder();
        for c in chunks {
            let x = [
                c[0].re, c[0].im, c[1].re, c[1].im, c[2].re, c[2].im, c[3].re, c[3].im,
            ];
            for lane in 0..LANES {
                sums[lane] += x[lane];
            }
            for lane in 0..LANES {
                squares[lane] += x[lane] * x[lane];
            }
            for lane in 0..LANES / 2 {
                crossed[lane] += x[2 * lane] * x[2 * lane + 1];
            }
            for lane in 0..LANES {
                let size = x[lane].abs();
                largest[lane] = if size > largest[lane] {
                    size
                } else {
                    largest[lane]
                };
            }
        }
        for c in rest {
            crossed[0] += c.re * c.im;
            for (lane, x) in [c.re, c.im].into_iter().enumerate() {
                sums[lane] += x;
                squares[lane] += x * x;
                largest[lane] = largest[lane].max(x.abs());
            }
        }
        Lanes {
            sums,
            squares,
            crossed,
            largest,
        }
    }
}

#[cfg(test)]
mod tests {
    use std::f64::consts::TAU;

    use rand::SeedableRng;
    use rand_chacha::ChaCha8Rng;
    use rand_distr::{Distribution, StandardNormal};

    use super::*;

    const STEP: f64 = 1.0 / 127.5;

    /// An 8-bit converter: the nearest of 256 codes.
    fn convert(i: f64, q: f64) -> Sample {
        let code = |x: f64| (x * 127.5 + 127.5).round().clamp(0.0, 255.0);
        Sample::new(
            ((code(i) - 127.5) / 127.5) as f32,
            ((code(q) - 127.5) / 127.5) as f32,
        )
    }

    fn normal(seed: u64, count: usize, rms: f64) -> Vec<Sample> {
        let mut rng = ChaCha8Rng::seed_from_u64(seed);
        (0..count)
            .map(|_| {
                let (i, q): (f64, f64) = (
                    StandardNormal.sample(&mut rng),
                    StandardNormal.sample(&mut rng),
                );
                convert(rms * i, rms * q)
            })
            .collect()
    }

    fn carrier(count: usize, amplitude: f64, cycles_per_sample: f64) -> Vec<Sample> {
        (0..count)
            .map(|n| {
                let (sin, cos) = (TAU * (cycles_per_sample * n as f64 + 0.03).fract()).sin_cos();
                convert(amplitude * cos, amplitude * sin)
            })
            .collect()
    }

    fn stats(samples: &[Sample]) -> AmplitudeStats {
        let mut stats = AmplitudeStats::new(Some(STEP));
        stats.push(samples);
        stats
    }

    #[test]
    fn normal_noise_beyond_full_scale_is_the_handbooks_share() {
        // Share beyond full scale on a rail (recomputed from the normal distribution); a sample has two rails, and
        // the end's code reaches half a step inside.
        for (rms, share) in [(1.0 / 2.0, 0.0455), (1.0 / 3.0, 0.00270)] {
            let n = 200_000;
            let rail = two_sided((1.0 - STEP / 2.0) / rms);
            assert!(
                (two_sided(1.0 / rms) / share - 1.0).abs() < 0.002,
                "the table itself"
            );
            let expected = 1.0 - (1.0 - rail) * (1.0 - rail);
            let got = stats(&normal(3, n, rms)).clipping();
            let error = (expected / n as f64).sqrt();
            assert!(
                (got.fraction - expected).abs() < 4.0 * error,
                "{} for {expected}",
                got.fraction
            );
            assert!(got.clipped);
        }
    }

    fn two_sided(z: f64) -> f64 {
        statrs::function::erf::erfc(z / std::f64::consts::SQRT_2)
    }

    #[test]
    fn a_strong_clean_signal_is_not_clipped() {
        for seed in 0..20 {
            // A quarter of full scale rms on each rail is −9 dBFS; 1.3 samples in 10 000 are beyond the ends.
            let clipping = stats(&normal(seed, 48_000, 0.25)).clipping();
            assert!(!clipping.clipped, "{clipping:?}");
        }
        for amplitude in [0.9, 0.97, 0.99, 0.995, 0.998, 1.0, 1.002, 1.0039] {
            for cycles in [0.001234, 0.0371, 0.123456, 0.31, -0.2877] {
                let clipping = stats(&carrier(48_000, amplitude, cycles)).clipping();
                assert!(
                    !clipping.clipped,
                    "carrier of {amplitude} at {cycles}: {clipping:?}"
                );
            }
        }
    }

    #[test]
    fn a_clipped_signal_is_called_clipped_from_a_thousandth_to_a_third() {
        // Drive at which this share of noise-like samples lies beyond an end: P = 1 − (1 − p)², p two-sided.
        for share in [0.001f64, 0.003, 0.01, 0.03, 0.1, 0.3] {
            let rail = 1.0 - (1.0 - share).sqrt();
            let z = statrs::function::erf::erfc_inv(rail) * std::f64::consts::SQRT_2;
            for seed in 0..10 {
                let clipping = stats(&normal(seed, 48_000, 1.0 / z)).clipping();
                assert!(clipping.clipped, "{share}: {clipping:?}");
                assert!(
                    clipping.fraction > 4.0 * clipping.expected_fraction,
                    "{share}: {clipping:?}"
                );
            }
        }
        // A carrier: half a step beyond the end at 1.0039; each of the two rails is clipped for this share of time.
        for share in [0.1, 0.2, 0.3] {
            let amplitude = (1.0 + STEP / 2.0) / (share / 2.0 * std::f64::consts::FRAC_PI_2).cos();
            for cycles in [0.001234, 0.0371, 0.123456] {
                let clipping = stats(&carrier(48_000, amplitude, cycles)).clipping();
                assert!(clipping.clipped, "carrier, {share}: {clipping:?}");
            }
        }
    }

    #[test]
    fn a_signed_converters_ends_are_found_one_code_apart() {
        let mut rng = ChaCha8Rng::seed_from_u64(5);
        let mut draw = |rms: f64| {
            let x: f64 = StandardNormal.sample(&mut rng);
            ((x * rms * 128.0).round().clamp(-128.0, 127.0) / 128.0) as f32
        };
        let samples: Vec<Sample> = (0..48_000)
            .map(|_| Sample::new(draw(0.5), draw(0.5)))
            .collect();
        let mut stats = AmplitudeStats::new(Some(1.0 / 128.0));
        stats.push(&samples);
        let clipping = stats.clipping();
        assert!(
            clipping.clipped && (clipping.fraction - 0.0915).abs() < 0.01,
            "{clipping:?}"
        );
    }

    #[test]
    fn floating_point_samples_beyond_one_have_no_end_there() {
        let mut stats = AmplitudeStats::new(None);
        stats.push(
            &(0..9000)
                .map(|n| Sample::new((n as f32 * 0.1).sin() * 1.5, 0.0))
                .collect::<Vec<_>>(),
        );
        assert!(!stats.clipping().clipped);
        assert_eq!(
            (stats.drive_steps(), stats.rounding_limited()),
            (None, None)
        );
    }

    #[test]
    fn moments_and_drive_come_out_as_they_went_in() {
        let samples: Vec<Sample> = carrier(48_000, 0.5, 0.125 * 1.01)
            .iter()
            .map(|x| x + Sample::new(0.004, -0.003))
            .collect();
        let mut stats = AmplitudeStats::new(Some(STEP));
        assert_eq!(
            (stats.mean(), stats.mean_square(), stats.drive_steps()),
            (None, None, None)
        );
        samples.chunks(777).for_each(|block| stats.push(block));
        let [i, q] = stats.mean().unwrap();
        // Rounding is within a half step and its mean far smaller.
        assert!(
            (i - 0.004).abs() < 1e-4 && (q + 0.003).abs() < 1e-4,
            "{i} {q}"
        );
        assert!((stats.mean_square().unwrap() - 0.25).abs() < 3e-4);
        let drive = stats.drive_lsb_rms().unwrap();
        assert!((drive - 0.5 / 2f64.sqrt() * 127.5).abs() < 0.05, "{drive}");
        assert_eq!(stats.rounding_limited(), Some(false));
    }

    #[test]
    fn weak_noise_is_called_limited_by_rounding() {
        for (rms_steps, limited) in [(0.5, true), (0.9, true), (1.1, false), (3.0, false)] {
            let drive = stats(&normal(1, 48_000, rms_steps * STEP));
            assert_eq!(
                drive.rounding_limited(),
                Some(limited),
                "{rms_steps}: {:?}",
                drive.drive_steps()
            );
        }
    }

    #[test]
    fn parts_merge_to_the_whole_and_a_run_is_as_long_as_it_is() {
        let mut samples = normal(9, 10_000, 0.4);
        samples[4000..4100].fill(Sample::new(1.0, 0.0));
        let whole = stats(&samples);
        assert!(whole.clipping().longest_run >= 100 && whole.clipping().longest_run < 104);
        let mut parts = stats(&samples[..2048]);
        parts.merge(&stats(&samples[2048..]));
        assert_eq!(parts.clipping(), whole.clipping());
        assert_eq!(parts.count(), 10_000);
        assert!((parts.mean_square().unwrap() - whole.mean_square().unwrap()).abs() < 1e-9);
    }

    #[test]
    fn an_image_is_measured_and_noise_shows_none() {
        // y = x + β·x*, β = 10^(−38/20): the definition of an image 38 dB down.
        let beta = 10f64.powf(-38.0 / 20.0) as f32;
        let (mut bounds, mut found) = (0, 0);
        for seed in 0..200 {
            let mut rng = ChaCha8Rng::seed_from_u64(seed);
            let noise: Vec<Sample> = (0..48_000)
                .map(|_| {
                    let (re, im): (f32, f32) = (
                        StandardNormal.sample(&mut rng),
                        StandardNormal.sample(&mut rng),
                    );
                    Sample::new(0.05 * re + 0.01, 0.05 * im - 0.02)
                })
                .collect();
            let mut clean = AmplitudeStats::new(None);
            clean.push(&noise);
            bounds += usize::from(!clean.image(1.0).unwrap().found);
            let mirrored: Vec<Sample> = noise.iter().map(|x| x + x.conj() * beta).collect();
            let mut stats = AmplitudeStats::new(None);
            stats.push(&mirrored);
            let image = stats.image(1.0).unwrap();
            found += usize::from(image.found);
            assert!((0.006..0.021).contains(&image.amplitude), "{image:?}");
        }
        // One false alarm in a thousand: three of 200 would happen once in a thousand times.
        assert!(bounds >= 198, "{bounds}");
        assert!(found >= 180, "{found}");
    }
}
