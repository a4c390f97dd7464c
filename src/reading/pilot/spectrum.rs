//! Averaged spectra around a pilot's place: combined, searched for a line, and measured.
//!
//! The test. In noise alone each bin of one transform is exponential; the mean over transforms, half overlapping within
//! a visit, is a sum of exponentials weighted by the eigenvalues 1 + 2ρ cos(jπ/(k+1)) of the tridiagonal matrix of
//! their amplitudes' correlations, ρ being the window's overlap correlation. The noise estimate in the denominator is itself taken
//! as a gamma variable. The tail of their ratio comes from the saddlepoint of Lugannani and Rice and is multiplied by
//! the number of bins searched (Bonferroni). That holds for noise that is steady. Household noise comes in bursts, and one
//! transform that outshines the rest would make their mean as wild as one exponential; so for the test each transform is
//! divided by its own level, the median over its bins, before it is added. And a burst that two overlapping transforms share
//! makes them one: the bins' own spread, by their 90th percentile over the median, says how many transforms they are worth,
//! and where these are clearly fewer than steady noise has it, that number counts.
//!
//! The measurement. The line's place between bins and its height follow from the window's own main lobe, sinc(x)/(1 −
//! x²) for Hann, so that a pure tone reads the same anywhere; the noise in its bin is subtracted.

use std::collections::BTreeMap;
use std::f64::consts::{LN_10, PI};
use std::ops::Range;

use statrs::distribution::{ContinuousCDF, Gamma};

use super::probe::NEIGHBOURS_HZ;
use super::tail::exceedance;
use crate::units::{Dbfs, Decibels, ratio_to_db};

/// The chance of calling noise a pilot, per search, that [`PilotSpectrum::find`] allows.
pub const FALSE_ALARM: f64 = 1e-3;

/// Equivalent noise bandwidth of the Hann window in bins (Harris 1978, Table I).
const HANN_ENBW_BINS: f64 = 1.5;

/// N Σw⁴/(Σw²)² of the Hann window, 35/18: how much less a mean over neighbouring bins gains than independent bins.
const HANN_BIN_SPREAD: f64 = 35.0 / 18.0;

/// Variance of a median over that of a mean, at its worst (exponential values): 1/ln²2.
const MEDIAN_VARIANCE: f64 = 2.081_368_981_005_608;

/// The chance of a false alarm is stated as this many times what the theory says: with 1, simulation gave 17 alarms in
/// 20 000 searches of one visit, too near the allowed 20 (the theory takes the noise estimate as a gamma variable); with
/// 2 there were 6.
const FALSE_ALARM_MARGIN: f64 = 2.0;

/// Every so manieth bin tells the spread: the window spreads each over its neighbours.
const SPREAD_EVERY: usize = 4;

/// The number of transforms that the spread of n bins of steady noise shows scatters by this over √n, relatively: by 7 % over
/// the some 800 bins of a wide search. Measured.
const SCATTER_OF_SPREAD: f64 = 2.0;

/// From so many times that scatter below the true number down, which steady noise seldom reaches, the spread of the bins counts.
const UNSTEADY: f64 = 2.0;

/// Share of what the spread shows that is reckoned with: a mixture of few and many transforms has a longer tail than a gamma
/// variable of its spread.
const OF_SPREAD: f64 = 0.7;

/// A burst is so short, as a share of a transform, that its spectrum is alike over so many bins more; so much less its
/// neighbours say of the level. Half a millisecond; of shorter ones the neighbours are alike altogether, and nothing stands
/// out.
const BURST: f64 = 1.0 / 16.0;

/// Bins of one transform's resolution on either side of a line that are left out of its noise.
const LINE_BINS: f64 = 8.0;

/// How the bins of a spectrum lie, and what its transforms were.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(super) struct Grid {
    pub sample_rate_hz: f64,
    pub expected_hz: f64,
    pub search_half_width_hz: f64,
    /// Frequency of the middle bin.
    pub origin_hz: f64,
    pub step_hz: f64,
    /// Bins on either side of the middle one.
    pub half_bins: usize,
    /// Length of the window.
    pub segment_s: f64,
    /// Correlation Σw(n)w(n+hop)/Σw² of the noise in two neighbouring transforms.
    pub overlap_correlation: f64,
}

