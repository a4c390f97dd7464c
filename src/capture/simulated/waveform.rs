//! What the transmitters of a scene send: 8-VSB symbols and OFDM samples, each a pure function of its index.
//!
//! A [`Waveform`] is made at its own *native* rate: symbols a second for 8-VSB, 1/T for OFDM. Native sample `k` belongs
//! to the time `k / rate` after the scene's epoch, for any `k`, also negative, so that every receiver hears the same
//! transmitter. Filtering and moving to the receiver's rate is the business of [`super::slice`].
//!
//! Left out, since nothing here decodes: randomizer, Reed–Solomon, trellis and field sync of 8-VSB (symbols are random,
//! but for the sync of each segment); continual, scattered and TPS pilots of OFDM (every carrier is plain QPSK).
//!
//! Sources: 8-VSB, ATSC A/53 Part 2:2011 (handbook §2, rows C and R); OFDM, ETSI EN 300 744 (handbook §3.1).

use std::f64::consts::{FRAC_PI_2, TAU};
use std::sync::Arc;

use num_complex::Complex;
use rand::Rng;
use rustfft::{Fft, FftPlanner};

use super::random::{Purpose, generator};

/// A rate in hertz as an exact fraction.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) struct Ratio {
    pub numerator: i128,
    pub denominator: i128,
}

impl Ratio {
    pub(super) fn value(self) -> f64 {
        self.numerator as f64 / self.denominator as f64
    }
}

/// 8-VSB symbol rate: 1539/143 MHz. Source: A/53 Part 2 §5, 4.5/286 × 684 MHz, reduced.
const VSB_RATE: Ratio = Ratio {
    numerator: 1_539_000_000,
    denominator: 143,
};
/// The pilot above the lower edge: 177/572 MHz. Source: (6 MHz − S/2)/2.
pub(super) const VSB_PILOT_HZ: f64 = 177e6 / 572.0;
/// Width of an 8-VSB channel.
const VSB_WIDTH_HZ: f64 = 6e6;
const VSB_PILOT: f32 = 1.25;
const SEGMENT: usize = 832;
const SYNC: [f32; 4] = [5.0, -5.0, -5.0, 5.0];
/// Mean square of the symbols without the pilot: 828 of mean square 21 and 4 of 25 in each segment.
const VSB_MEAN_SQUARE: f64 = (828.0 * 21.0 + 4.0 * 25.0) / 832.0;
/// Symbols taken from one 64-bit random word, three bits each.
const SYMBOLS_PER_WORD: usize = 21;
/// 64-bit words that a segment's 828 symbols take.
const WORDS_PER_SEGMENT: usize = (SEGMENT - SYNC.len()).div_ceil(SYMBOLS_PER_WORD);
/// Added to segment and symbol numbers so that a scene can be heard before its epoch: some 100 years of segments.
const BIAS: i64 = 1 << 46;

/// A transmitter's waveform.
#[derive(Clone)]
pub(super) enum Waveform {
    Vsb8(Vsb8),
    Ofdm(Ofdm),
}

/// 8-VSB: random symbols ±1 ±3 ±5 ±7, segment sync, pilot.
#[derive(Clone)]
pub(super) struct Vsb8 {
    seed: u64,
    stream: u64,
}

/// OFDM after EN 300 744: every carrier QPSK, a guard interval before each symbol.
#[derive(Clone)]
pub(super) struct Ofdm {
    seed: u64,
    stream: u64,
    width_mhz: i128,
    carriers: usize,
    guard: usize,
    inverse: Arc<dyn Fft<f32>>,
}

impl Waveform {
    pub(super) fn vsb8(seed: u64, stream: u64) -> Self {
        Waveform::Vsb8(Vsb8 { seed, stream })
    }

    /// `carriers` is 1705 (2k) or 6817 (8k), `guard_divisor` 4, 8, 16 or 32, `width_mhz` 6, 7 or 8.
    pub(super) fn ofdm(
        seed: u64,
        stream: u64,
        (size, carriers): (usize, usize),
        guard_divisor: usize,
        width_mhz: u32,
        planner: &mut FftPlanner<f32>,
    ) -> Self {
        Waveform::Ofdm(Ofdm {
            seed,
            stream,
            width_mhz: i128::from(width_mhz),
            carriers,
            guard: size / guard_divisor,
            inverse: planner.plan_fft_inverse(size),
        })
    }

