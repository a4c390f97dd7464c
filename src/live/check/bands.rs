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
pub(super) const BLOCK: usize = LENGTH * SEGMENTS;
/// Samples from one block to the next.
pub(super) const HOP: usize = 128;
/// Bands of a block.
const BANDS: usize = 5;
/// Bins on either side of 0 Hz in the middle band.
const MIDDLE: usize = 1;
/// By how much bands of blocks of the same tuning may differ, the middle one first: seven standard deviations or more.
const TOLERANCE_DB: [f64; BANDS] = [7.0, 4.0, 4.0, 4.0, 4.0];

/// Power in each band of a block, linear.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(super) struct Bands([f64; BANDS]);

/// Turns samples into bands.
pub(super) struct Analyser {
    fft: Arc<dyn Fft<f32>>,
    work: Vec<Sample>,
    scratch: Vec<Sample>,
}

impl Analyser {
    pub(super) fn new() -> Analyser {
        let fft = FftPlanner::new().plan_fft_forward(LENGTH);
        Analyser {
            work: vec![Sample::default(); LENGTH],
            scratch: vec![Sample::default(); fft.get_inplace_scratch_len()],
            fft,
        }
    }

    /// The bands of each block, in order; block *n* begins at sample *n* · [`HOP`].
    pub(super) fn blocks(&mut self, samples: &[Sample]) -> Vec<Bands> {
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
    pub(super) fn mean<'b>(blocks: impl IntoIterator<Item = &'b Bands>) -> Option<Bands> {
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
    pub(super) fn distance(&self, other: &Bands) -> f64 {
        self.0
            .iter()
            .zip(other.0)
            .zip(TOLERANCE_DB)
            .map(|((a, b), tolerance_db)| ratio_to_db(a / b).abs() / tolerance_db)
            .fold(0.0, f64::max)
    }

    pub(super) fn is_like(&self, other: &Bands) -> bool {
        self.distance(other) <= 1.0
    }
}