impl Grid {
    fn hz(&self, bin: usize) -> f64 {
        self.origin_hz + (bin as f64 - self.half_bins as f64) * self.step_hz
    }

    fn nearest(&self, hz: f64) -> Option<usize> {
        let bin = ((hz - self.origin_hz) / self.step_hz).round() + self.half_bins as f64;
        (bin >= 0.0 && bin <= 2.0 * self.half_bins as f64).then_some(bin as usize)
    }

    /// All bins within `reach_hz` of a frequency, and maybe one more at either end.
    fn around(&self, hz: f64, reach_hz: f64) -> Range<usize> {
        let place = |hz: f64| (hz - self.origin_hz) / self.step_hz + self.half_bins as f64;
        let first = place(hz - reach_hz).floor().max(0.0) as usize;
        let end = (place(hz + reach_hz).ceil().max(-1.0) + 1.0) as usize;
        let end = end.min(2 * self.half_bins + 1);
        first.min(end)..end
    }

    /// The Hann window's main lobe at a distance in hertz: power relative to its top.
    fn lobe(&self, away_hz: f64) -> f64 {
        let x = away_hz * self.segment_s;
        if x.abs() < 1e-6 {
            return 1.0;
        }
        if (x.abs() - 1.0).abs() < 1e-6 {
            return 0.25;
        }
        let amplitude = (PI * x).sin() / (PI * x) / (1.0 - x * x);
        amplitude * amplitude
    }
}

/// Two spectra that don't belong to the same tuning and search.
#[derive(Debug, Clone, PartialEq, thiserror::Error)]
#[error(
    "spectra around {ours_hz} Hz and {theirs_hz} Hz in baseband don't combine: expected place, search width, sample \
     rate and transform must be the same"
)]
pub struct UnlikeSpectra {
    /// The place of the spectrum combined into.
    pub ours_hz: f64,
    /// The place of the other one.
    pub theirs_hz: f64,
}

/// The average power spectrum around a pilot's expected place.
#[derive(Debug, Clone, PartialEq)]
pub struct PilotSpectrum {
    grid: Grid,
    /// What was summed over the transforms.
    summed: Summed,
    /// How many visits had how many transforms.
    visits: BTreeMap<u32, u32>,
}

/// Sums over transforms.
#[derive(Debug, Clone, PartialEq)]
pub(super) struct Summed {
    /// Power in each bin, a pure tone giving its own power.
    pub powers: Vec<f64>,
    /// The same, each transform divided by its level.
    pub levelled: Vec<f64>,
    /// The transforms' levels.
    pub levels: f64,
    /// Their squares.
    pub squared_levels: f64,
}

impl Summed {
    /// Nothing yet, in so many bins.
    pub fn new(bins: usize) -> Self {
        Summed {
            powers: vec![0.0; bins],
            levelled: vec![0.0; bins],
            levels: 0.0,
            squared_levels: 0.0,
        }
    }

    fn add(&mut self, other: &Summed) {
        let pairs = self.powers.iter_mut().zip(&other.powers);
        for (sum, more) in pairs.chain(self.levelled.iter_mut().zip(&other.levelled)) {
            *sum += more;
        }
        self.levels += other.levels;
        self.squared_levels += other.squared_levels;
    }
}

/// Sums over transforms of one kind, and how many independent transforms of steady noise they are worth.
#[derive(Clone, Copy)]
struct Sums<'s> {
    bins: &'s [f64],
    effective: f64,
}

/// The power at one frequency, its noise subtracted.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct PilotPower {
    /// Frequency in baseband in hertz.
    pub baseband_hz: f64,
    /// Power of the line, linear; below zero where noise was subtracted and nothing was left.
    pub power: f64,
    /// Its standard error, linear: that of the line in the noise, and that of the noise estimate.
    pub power_standard_error: f64,
    /// Noise density beside the line, linear in one hertz.
    pub noise_density: f64,
    /// Equivalent noise bandwidth of a bin in hertz, to which the ratio of [`snr_db`](PilotPower::snr_db) belongs.
    pub enbw_hz: f64,
}

