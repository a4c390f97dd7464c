//! Signals for trying the guard probe, made without any of its code: whole channels at their own rate by inverse
//! transforms, cut into slices as a dongle sees them by choosing bins of one long transform.

#![allow(dead_code)] // Each test file that includes this uses a part of it.

use num_complex::Complex;
use rand::{RngExt, SeedableRng};
use rand_chacha::ChaCha8Rng;
use rand_distr::{Distribution, StandardNormal};
use rustfft::FftPlanner;

pub type C32 = Complex<f32>;

pub const RATE_HZ: f64 = 2.4e6;
/// 20 ms at 2.4 MS/s.
pub const DWELL: usize = 48_000;

pub fn seeded(seed: u64) -> ChaCha8Rng {
    ChaCha8Rng::seed_from_u64(seed)
}

pub fn gaussian(rng: &mut ChaCha8Rng) -> C32 {
    let mut one = || -> f32 { StandardNormal.sample(rng) };
    Complex::new(one(), one()) * std::f32::consts::FRAC_1_SQRT_2
}

/// White noise with mean |x|² of `power`.
pub fn noise(rng: &mut ChaCha8Rng, length: usize, power: f64) -> Vec<C32> {
    (0..length)
        .map(|_| gaussian(rng) * power.sqrt() as f32)
        .collect()
}

/// An OFDM system by its published figures: own rate in MHz, size, carriers, guard in samples of its own rate.
#[derive(Clone, Copy, Debug)]
pub struct OfdmSystem {
    pub rate_mhz: f64,
    pub fft: usize,
    pub carriers: usize,
    pub guard: usize,
    /// Every 12th carrier of every symbol, moving by 3 a symbol, boosted by 4/3 and always the same (scattered pilots).
    pub pilots: bool,
}

/// A channel's signal on its own: spectrum of a long stretch, power 1 over the whole channel.
pub struct Whole {
    spectrum: Vec<C32>,
    /// Frequency of bin 0, relative to the channel's middle, and the distance of bins.
    first_hz: f64,
    bin_hz: f64,
}

/// 25.2 ms hold whole numbers of samples at 64/7, 8, 48/7, 512/63 and 2.4 MHz; 25 ms at 6.912, 6.144 and 2.4.
fn length_s(rate_mhz: f64) -> f64 {
    if (rate_mhz * 25_000.0).fract().abs() < 1e-6 {
        25.0e-3
    } else {
        25.2e-3
    }
}

pub fn ofdm_at_own_rate(rng: &mut ChaCha8Rng, system: OfdmSystem, length: usize) -> Vec<C32> {
    let inverse = FftPlanner::new().plan_fft_inverse(system.fft);
    let symbol = system.fft + system.guard;
    let mut out = Vec::with_capacity(length + symbol);
    // Begin anywhere within a symbol.
    let late = rng.random_range(0..symbol);
    let mut bins = vec![Complex::ZERO; system.fft];
    let mut index = 0;
    while out.len() < length + late {
        bins.fill(Complex::ZERO);
        for k in 0..system.carriers {
            let bin = (k as i64 - (system.carriers / 2) as i64).rem_euclid(system.fft as i64);
            let sign = |b: bool| if b { 1.0f32 } else { -1.0 };
            bins[bin as usize] = if system.pilots && (k + 12 - 3 * (index % 4)) % 12 == 0 {
                // A pseudo-random sign by the carrier, the same in all symbols.
                Complex::new(sign((k * 2_654_435_761) >> 13 & 1 == 1) * 4.0 / 3.0, 0.0)
                    * 2f32.sqrt()
            } else {
                Complex::new(sign(rng.random()), sign(rng.random()))
            };
        }
        inverse.process(&mut bins);
        out.extend_from_slice(&bins[system.fft - system.guard..]);
        out.extend_from_slice(&bins);
        index += 1;
    }
    out[late..late + length].to_vec()
}

