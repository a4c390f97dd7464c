//! By what a stretch of samples is known to be of one tuning or of another: its power in a few bands.
//!
//! A *block* is [`SEGMENTS`] transforms of [`LENGTH`] samples; its bands are four quarters of the spectrum and a narrow one
//! in the middle, where a synthesiser that settles passes last. Blocks follow one another every [`HOP`] samples. The power of a
//! noise-like band in one block is off by 0.4 dB rms in the quarters and by 0.9 dB in the middle (1/√n of n independent
//! bins); blocks whose bands all differ by no more than [`TOLERANCE_DB`] are alike.

use std::sync::Arc;

use rustfft::{Fft, FftPlanner};

use crate::capture::Sample;
use crate::units::ratio_to_db;

/// Samples in a transform.
const LENGTH: usize = 64;
/// Transforms in a block.
const SEGMENTS: usize = 8;
/// Samples in a block.
pub(crate) const BLOCK: usize = LENGTH * SEGMENTS;
/// Samples from one block to the next.
pub(crate) const HOP: usize = 128;
/// Bands of a block.
const BANDS: usize = 5;
/// Bins on either side of 0 Hz in the middle band.
const MIDDLE: usize = 1;
/// By how much bands of blocks of the same tuning may differ, the middle one first: seven standard deviations or more.
const TOLERANCE_DB: [f64; BANDS] = [7.0, 4.0, 4.0, 4.0, 4.0];

/// Power in each band of a block, linear.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(crate) struct Bands([f64; BANDS]);

/// Turns samples into bands.
pub(crate) struct Analyser {
    fft: Arc<dyn Fft<f32>>,
    work: Vec<Sample>,
    scratch: Vec<Sample>,
}

impl Analyser {
    pub(crate) fn new() -> Analyser {
        let fft = FftPlanner::new().plan_fft_forward(LENGTH);
        Analyser {
            work: vec![Sample::default(); LENGTH],
            scratch: vec![Sample::default(); fft.get_inplace_scratch_len()],
            fft,
        }
    }

    /// The bands of each block, in order; block *n* begins at sample *n* · [`HOP`].
    pub(crate) fn blocks(&mut self, samples: &[Sample]) -> Vec<Bands> {
        samples
            .windows(BLOCK)
            .step_by(HOP)
            .map(|block| self.bands(block))
            .collect()
    }

    fn bands(&mut self, block: &[Sample]) -> Bands {
        // Where there is nothing at all, rounding is what there is.
        let mut power = [1e-9; BANDS];
        for segment in block.chunks_exact(LENGTH) {
            self.work.copy_from_slice(segment);
            self.fft
                .process_with_scratch(&mut self.work, &mut self.scratch);
            for (bin, value) in self.work.iter().enumerate() {
                let from_middle = bin.min(LENGTH - bin);
                let band = if from_middle <= MIDDLE {
                    0
                } else {
                    1 + bin * (BANDS - 1) / LENGTH
                };
                power[band] += f64::from(value.norm_sqr()) / (BLOCK * LENGTH) as f64;
            }
        }
        Bands(power)
    }
}

impl Bands {
    /// The mean of several; `None` of none.
    pub(crate) fn mean<'b>(blocks: impl IntoIterator<Item = &'b Bands>) -> Option<Bands> {
        let (mut sum, mut count) = ([0.0; BANDS], 0.0);
        for block in blocks {
            for (sum, power) in sum.iter_mut().zip(block.0) {
                *sum += power;
            }
            count += 1.0;
        }
        (count > 0.0).then(|| Bands(sum.map(|sum| sum / count)))
    }

    /// The largest difference in a band, as a multiple of what blocks of the same tuning may differ by.
    pub(crate) fn distance(&self, other: &Bands) -> f64 {
        self.0
            .iter()
            .zip(other.0)
            .zip(TOLERANCE_DB)
            .map(|((a, b), tolerance_db)| ratio_to_db(a / b).abs() / tolerance_db)
            .fold(0.0, f64::max)
    }

    pub(crate) fn is_like(&self, other: &Bands) -> bool {
        self.distance(other) <= 1.0
    }
}

/// Blocks of a stretch that its first one is held against.
const HELD_AGAINST: usize = 8;
/// The first block must differ by so many times as much as any of those do: what comes in bursts is unlike itself.
const MORE_UNLIKE: f64 = 1.5;

impl Analyser {
    /// Whether the first block of a stretch is like the rest of it; `true` where there is too little to tell by. One that isn't
    /// has samples of another tuning, or of a synthesiser that has not settled, at its beginning.
    pub(crate) fn begins_as_it_goes_on(&mut self, samples: &[Sample]) -> bool {
        // The last quarter is clear of what may be wrong with the beginning.
        let quarter = samples.len() / 4;
        if quarter < 4 * BLOCK {
            return true;
        }
        let apart = (quarter - BLOCK) / (HELD_AGAINST - 1);
        let rest: Vec<Bands> = (0..HELD_AGAINST)
            .map(|place| samples.len() - BLOCK - place * apart)
            .map(|from| self.bands(&samples[from..from + BLOCK]))
            .collect();
        let Some(mean) = Bands::mean(&rest) else {
            return true;
        };
        let unlike = (rest.iter().map(|bands| bands.distance(&mean))).fold(0.0, f64::max);
        let first = self.bands(&samples[..BLOCK]).distance(&mean);
        first <= 1.0f64.max(MORE_UNLIKE * unlike)
    }
}

#[cfg(test)]
mod tests {
    use rand::SeedableRng;
    use rand_chacha::ChaCha8Rng;
    use rand_distr::{Distribution, StandardNormal};

    use super::*;
    use crate::units::db_to_ratio;

    /// White noise of these powers in dB, one stretch after another.
    fn noise(seed: u64, stretches: &[(usize, f64)]) -> Vec<Sample> {
        let mut random = ChaCha8Rng::seed_from_u64(seed);
        let mut samples = Vec::new();
        for &(count, db) in stretches {
            let rms = (db_to_ratio(db) / 2.0).sqrt();
            samples.extend((0..count).map(|_| {
                let mut draw = || {
                    let x: f64 = StandardNormal.sample(&mut random);
                    (rms * x) as f32
                };
                Sample::new(draw(), draw())
            }));
        }
        samples
    }

    #[test]
    fn another_tuning_at_the_beginning_is_seen_and_steady_noise_and_bursts_are_not_taken_for_it() {
        let mut analyser = Analyser::new();
        let mut good = |stretches: &[(usize, f64)], seed| {
            analyser.begins_as_it_goes_on(&noise(seed, stretches))
        };
        for seed in 0..500 {
            assert!(good(&[(12_000, -30.0)], seed), "{seed}");
        }
        // 10 dB more or less, for as little as a quarter of a block, or for half of the stretch.
        for seed in 0..50 {
            assert!(!good(&[(150, -15.0), (12_000, -30.0)], seed), "{seed}");
            assert!(!good(&[(6000, -20.0), (6000, -30.0)], seed), "{seed}");
            assert!(!good(&[(6000, -40.0), (42_000, -30.0)], seed), "{seed}");
        }
        // On and off all the time.
        let bursts: Vec<(usize, f64)> =
            (0..48).flat_map(|_| [(500, -20.0), (500, -30.0)]).collect();
        assert!(good(&bursts, 1));
        // Too short to tell.
        assert!(good(&[(150, -10.0), (4000, -30.0)], 1));
    }
}