/// A pilot that was found.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Pilot {
    /// Its power at the frequency found.
    pub power: PilotPower,
    /// Standard error of the frequency in hertz; the noise's part only, not the receiver's drift.
    pub baseband_standard_error_hz: f64,
    /// Distance from the expected place in hertz.
    pub offset_hz: f64,
    /// The chance that noise alone gives so high a line anywhere in the search, at most [`FALSE_ALARM`].
    pub false_alarm: f64,
}

impl PilotPower {
    /// The power as a level; `None` where it is not above zero.
    pub fn dbfs(&self) -> Option<Dbfs> {
        (self.power > 0.0).then(|| Dbfs::from_linear(self.power))
    }

    /// Standard error of the power in dB, to first order; `None` where the power is not above zero.
    pub fn standard_error_db(&self) -> Option<f64> {
        (self.power > 0.0).then(|| 10.0 / LN_10 * self.power_standard_error / self.power)
    }

    /// Power over the noise in [`enbw_hz`](PilotPower::enbw_hz), in dB; `None` where the power or the noise is zero.
    pub fn snr_db(&self) -> Option<Decibels> {
        self.snr_db_in(self.enbw_hz)
    }

    /// Power over the noise in a bandwidth of `enbw_hz`, in dB.
    pub fn snr_db_in(&self, enbw_hz: f64) -> Option<Decibels> {
        (self.power > 0.0 && self.noise_density > 0.0)
            .then(|| Decibels(ratio_to_db(self.power / (self.noise_density * enbw_hz))))
    }
}

impl PilotSpectrum {
    pub(super) fn new(grid: Grid, summed: Summed, visits: BTreeMap<u32, u32>) -> Self {
        PilotSpectrum {
            grid,
            summed,
            visits,
        }
    }

    /// How many transforms were averaged.
    pub fn transforms(&self) -> u64 {
        self.visits
            .iter()
            .map(|(&k, &m)| u64::from(k) * u64::from(m))
            .sum()
    }

    /// Equivalent noise bandwidth of a bin in hertz.
    pub fn enbw_hz(&self) -> f64 {
        HANN_ENBW_BINS / self.grid.segment_s
    }

    /// Adds another visit's spectrum, or several visits' already combined.
    ///
    /// Visits should lie close in time: a line that drifted by a good part of [`enbw_hz`](PilotSpectrum::enbw_hz) is
    /// smeared.
    ///
    /// # Errors
    /// [`UnlikeSpectra`] where the probes differed in sample rate, expected place, search width or transform.
    pub fn combine(&mut self, other: &PilotSpectrum) -> Result<(), UnlikeSpectra> {
        if self.grid != other.grid {
            return Err(UnlikeSpectra {
                ours_hz: self.grid.expected_hz,
                theirs_hz: other.grid.expected_hz,
            });
        }
        self.summed.add(&other.summed);
        for (&segments, &visits) in &other.visits {
            *self.visits.entry(segments).or_insert(0) += visits;
        }
        Ok(())
    }

    /// Looks for the pilot in the whole search width; `None` where nothing stands out of the noise by so much that
    /// noise alone would do it in fewer than one search in a thousand ([`FALSE_ALARM`]).
    ///
    /// A line that is no pilot (a spur of the receiver) in the search width is found just as well.
    pub fn find(&self) -> Option<Pilot> {
        self.find_within(self.grid.expected_hz, self.grid.search_half_width_hz)
    }