    /// Native samples a second.
    pub(super) fn rate(&self) -> Ratio {
        match self {
            Waveform::Vsb8(_) => VSB_RATE,
            // 1/T: T is 7/64 µs in 8 MHz, 1/8 in 7, 7/48 in 6: in each case 7/(8·width). Source: handbook §3.1.
            Waveform::Ofdm(ofdm) => Ratio {
                numerator: ofdm.width_mhz * 8_000_000,
                denominator: 7,
            },
        }
    }

    /// Where native 0 Hz stands above the channel's lower edge, in hertz: the pilot, or the middle carrier.
    pub(super) fn reference_hz(&self) -> f64 {
        match self {
            Waveform::Vsb8(_) => VSB_PILOT_HZ,
            Waveform::Ofdm(ofdm) => ofdm.width_mhz as f64 * 5e5,
        }
    }

    /// Lower and upper edge relative to native 0 Hz beyond which nothing is sent, in hertz.
    pub(super) fn band_hz(&self) -> (f64, f64) {
        let low = -self.reference_hz();
        let width = match self {
            Waveform::Vsb8(_) => VSB_WIDTH_HZ,
            Waveform::Ofdm(ofdm) => ofdm.width_mhz as f64 * 1e6,
        };
        (low, low + width)
    }

    /// Amplitude of the transmitter's filter at `f_hz` from native 0 Hz; 1 where it is flat.
    ///
    /// 8-VSB: root raised cosine about the middle of the band, half power S/4 to either side, reaching zero at the
    /// channel's edges (roll-off 0.1150097, handbook §2). OFDM: flat over the carriers, then a quarter cosine down to
    /// zero at the channel's edges, standing for the filter at the transmitter's output.
    pub(super) fn filter(&self, f_hz: f64) -> f64 {
        let (low, high) = self.band_hz();
        let from_middle = (f_hz - (low + high) / 2.0).abs();
        let half_width = (high - low) / 2.0;
        let flat = match self {
            Waveform::Vsb8(_) => VSB_RATE.value() / 2.0 - half_width,
            Waveform::Ofdm(ofdm) => ofdm.occupied_hz() / 2.0 + ofdm.spacing_hz(),
        };
        match from_middle {
            f if f <= flat => 1.0,
            f if f >= half_width => 0.0,
            f => (FRAC_PI_2 * (f - flat) / (half_width - flat)).cos(),
        }
    }

    /// Power that goes out at unit filter gain, before [`filter`](Self::filter)'s scale is set: mean |x|² after it.
    pub(super) fn power(&self) -> f64 {
        match self {
            // The filter's noise bandwidth is S/2 of S, and at the pilot its power is one half.
            Waveform::Vsb8(_) => (VSB_MEAN_SQUARE + f64::from(VSB_PILOT).powi(2)) / 2.0,
            Waveform::Ofdm(_) => 1.0,
        }
    }

    /// By how much a path changes the total power: the mean of its power gain, given at offsets from native 0 Hz,
    /// weighted by the waveform's own spectrum. A path of 1 everywhere gives 1.
    pub(super) fn weighted(&self, power_gain: impl Fn(f64) -> f64) -> f64 {
        const STEPS: usize = 6000;
        let (low, high) = self.band_hz();
        let (mut sum, mut weight) = (0.0, 0.0);
        for step in 0..STEPS {
            let f = low + (high - low) * (step as f64 + 0.5) / STEPS as f64;
            let density = match self {
                Waveform::Vsb8(_) => self.filter(f).powi(2),
                Waveform::Ofdm(ofdm) => f64::from(u8::from(f.abs() <= ofdm.occupied_hz() / 2.0)),
            };
            sum += density * power_gain(f);
            weight += density;
        }
        let mean = sum / weight;
        match self {
            Waveform::Vsb8(_) => {
                let pilot = f64::from(VSB_PILOT).powi(2);
                (VSB_MEAN_SQUARE * mean + pilot * power_gain(0.0)) / (VSB_MEAN_SQUARE + pilot)
            }
            Waveform::Ofdm(_) => mean,
        }
    }

