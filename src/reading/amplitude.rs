//! What the amplitudes of samples say about the converter: drive, offset, clipping.

use statrs::function::erf::erfc;

use crate::capture::Sample;

/// Running statistics of the samples' amplitudes.
#[derive(Debug, Clone, PartialEq)]
pub struct AmplitudeStats {
    step: Option<f64>,
    count: u64,
    sum_square: f64,
    at_ends: u64,
}

/// Whether the converter clipped.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Clipping {
    /// Share of rail values at the converter's ends, 0 to 1.
    pub fraction: f64,
    /// Whether that is more than the amplitude statistics explain.
    pub clipped: bool,
}

impl AmplitudeStats {
    /// For a converter with this step where full scale is 1; `None` for floating point.
    pub fn new(step: Option<f64>) -> Self {
        AmplitudeStats {
            step,
            count: 0,
            sum_square: 0.0,
            at_ends: 0,
        }
    }

    /// Takes the next samples.
    pub fn push(&mut self, samples: &[Sample]) {
        let limit = (1.0 - self.step.unwrap_or(0.0) * 0.6) as f32;
        let rails: &[f32] = bytemuck::cast_slice(samples);
        let mut squares = 0.0f32;
        let mut ends = 0u32;
        for &x in rails {
            squares += x * x;
            ends += u32::from(x.abs() >= limit);
        }
        self.sum_square += f64::from(squares);
        self.at_ends += u64::from(ends);
        self.count += rails.len() as u64;
    }

    /// Adds what another stretch of the same tuning found.
    pub fn merge(&mut self, other: &AmplitudeStats) {
        self.count += other.count;
        self.sum_square += other.sum_square;
        self.at_ends += other.at_ends;
    }

    /// Drive in converter steps, rms on one rail; `None` for floating point.
    pub fn drive_steps(&self) -> Option<f64> {
        Some((self.sum_square / self.count.max(1) as f64).sqrt() / self.step?)
    }

    /// Whether the converter clipped.
    pub fn clipping(&self) -> Clipping {
        let fraction = self.at_ends as f64 / self.count.max(1) as f64;
        let sigma = (self.sum_square / self.count.max(1) as f64).sqrt();
        let expected = erfc(1.0 / sigma / std::f64::consts::SQRT_2);
        Clipping {
            fraction,
            clipped: self.at_ends >= 8 && fraction > 1e-4 && fraction > 4.0 * expected,
        }
    }
}