    /// The second, narrow look, once the receiver's error is known: as [`find`](PilotSpectrum::find), but only within
    /// `half_width_hz` of `baseband_hz`. With fewer bins to choose from, a weaker pilot is significant.
    pub fn find_within(&self, baseband_hz: f64, half_width_hz: f64) -> Option<Pilot> {
        let transforms = self.transforms() as f64;
        if transforms == 0.0 {
            return None;
        }
        // The level slopes within a wide search: compare each bin with the noise near it, taken every 5 kHz.
        let levelled = self.levelled();
        let searched: Vec<usize> = (1..levelled.bins.len() - 1)
            .filter(|&k| {
                let hz = self.grid.hz(k);
                (hz - baseband_hz).abs() <= half_width_hz
                    && (hz - self.grid.expected_hz).abs() <= self.grid.search_half_width_hz
            })
            .collect();
        let every = self.chunk();
        let bin = searched
            .chunks(every)
            .filter_map(|chunk| {
                let noise =
                    self.noise_near(levelled, self.grid.hz(chunk[chunk.len() / 2]), None)?;
                let &best = chunk
                    .iter()
                    .max_by(|&&a, &&b| levelled.bins[a].total_cmp(&levelled.bins[b]))?;
                Some((levelled.bins[best] / noise, best))
            })
            .max_by(|a, b| a.0.total_cmp(&b.0))?
            .1;
        let level = self.noise_near(levelled, self.grid.hz(bin), Some(LINE_BINS))?;
        let ratio = levelled.bins[bin] / transforms / level;
        let over_all = |tail: f64| (FALSE_ALARM_MARGIN * tail * searched.len() as f64).min(1.0);
        let mut false_alarm = over_all(self.tail(ratio));
        if false_alarm <= FALSE_ALARM {
            let unsteady = self.unsteady_tail(ratio).map_or(0.0, over_all);
            false_alarm = false_alarm.max(unsteady);
        }
        if false_alarm > FALSE_ALARM {
            return None;
        }
        let noise = self.noise_near(self.plain(), self.grid.hz(bin), Some(LINE_BINS))?;
        let baseband_hz = self.grid.hz(bin) + self.place_within(bin, noise);
        let power = self.power_at_bin(bin, baseband_hz, noise);
        Some(Pilot {
            power,
            baseband_standard_error_hz: self.frequency_standard_error_hz(power.power, noise),
            offset_hz: baseband_hz - self.grid.expected_hz,
            false_alarm,
        })
    }

    /// The power at a frequency known from elsewhere (such as the same station's through another antenna), whether or
    /// not anything stands out there: unbiased, since nothing is chosen.
    ///
    /// `None` outside the spectrum, without a transform, or without neighbours to tell the noise.
    pub fn measure_at(&self, baseband_hz: f64) -> Option<PilotPower> {
        let bin = self.grid.nearest(baseband_hz)?;
        let noise = self.noise_near(self.plain(), baseband_hz, Some(LINE_BINS))?;
        Some(self.power_at_bin(bin, baseband_hz, noise))
    }

    fn power_at_bin(&self, bin: usize, baseband_hz: f64, noise: f64) -> PilotPower {
        let transforms = self.transforms() as f64;
        let lobe = self.grid.lobe(baseband_hz - self.grid.hz(bin));
        let plain = self.plain();
        let power = (plain.bins[bin] / transforms - noise) / lobe;
        // |a + n|² has the variance 2a²N + N²; the first part correlates by ρ between neighbouring transforms, the
        // second by ρ².
        let line = power.max(0.0) * lobe;
        let rho = self.grid.overlap_correlation;
        let crossed = 2.0 * line * noise * self.summed_correlation(rho) / (transforms * transforms);
        let alone = noise * noise / plain.effective;
        let estimate = noise * noise * 2.0 / self.noise_degrees_of_freedom(plain);
        PilotPower {
            baseband_hz,
            power,
            power_standard_error: (crossed + alone + estimate).sqrt() / lobe,
            noise_density: noise / self.enbw_hz(),
            enbw_hz: self.enbw_hz(),
        }
    }

    /// Distance of the line from the middle of its highest bin, from the ratio of the two bins beside it.
    fn place_within(&self, bin: usize, noise: f64) -> f64 {
        let transforms = self.transforms() as f64;
        // What is left of a neighbour after its noise is taken off is kept above a hundredth of the noise.
        let height = |k: usize| (self.summed.powers[k] / transforms - noise).max(noise * 0.01);
        let step = self.grid.step_hz;
        let measured = (height(bin + 1) / height(bin - 1)).ln();
        let modelled = |d: f64| (self.grid.lobe(step - d) / self.grid.lobe(step + d)).ln();
        // The ratio grows evenly with the distance; the highest bin is at most half a step away, noise aside.
        let (mut low, mut high) = (-step, step);
        for _ in 0..40 {
            let middle = (low + high) / 2.0;
            if modelled(middle) < measured {
                low = middle;
            } else {
                high = middle;
            }
        }
        (low + high) / 2.0
    }