/// One ATSC 3.0 bootstrap at 6.144 MHz, mean |x|² near 1 (A/321: Zadoff–Chu of root 137 times a mirrored PN, C-A-B and
/// B-C-A, the last symbol inverted). Cyclic shifts, which carry its bits, are left at zero.
pub fn bootstrap() -> Vec<C32> {
    let inverse = FftPlanner::<f64>::new().plan_fft_inverse(2048);
    let mut register: u32 = 0x019D;
    let mut pn = || {
        // x^16 + x^15 + x^14 + x + 1, the low bit out: 1011 1001 1000 0000 1011 1000 1101 1010 … (handbook 3.4).
        let out = register & 1;
        let feedback = (register ^ (register >> 1) ^ (register >> 14) ^ (register >> 15)) & 1;
        register = (register >> 1) | (feedback << 15);
        out
    };
    let mut all = Vec::new();
    for symbol in 0..4 {
        let mut bins = vec![Complex::<f64>::ZERO; 2048];
        for k in 0..749usize {
            let sign = if pn() == 1 { -1.0 } else { 1.0 };
            for (n, bin) in [(k, 2048 - 749 + k), (1498 - k, 749 - k)] {
                let n = n as f64;
                let phase = -std::f64::consts::PI * 137.0 * n * (n + 1.0) / 1499.0;
                bins[bin] = Complex::cis(phase) * sign;
            }
        }
        inverse.process(&mut bins);
        let a = bins;
        let c = &a[2048 - 520..];
        let turn = |n: f64| Complex::cis(std::f64::consts::TAU * n / 2048.0);
        let invert = if symbol == 3 { -1.0 } else { 1.0 };
        let mut parts = Vec::with_capacity(3072);
        if symbol == 0 {
            parts.extend_from_slice(c);
            parts.extend_from_slice(&a);
            parts.extend((0..504).map(|n| a[2048 - 504 + n] * turn((n + 520) as f64)));
        } else {
            parts.extend((0..504).map(|n| c[n] * turn(-(n as f64 - 520.0))));
            parts.extend_from_slice(c);
            parts.extend_from_slice(&a);
        }
        let scale = invert / 1498f64.sqrt();
        all.extend(
            parts
                .iter()
                .map(|x| Complex::new((x.re * scale) as f32, (x.im * scale) as f32)),
        );
    }
    all
}

impl Whole {
    /// OFDM by its figures.
    pub fn ofdm(rng: &mut ChaCha8Rng, system: OfdmSystem) -> Whole {
        let length = (length_s(system.rate_mhz) * system.rate_mhz * 1e6).round() as usize;
        let samples = ofdm_at_own_rate(rng, system, length);
        Whole::from_samples(samples, system.rate_mhz * 1e6, true)
    }

    /// A lone bootstrap, beginning 8 ms into 25 ms of nothing; power 1 while it lasts.
    pub fn lone_bootstrap() -> Whole {
        let mut samples = vec![Complex::ZERO; 153_600];
        let one = bootstrap();
        samples[49_152..49_152 + one.len()].copy_from_slice(&one);
        Whole::from_samples(samples, 6.144e6, false)
    }

    /// A stretch of complex baseband that fills a channel, its power brought to 1 if `level`.
    pub fn from_samples(mut samples: Vec<C32>, rate_hz: f64, level: bool) -> Whole {
        let power: f64 =
            samples.iter().map(|x| f64::from(x.norm_sqr())).sum::<f64>() / samples.len() as f64;
        let length = samples.len();
        FftPlanner::new()
            .plan_fft_forward(length)
            .process(&mut samples);
        let scale = 1.0 / length as f64 / if level { power.sqrt() } else { 1.0 };
        let half = length / 2;
        let mut spectrum: Vec<C32> = samples.iter().map(|x| x * scale as f32).collect();
        spectrum.rotate_right(half);
        let bin_hz = rate_hz / length as f64;
        Whole {
            spectrum,
            first_hz: -(half as f64) * bin_hz,
            bin_hz,
        }
    }

    /// A picture of analogue television in 8 MHz: vision carrier 1.25 MHz above the lower edge, modulated downwards, lines of
    /// `line_s` (64 µs: ITU-R BT.470, from memory) with sync, blanking and a picture that is alike from line to line; the
    /// lower side band cut at 0.75 MHz.
    pub fn analogue(rng: &mut ChaCha8Rng, line_s: f64) -> Whole {
        let rate_hz = 9.6e6;
        let length = 240_000usize; // 25 ms
        let columns: Vec<f64> = (0..80).map(|_| rng.random()).collect();
        let scene: Vec<f64> = (0..26 * 80).map(|_| rng.random()).collect();
        let late: f64 = rng.random::<f64>() * 40e-3;
        let mut samples: Vec<C32> = (0..length)
            .map(|i| {
                let lines = (i as f64 / rate_hz + late) / line_s;
                let (line, phase) = (lines as usize % 625, lines.fract());
                let column = ((((phase - 0.19) / 0.81) * 80.0).max(0.0) as usize).min(79);
                let picture =
                    0.6 * scene[(line / 25).min(25) * 80 + column] + 0.4 * columns[column];
                let level = match phase {
                    _ if phase < 0.073 => 1.0,
                    _ if phase < 0.19 || line % 312 < 25 => 0.76,
                    _ => 0.1 + 0.62 * picture,
                };
                Complex::new(level as f32, 0.0)
            })
            .collect();
        FftPlanner::new()
            .plan_fft_forward(length)
            .process(&mut samples);
        let bin_hz = rate_hz / length as f64;
        let (first, last) = ((-0.75e6 / bin_hz) as i64, (5.0e6 / bin_hz) as i64);
        let mut spectrum: Vec<C32> = (first..=last)
            .map(|k| samples[k.rem_euclid(length as i64) as usize])
            .collect();
        let power: f64 = spectrum.iter().map(|x| f64::from(x.norm_sqr())).sum();
        spectrum.iter_mut().for_each(|x| *x /= power.sqrt() as f32);
        Whole {
            spectrum,
            first_hz: -2.75e6 + first as f64 * bin_hz,
            bin_hz,
        }
    }

