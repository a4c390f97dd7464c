//! The receiver of a scene: passband and noise.

use std::sync::Arc;

use rand::RngExt;
use rand_chacha::ChaCha8Rng;
use rand_distr::StandardNormal;
use rustfft::{Fft, FftPlanner};

use super::random::{Purpose, generator};
use super::scene::Dongle;
use crate::capture::Sample;
use crate::units::db_to_ratio;

/// Attenuation, in dB, beyond which nothing is let through.
const FLOOR_DB: f64 = 100.0;

/// The passband before sampling: flat, then falling as 3·u² dB to the half-power point (u = 1) and as 3·u⁶ dB beyond,
/// where u runs from 0 at the end of the flat part. What passes beyond half the sample rate folds.
#[derive(Debug, Clone, Copy)]
pub(super) struct Passband {
    flat_hz: f64,
    half_power_hz: f64,
}

impl Passband {
    pub(super) fn of(dongle: &Dongle) -> Self {
        let rate_hz = f64::from(dongle.sample_rate_hz);
        Passband {
            flat_hz: dongle.flat_mhz.map_or(rate_hz / 3.0, |mhz| mhz * 1e6),
            half_power_hz: dongle.half_power_mhz.map_or(rate_hz / 2.0, |mhz| mhz * 1e6),
        }
    }

    /// Amplitude at `f_hz` from the frequency listened to.
    pub(super) fn amplitude(&self, f_hz: f64) -> f64 {
        let u = ((f_hz.abs() - self.flat_hz) / (self.half_power_hz - self.flat_hz)).max(0.0);
        let loss_db = half_power_db() * if u <= 1.0 { u.powi(2) } else { u.powi(6) };
        db_to_ratio(-loss_db).sqrt()
    }

    /// Frequency beyond which the loss exceeds [`FLOOR_DB`].
    pub(super) fn reach_hz(&self) -> f64 {
        let u = (FLOOR_DB / half_power_db()).powf(1.0 / 6.0);
        self.flat_hz + u * (self.half_power_hz - self.flat_hz)
    }
}

/// 10·log 2, the "3 dB" of a half-power point.
fn half_power_db() -> f64 {
    10.0 * 2f64.log10()
}

/// Receiver noise of one tuning, white before the passband, shaped and folded by it.
pub(super) struct Noise {
    random: ChaCha8Rng,
    amplitude: f32,
    filter: Vec<f32>,
    forward: Arc<dyn Fft<f32>>,
    inverse: Arc<dyn Fft<f32>>,
    white: Vec<Sample>,
    block: Vec<Sample>,
    scratch: Vec<Sample>,
    at: usize,
}

impl Noise {
    const BLOCK: usize = 16_384;
    /// Samples dropped at each end of a block.
    const GUARD: usize = 256;

    /// Noise of `density_dbfs` in 1 MHz where the passband is flat, before the gain of this tuning; `seeds` are the
    /// scene's and the take's.
    pub(super) fn new(
        dongle: &Dongle,
        seeds: (u64, u64),
        tuning: u64,
        planner: &mut FftPlanner<f32>,
    ) -> Self {
        let rate_hz = f64::from(dongle.sample_rate_hz);
        let passband = Passband::of(dongle);
        let filter = (0..Self::BLOCK)
            .map(|bin| {
                let f_hz = rate_hz * bin as f64 / Self::BLOCK as f64;
                // Every frequency that lands in this bin: f, and those whole sample rates away.
                let power: f64 = (-2..=1)
                    .map(|fold| passband.amplitude(f_hz + f64::from(fold) * rate_hz).powi(2))
                    .sum();
                (power.sqrt() / Self::BLOCK as f64) as f32
            })
            .collect();
        let forward = planner.plan_fft_forward(Self::BLOCK);
        let inverse = planner.plan_fft_inverse(Self::BLOCK);
        let scratch = forward
            .get_inplace_scratch_len()
            .max(inverse.get_inplace_scratch_len());
        let power = db_to_ratio(dongle.noise_dbfs_per_mhz) * rate_hz / 1e6;
        let seed = seeds.0.wrapping_mul(0x9E37_79B9_7F4A_7C15).rotate_left(32) ^ seeds.1;
        let mut noise = Noise {
            random: generator(seed, Purpose::Noise, tuning),
            amplitude: (power / 2.0).sqrt() as f32,
            filter,
            forward,
            inverse,
            white: vec![Sample::default(); Self::BLOCK],
            block: vec![Sample::default(); Self::BLOCK],
            scratch: vec![Sample::default(); scratch],
            at: Self::BLOCK - Self::GUARD,
        };
        noise.draw(0);
        noise
    }

    fn draw(&mut self, from: usize) {
        for sample in &mut self.white[from..] {
            let (re, im): (f32, f32) = (
                self.random.sample(StandardNormal),
                self.random.sample(StandardNormal),
            );
            *sample = Sample::new(re * self.amplitude, im * self.amplitude);
        }
    }

    /// Adds the next samples, times `amplitude`, to `into`.
    pub(super) fn add_to(&mut self, into: &mut [Sample], amplitude: f32) {
        let mut rest = into;
        while !rest.is_empty() {
            let end = Self::BLOCK - Self::GUARD;
            if self.at == end {
                self.make_block();
            }
            let take = (end - self.at).min(rest.len());
            let (now, later) = rest.split_at_mut(take);
            for (sum, x) in now.iter_mut().zip(&self.block[self.at..]) {
                *sum += x * amplitude;
            }
            self.at += take;
            rest = later;
        }
    }

    fn make_block(&mut self) {
        self.block.copy_from_slice(&self.white);
        self.forward
            .process_with_scratch(&mut self.block, &mut self.scratch);
        for (bin, gain) in self.block.iter_mut().zip(&self.filter) {
            *bin *= gain;
        }
        self.inverse
            .process_with_scratch(&mut self.block, &mut self.scratch);
        self.white.copy_within(Self::BLOCK - 2 * Self::GUARD.., 0);
        self.draw(2 * Self::GUARD);
        self.at = Self::GUARD;
    }
}