    /// First-order error of a frequency told by the two bins at ±h beside a line of power A² in white noise of density
    /// N₀: var f = N₀ ∫w²s² / (8π² A² (∫w t s)²) with s = sin(2πht), t from the window's middle. Neighbouring
    /// transforms err in opposite senses: what delays the end of one advances the beginning of the next.
    fn frequency_standard_error_hz(&self, power: f64, noise: f64) -> f64 {
        const POINTS: usize = 256;
        let along = |n: usize| (n as f64 + 0.5) / POINTS as f64 - 0.5;
        let h = self.grid.step_hz * self.grid.segment_s;
        let window = |t: f64| 0.5 + 0.5 * (2.0 * PI * t).cos();
        let weighted = |t: f64| window(t) * (2.0 * PI * h * t).sin();
        let mean =
            |f: &dyn Fn(f64) -> f64| (0..POINTS).map(|n| f(along(n))).sum::<f64>() / POINTS as f64;
        let squared = mean(&|t| weighted(t).powi(2));
        let tilted = mean(&|t| weighted(t) * t);
        let overlapped = mean(&|t| {
            if t > 0.0 {
                weighted(t) * weighted(t - 0.5)
            } else {
                0.0
            }
        });
        let length = self.grid.segment_s;
        let single = noise / self.enbw_hz() * squared
            / (8.0 * PI * PI * power.max(f64::MIN_POSITIVE) * tilted * tilted * length.powi(3));
        let transforms = self.transforms() as f64;
        (single * self.summed_correlation(overlapped / squared)).sqrt() / transforms
    }

    /// The mean noise in a bin near `hz`: the median of the neighbours, less those within `line_bins` resolutions,
    /// divided by the median of a gamma variable of mean 1.
    fn noise_near(&self, sums: Sums, hz: f64, line_bins: Option<f64>) -> Option<f64> {
        let line_hz = line_bins.map_or(0.0, |bins| bins / self.grid.segment_s);
        let mut near: Vec<f64> =
            Vec::with_capacity((2.0 * NEIGHBOURS_HZ / self.grid.step_hz) as usize + 2);
        let around = self.grid.around(hz, NEIGHBOURS_HZ);
        for (k, &sum) in around.clone().zip(&sums.bins[around]) {
            let bin_hz = self.grid.hz(k);
            let away_hz = (bin_hz - hz).abs();
            if away_hz <= NEIGHBOURS_HZ
                && away_hz >= line_hz
                && bin_hz.abs() <= self.grid.sample_rate_hz / 2.0
            {
                near.push(sum);
            }
        }
        let effective = sums.effective;
        if near.len() < 16 || effective.is_nan() {
            return None;
        }
        let middle = near.len() / 2;
        let (_, &mut median, _) = near.select_nth_unstable_by(middle, f64::total_cmp);
        let unit_median = Gamma::new(effective, effective).ok()?.inverse_cdf(0.5);
        let noise = median / unit_median / self.transforms() as f64;
        (noise > 0.0).then_some(noise)
    }

    /// Σᵢⱼ over all pairs of transforms of their correlation, `c` between neighbours of one visit.
    fn summed_correlation(&self, c: f64) -> f64 {
        self.visits
            .iter()
            .map(|(&k, &m)| f64::from(m) * (f64::from(k) + 2.0 * c * (f64::from(k) - 1.0)))
            .sum()
    }