    /// 8-VSB in 6 MHz: levels, pilot, segment syncs; root-raised-cosine in the frequency domain (A/53 Part 2: 10.762 MHz,
    /// roll-off 0.1150097, pilot 309.4406 kHz above the lower edge).
    pub fn vsb8(rng: &mut ChaCha8Rng) -> Whole {
        let rate_hz = 1539e6 / 143.0;
        let length = 271_208usize; // 25.2 ms
        let late = rng.random_range(0..832usize);
        let mut symbols: Vec<C32> = (0..length)
            .map(|i| {
                let level = match (i + late) % 832 {
                    0 | 3 => 5.0,
                    1 | 2 => -5.0,
                    _ => f32::from(rng.random_range(0..8u8)) * 2.0 - 7.0,
                };
                Complex::new(level + 1.25, 0.0)
            })
            .collect();
        FftPlanner::new()
            .plan_fft_forward(length)
            .process(&mut symbols);
        let bin_hz = rate_hz / length as f64;
        // From the pilot's frequency, which the real symbols have as 0 Hz; the filter is centred S/4 above it.
        let pilot_hz = -3e6 + 177e6 / 572.0;
        let first = (-0.31e6 / bin_hz).round() as i64;
        let last = (5.7e6 / bin_hz).round() as i64;
        let nyquist_hz = rate_hz / 4.0;
        let alpha = 0.115_009_7;
        let mut spectrum: Vec<C32> = (first..=last)
            .map(|k| {
                let from_middle = (k as f64 * bin_hz - rate_hz / 4.0).abs() / nyquist_hz;
                let rise = ((from_middle - 1.0) / alpha).clamp(-1.0, 1.0);
                let gain = (std::f64::consts::FRAC_PI_4 * (1.0 + rise)).cos();
                symbols[k.rem_euclid(length as i64) as usize] * gain as f32
            })
            .collect();
        let power: f64 = spectrum.iter().map(|x| f64::from(x.norm_sqr())).sum();
        spectrum.iter_mut().for_each(|x| *x /= power.sqrt() as f32);
        Whole {
            spectrum,
            first_hz: pilot_hz + first as f64 * bin_hz,
            bin_hz,
        }
    }

    /// What a dongle hears that is told to tune `offset_hz` from the channel's middle, at `tuned_hz`, with an error of
    /// `ppm`: its tuning and its sample rate are off alike. [`DWELL`] samples from somewhere in the first 4 ms.
    pub fn slice(&self, rng: &mut ChaCha8Rng, offset_hz: f64, tuned_hz: f64, ppm: f64) -> Vec<C32> {
        let rate_hz = RATE_HZ * (1.0 + ppm * 1e-6);
        let length = (rate_hz / self.bin_hz).round() as usize;
        let centre_hz = offset_hz + tuned_hz * ppm * 1e-6;
        let centre = ((centre_hz - self.first_hz) / self.bin_hz).round() as i64;
        let mut bins: Vec<C32> = (0..length)
            .map(|place| {
                let k = if place < length.div_ceil(2) {
                    place as i64
                } else {
                    place as i64 - length as i64
                };
                usize::try_from(centre + k)
                    .ok()
                    .and_then(|i| self.spectrum.get(i))
                    .copied()
                    .unwrap_or(Complex::ZERO)
            })
            .collect();
        FftPlanner::new()
            .plan_fft_inverse(length)
            .process(&mut bins);
        let late = rng.random_range(0..9_000usize);
        bins[late..late + DWELL].to_vec()
    }
}

/// Adds noise so that the C/N in `width_hz` is `cn_db` where the signal has power 1 in the whole channel.
pub fn add_noise(rng: &mut ChaCha8Rng, samples: &mut [C32], width_hz: f64, cn_db: f64) {
    let density = 10f64.powf(-cn_db / 10.0) / width_hz;
    let amplitude = (density * RATE_HZ).sqrt() as f32;
    for x in samples {
        *x += gaussian(rng) * amplitude;
    }
}

/// The tunings of a channel: offsets from its middle and the half-width of each one's share of it, in hertz.
pub fn tunings(width_mhz: u32) -> (Vec<f64>, f64) {
    match width_mhz {
        6 => (vec![-2e6, 0.0, 2e6], 1e6),
        7 => (vec![-2.625e6, -0.875e6, 0.875e6, 2.625e6], 0.875e6),
        _ => (vec![-3e6, -1e6, 1e6, 3e6], 1e6),
    }
}