    /// Fills `into` with the native samples `first`, `first + 1`, …
    pub(super) fn fill(&self, first: i64, into: &mut [Complex<f32>]) {
        match self {
            Waveform::Vsb8(vsb) => vsb.fill(first, into),
            Waveform::Ofdm(ofdm) => ofdm.fill(first, into),
        }
    }
}

impl Vsb8 {
    fn fill(&self, first: i64, into: &mut [Complex<f32>]) {
        let segment = first.div_euclid(SEGMENT as i64);
        let mut skip = first.rem_euclid(SEGMENT as i64) as usize;
        let mut random = generator(self.seed, Purpose::Data, self.stream);
        // Word positions count 32-bit words.
        random.set_word_pos((segment + BIAS) as u128 * (2 * WORDS_PER_SEGMENT) as u128);
        let mut symbols = [0f32; SYNC.len() + WORDS_PER_SEGMENT * SYMBOLS_PER_WORD];
        let mut rest = into;
        while !rest.is_empty() {
            for (symbol, level) in symbols.iter_mut().zip(SYNC) {
                *symbol = level + VSB_PILOT;
            }
            for chunk in symbols[SYNC.len()..].chunks_exact_mut(SYMBOLS_PER_WORD) {
                let mut bits = random.next_u64();
                for symbol in chunk {
                    // 0..=7 to -7, -5 … +7
                    *symbol = (2 * (bits & 7) as i32 - 7) as f32 + VSB_PILOT;
                    bits >>= 3;
                }
            }
            let made = &symbols[skip..SEGMENT];
            let take = made.len().min(rest.len());
            let (now, later) = rest.split_at_mut(take);
            for (sample, &symbol) in now.iter_mut().zip(made) {
                *sample = Complex::new(symbol, 0.0);
            }
            rest = later;
            skip = 0;
        }
    }
}

impl Ofdm {
    fn size(&self) -> usize {
        self.inverse.len()
    }

    fn spacing_hz(&self) -> f64 {
        self.width_mhz as f64 * 8e6 / 7.0 / self.size() as f64
    }

    fn occupied_hz(&self) -> f64 {
        (self.carriers - 1) as f64 * self.spacing_hz()
    }

    fn fill(&self, first: i64, into: &mut [Complex<f32>]) {
        let (size, half) = (self.size(), (self.carriers / 2) as i64);
        let length = size + self.guard;
        let number = first.div_euclid(length as i64);
        let mut skip = first.rem_euclid(length as i64) as usize;
        let mut random = generator(self.seed, Purpose::Data, self.stream);
        let words = self.carriers.div_ceil(32);
        random.set_word_pos((number + BIAS) as u128 * (2 * words) as u128);
        let amplitude = (0.5 / self.carriers as f32).sqrt();
        let mut symbol = vec![Complex::default(); size];
        let mut scratch = vec![Complex::default(); self.inverse.get_inplace_scratch_len()];
        let mut rest = into;
        while !rest.is_empty() {
            symbol.fill(Complex::default());
            let mut carrier = -half;
            for _ in 0..words {
                let mut bits = random.next_u64();
                for _ in 0..32 {
                    if carrier > half {
                        break;
                    }
                    let sign = |bit: u64| if bit & 1 == 0 { amplitude } else { -amplitude };
                    symbol[carrier.rem_euclid(size as i64) as usize] =
                        Complex::new(sign(bits), sign(bits >> 1));
                    bits >>= 2;
                    carrier += 1;
                }
            }
            self.inverse.process_with_scratch(&mut symbol, &mut scratch);
            let take = (length - skip).min(rest.len());
            let (now, later) = rest.split_at_mut(take);
            for (offset, sample) in now.iter_mut().enumerate() {
                // The guard repeats the symbol's end before its beginning.
                *sample = symbol[(skip + offset + size - self.guard) % size];
            }
            rest = later;
            skip = 0;
        }
    }
}