    /// The powers as they are. Of noise that is not steady they are worth fewer transforms, by (Σl)² / (K Σl²) over the K
    /// transforms' levels: the variance of a sum of exponentials is the sum of their squared means.
    fn plain(&self) -> Sums<'_> {
        let Summed {
            powers,
            levels,
            squared_levels,
            ..
        } = &self.summed;
        let steady = levels * levels / (self.transforms() as f64 * squared_levels);
        Sums {
            bins: powers,
            effective: self.effective_transforms() * steady,
        }
    }

    /// The powers over their transforms' levels.
    fn levelled(&self) -> Sums<'_> {
        Sums {
            bins: &self.summed.levelled,
            effective: self.effective_transforms(),
        }
    }

    /// The number of independent transforms of steady noise whose mean has the same variance; NaN without a transform.
    fn effective_transforms(&self) -> f64 {
        let rho = self.grid.overlap_correlation;
        let transforms = self.transforms() as f64;
        transforms * transforms / self.summed_correlation(rho * rho)
    }

    /// Degrees of freedom of the noise estimate, that is 2 over its relative variance.
    fn noise_degrees_of_freedom(&self, sums: Sums) -> f64 {
        let independent = 2.0 * NEIGHBOURS_HZ * self.grid.segment_s / HANN_BIN_SPREAD;
        2.0 * independent * sums.effective / MEDIAN_VARIANCE
    }

    /// The chance that one bin of noise exceeds `ratio` times the noise estimate.
    fn tail(&self, ratio: f64) -> f64 {
        let transforms = self.transforms() as f64;
        let shape = self.noise_degrees_of_freedom(self.levelled()) / 2.0;
        let rho = self.grid.overlap_correlation;
        let mut weights: Vec<(f64, f64)> = Vec::new();
        for (&k, &visits) in &self.visits {
            // A long visit's eigenvalues lie densely: 64 of them, each counted more than once, tell the same.
            let shown = k.min(64);
            let times = f64::from(visits) * f64::from(k) / f64::from(shown);
            for j in 1..=shown {
                let eigenvalue =
                    1.0 + 2.0 * rho * (f64::from(j) * PI / (f64::from(shown) + 1.0)).cos();
                weights.push((eigenvalue / transforms, times));
            }
        }
        exceedance(&weights, ratio, shape)
    }

    /// The same where the bins' spread shows that the noise is not steady; `None` where it is.
    fn unsteady_tail(&self, ratio: f64) -> Option<f64> {
        let effective = self.effective_transforms();
        let (shown, bins) = self.shown_transforms()?;
        let scatter = SCATTER_OF_SPREAD / (bins as f64).sqrt();
        if shown >= (1.0 - UNSTEADY * scatter) * effective {
            return None;
        }
        let worth = (OF_SPREAD * shown).max(1.0);
        let shape = self.noise_degrees_of_freedom(self.levelled()) / 2.0 * worth / effective;
        let shape = (shape * BURST).max(1.0);
        Some(exceedance(&[(1.0 / worth, worth)], ratio, shape))
    }

    /// Bins over which the level is taken for one: 5 kHz.
    fn chunk(&self) -> usize {
        ((NEIGHBOURS_HZ / 4.0 / self.grid.step_hz) as usize).max(1)
    }

    /// How many independent transforms the bins' spread about the level shows, and by how many bins; `None` where there are few.
    fn shown_transforms(&self) -> Option<(f64, usize)> {
        let levelled = self.levelled();
        let mut over_level: Vec<f64> = Vec::with_capacity(levelled.bins.len() / SPREAD_EVERY + 1);
        for (place, chunk) in levelled.bins.chunks(self.chunk()).enumerate() {
            let middle = place * self.chunk() + chunk.len() / 2;
            if let Some(noise) = self.noise_near(levelled, self.grid.hz(middle), None) {
                over_level.extend(chunk.iter().step_by(SPREAD_EVERY).map(|bin| bin / noise));
            }
        }
        if over_level.len() < 100 {
            return None;
        }
        over_level.sort_by(f64::total_cmp);
        let at = |share: f64| over_level[(share * over_level.len() as f64) as usize];
        let shown = at(0.9) / at(0.5);
        // The ratio falls from 3.3 for one transform towards 1 for many.
        let of = |transforms: f64| {
            let bins = Gamma::new(transforms, transforms).ok()?;
            Some(bins.inverse_cdf(0.9) / bins.inverse_cdf(0.5))
        };
        let (mut low, mut high) = (0.25f64, 1e4f64);
        for _ in 0..20 {
            let middle = (low * high).sqrt();
            if of(middle)? > shown {
                low = middle;
            } else {
                high = middle;
            }
        }
        Some((low, over_level.len()))
    }
}

#[cfg(test)]
mod tests {
    use num_complex::Complex;
    use rand::SeedableRng;
    use rand_chacha::ChaCha8Rng;
    use rand_distr::{Distribution, StandardNormal};

    use super::*;
    use crate::capture::Sample;
    use crate::reading::pilot::PilotProbe;

    const RATE_HZ: f64 = 2.4e6;

    fn visit(seed: u64, samples: usize, tone: Complex<f64>, hz: f64, noise: f64) -> Vec<Sample> {
        let mut rng = ChaCha8Rng::seed_from_u64(seed);
        let sigma = (noise / 2.0).sqrt();
        (0..samples)
            .map(|n| {
                let (sin, cos) = (2.0 * PI * (hz / RATE_HZ * n as f64).fract()).sin_cos();
                let line = tone * Complex::new(cos, sin);
                let (re, im): (f64, f64) = (
                    StandardNormal.sample(&mut rng),
                    StandardNormal.sample(&mut rng),
                );
                Sample::new((line.re + sigma * re) as f32, (line.im + sigma * im) as f32)
            })
            .collect()
    }

    #[test]
    fn a_pure_tone_reads_its_power_and_frequency_anywhere_between_bins() {
        let power = 10f64.powf(-2.35);
        for (width, places) in [(60e3, 40), (1e3, 20)] {
            let mut probe = PilotProbe::new(RATE_HZ, -690_559.44, width).unwrap();
            for i in 0..places {
                let hz = -690_559.44
                    + width * (f64::from(i) / f64::from(places) * 1.9 - 0.95)
                    + f64::from(i) * 7.3;
                probe.push(&visit(1, 48_000, Complex::new(power.sqrt(), 0.0), hz, 1e-9));
                let pilot = probe.finish().find().unwrap();
                let error_db = pilot.power.dbfs().unwrap().0 + 23.5;
                assert!(error_db.abs() < 0.01, "{error_db} dB at {hz} Hz");
                assert!(
                    (pilot.power.baseband_hz - hz).abs() < 0.05,
                    "{} for {hz} Hz",
                    pilot.power.baseband_hz
                );
            }
        }
    }

    #[test]
    fn white_noise_reads_its_density_and_nothing_is_found_in_it() {
        let mut probe = PilotProbe::new(RATE_HZ, -690e3, 60e3).unwrap();
        let (mut densities, trials) = (Vec::new(), 60);
        for seed in 0..trials {
            probe.push(&visit(seed, 48_000, Complex::ZERO, 0.0, 0.01));
            let spectrum = probe.finish();
            assert_eq!(spectrum.find(), None);
            densities.push(spectrum.measure_at(-690e3).unwrap().noise_density / (0.01 / RATE_HZ));
        }
        let mean = densities.iter().sum::<f64>() / trials as f64;
        let variance =
            densities.iter().map(|d| (d - mean).powi(2)).sum::<f64>() / (trials - 1) as f64;
        // 6 % each by the degrees of freedom assumed, so 0.8 % for the mean of 60: within 4 standard errors.
        assert!((mean - 1.0).abs() < 0.032, "{mean}");
        assert!(variance.sqrt() < 0.08, "{}", variance.sqrt());
    }

    #[test]
    fn bursts_of_noise_are_no_pilots() {
        // Ten times the amplitude for a tenth, or a twentieth, of each 10 ms, as a dimmer or a brushed motor makes it. At the
        // promised one false alarm in a thousand, two in 160 have a chance of 1.3 %; taken for steady noise, 20 were found.
        let mut alarms = 0;
        for seed in 0..160u64 {
            let share = if seed % 2 == 0 { 0.1 } else { 0.05 };
            let begins = (seed * 7919 % 1000) as f64 / 1000.0;
            let mut samples = visit(seed, 48_000, Complex::ZERO, 0.0, 0.001);
            for (n, x) in samples.iter_mut().enumerate() {
                if (n as f64 / RATE_HZ * 100.0 + begins).fract() < share {
                    *x *= 10.0;
                }
            }
            let mut probe = PilotProbe::new(RATE_HZ, -690e3, 90e3).unwrap();
            probe.push(&samples);
            alarms += usize::from(probe.finish().find().is_some());
        }
        assert!(alarms <= 1, "{alarms}");
    }