/// exp(j2π · `turns`), whole turns taken off first.
pub(super) fn phasor(turns: f64) -> Complex<f64> {
    Complex::cis(TAU * (turns - turns.floor()))
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn native_samples_depend_on_their_index_alone() {
        let mut planner = FftPlanner::new();
        for waveform in [
            Waveform::vsb8(7, 1),
            Waveform::ofdm(7, 1, (2048, 1705), 32, 8, &mut planner),
        ] {
            for first in [-5000i64, 0, 123_456_789] {
                let mut whole = vec![Complex::default(); 6000];
                waveform.fill(first, &mut whole);
                let mut part = vec![Complex::default(); 2500];
                waveform.fill(first + 3001, &mut part);
                assert_eq!(part, whole[3001..5501]);
            }
        }
    }

    #[test]
    fn vsb_symbols_have_the_levels_mean_square_and_sync_of_a53() {
        let mut symbols = vec![Complex::default(); SEGMENT * 400];
        Waveform::vsb8(3, 0).fill(0, &mut symbols);
        let data: Vec<f32> = symbols.iter().map(|s| s.re - VSB_PILOT).collect();
        for segment in data.chunks_exact(SEGMENT) {
            assert_eq!(segment[..4], SYNC);
        }
        let mut counts = [0usize; 8];
        for level in &data {
            assert!(
                level.abs() <= 7.0 && level.rem_euclid(2.0) == 1.0,
                "{level}"
            );
            counts[((level + 7.0) / 2.0) as usize] += 1;
        }
        // 331 200 random symbols, 41 400 of each level give or take 4.5 standard deviations (190 each), and the sync.
        for (level, count) in counts.iter().enumerate() {
            let sync = if level == 1 || level == 6 { 800 } else { 0 };
            assert!(
                (*count as i64 - sync - 41_400).abs() < 860,
                "level {level}: {count}"
            );
        }
        assert!(symbols.iter().all(|s| s.im == 0.0));
    }

    #[test]
    fn ofdm_symbols_repeat_their_end_in_the_guard_and_have_unit_power() {
        let mut planner = FftPlanner::new();
        let waveform = Waveform::ofdm(3, 0, (8192, 6817), 8, 6, &mut planner);
        let mut samples = vec![Complex::default(); 9216 * 4];
        waveform.fill(0, &mut samples);
        for symbol in samples.chunks_exact(9216) {
            assert_eq!(symbol[..1024], symbol[8192..]);
            assert_ne!(symbol[1024..1040], symbol[8192 - 16..8192]);
            // Parseval: over the useful part, exactly one for QPSK of equal amplitudes.
            let power: f32 = symbol[1024..].iter().map(|x| x.norm_sqr()).sum::<f32>() / 8192.0;
            assert!((power - 1.0).abs() < 1e-4, "{power}");
        }
    }

    #[test]
    fn vsb_filter_is_the_root_raised_cosine_that_fills_6_mhz() {
        let vsb = Waveform::vsb8(0, 0);
        // Half power at the pilot and at S/2 above it; flat between L + 0.6189 and L + 5.3811 MHz (handbook §2, R).
        assert!((vsb.filter(0.0).powi(2) - 0.5).abs() < 1e-12);
        assert!((vsb.filter(VSB_RATE.value() / 2.0).powi(2) - 0.5).abs() < 1e-9);
        assert_eq!(vsb.filter(0.61889e6 - VSB_PILOT_HZ), 1.0);
        assert!(vsb.filter(0.6185e6 - VSB_PILOT_HZ) < 1.0);
        assert!(vsb.filter(-VSB_PILOT_HZ + 1e-3) < 1e-8);
        assert_eq!(vsb.filter(-VSB_PILOT_HZ - 1e-3), 0.0);
        assert_eq!(vsb.filter(6e6 - VSB_PILOT_HZ + 1e-3), 0.0);
        assert!((VSB_PILOT_HZ - 309_440.559_4).abs() < 1e-4);
    }
}