    #[test]
    fn a_pilot_is_found_between_bursts_of_noise() {
        // 24 dB over the noise between the bursts, in a bin of 167 Hz; in the mean of all, bursts included, 14 dB.
        let tone = Complex::new((10f64.powf(2.4) * 0.001 / RATE_HZ * 1.5 / 9e-3).sqrt(), 0.0);
        for seed in 0..20 {
            let mut samples = visit(seed, 240_000, tone, -680e3, 0.001);
            let quiet = visit(seed, 240_000, Complex::ZERO, 0.0, 0.001);
            for (n, (x, noise)) in samples.iter_mut().zip(quiet).enumerate() {
                if (n as f64 / RATE_HZ * 20.0).fract() < 0.05 {
                    *x += noise * 10.0;
                }
            }
            let mut probe = PilotProbe::new(RATE_HZ, -690e3, 90e3).unwrap();
            probe.push(&samples);
            let pilot = probe.finish().find().unwrap();
            assert!((pilot.power.baseband_hz + 680e3).abs() < 10.0, "{pilot:?}");
        }
    }

    #[test]
    fn standard_errors_match_the_spread_of_many_trials() {
        // 20 dB over the noise in a bin; 200 trials tell a standard deviation to 5 %, so 20 % is 4 of its own.
        let noise = 0.01;
        let enbw_hz = 1.5 / 9e-3;
        let power = 100.0 * noise / RATE_HZ * enbw_hz;
        let mut probe = PilotProbe::new(RATE_HZ, -690e3, 1e3).unwrap();
        let found: Vec<Pilot> = (0..200)
            .map(|seed| {
                let hz = -690e3 + (seed as f64 * 3.7) - 370.0;
                probe.push(&visit(
                    seed,
                    48_000,
                    Complex::new(power.sqrt(), 0.0),
                    hz,
                    noise,
                ));
                let mut pilot = probe.finish().find().unwrap();
                pilot.power.baseband_hz -= hz;
                pilot
            })
            .collect();
        let spread = |errors: Vec<f64>| {
            let mean = errors.iter().sum::<f64>() / errors.len() as f64;
            let variance =
                errors.iter().map(|e| (e - mean).powi(2)).sum::<f64>() / (errors.len() - 1) as f64;
            (mean, variance.sqrt())
        };
        let (bias, spread_of_power) =
            spread(found.iter().map(|p| p.power.power / power - 1.0).collect());
        let stated = found
            .iter()
            .map(|p| p.power.power_standard_error / power)
            .sum::<f64>()
            / found.len() as f64;
        assert!(
            (spread_of_power / stated - 1.0).abs() < 0.2,
            "power: {spread_of_power} for {stated}"
        );
        assert!(
            bias.abs() < 4.0 * spread_of_power / 200f64.sqrt(),
            "power {bias} off"
        );
        let (bias, spread_of_hz) = spread(found.iter().map(|p| p.power.baseband_hz).collect());
        let stated = found
            .iter()
            .map(|p| p.baseband_standard_error_hz)
            .sum::<f64>()
            / found.len() as f64;
        assert!(
            (spread_of_hz / stated - 1.0).abs() < 0.2,
            "frequency: {spread_of_hz} Hz for {stated} Hz"
        );
        assert!(
            bias.abs() < 4.0 * spread_of_hz / 200f64.sqrt(),
            "frequency {bias} Hz off"
        );
    }

    #[test]
    fn spectra_of_different_searches_do_not_combine() {
        let mut a = PilotProbe::new(RATE_HZ, -690e3, 1e3).unwrap().finish();
        let b = PilotProbe::new(RATE_HZ, -690.1e3, 1e3).unwrap().finish();
        assert!(a.combine(&b).unwrap_err().to_string().contains("-690100"));
        assert_eq!(a.find(), None, "an empty spectrum holds nothing");
        assert_eq!(a.measure_at(-690e3), None);
    }
}
