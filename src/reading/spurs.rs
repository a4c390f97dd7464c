//! Spurs: narrow lines in a spectrum that are no pilot, found and cut out.
//!
//! A line is a few bins that stand significantly above *both* sides' local level, the median of a stretch of bins on each
//! side a little way off. So a step in level, a slope, a channel's edge or anything wide is no line: there, one side is as
//! high. Spectra here are power spectral densities in linear units on an even grid, ascending in frequency.
//!
//! Continual pilots of OFDM are lines too, in bins narrower than the carriers' spacing (for 2k in 8 MHz some 10 dB in bins
//! of 0.6 kHz): within a channel that carries OFDM, exclude it or set [`SpurSearch::least_excess`] above them, or cutting
//! out would take a part of the signal.
//!
//! Sources: a bin of a Welch estimate has a χ² distribution with 2K degrees of freedom for K independent averages (P. D.
//! Welch, IEEE Trans. Audio Electroacoust. AU-15, 1967), its ratio to an independent estimate of the level is F; the
//! variance of a sample median is 1/(4·n·f²), f being the density at the median.

use std::ops::Range;

use statrs::distribution::{ContinuousCDF, FisherSnedecor, Gamma};

use crate::units::{Decibels, db_to_ratio};

/// A narrow line.
#[derive(Debug, Clone, PartialEq)]
pub struct Spur {
    /// Its frequency in hertz: the mean over its bins, weighted by what stands above the level.
    pub hz: f64,
    /// Height of its highest bin above the local level.
    pub excess: Decibels,
    /// Its bins, the window's skirts included as far as they stand out.
    pub bins: Range<usize>,
}

/// What is looked for.
#[derive(Debug, Clone, PartialEq)]
pub struct SpurSearch {
    /// Effective number of independent averages in each bin.
    pub averages: f64,
    /// Widest line in bins; what is wider is no line. A windowed sinusoid is as wide as the window's main lobe, more where
    /// its skirts stand out. Default 9.
    pub widest_bins: usize,
    /// Bins on each side from which the level is taken. Default 48.
    pub side_bins: usize,
    /// Chance that noise alone gives any line in the whole spectrum. Default 1/1000.
    pub false_alarm: f64,
    /// A line must also stand this far above the level. Default 0 dB.
    pub least_excess: Decibels,
    /// Stretches in hertz where no line is looked for (pilots, the centre spike): low, high.
    pub excluded_hz: Vec<(f64, f64)>,
}

impl SpurSearch {
    /// The defaults, for a spectrum of `averages` effective averages.
    pub fn new(averages: f64) -> Self {
        SpurSearch {
            averages,
            widest_bins: 9,
            side_bins: 48,
            false_alarm: 1e-3,
            least_excess: Decibels(0.0),
            excluded_hz: Vec::new(),
        }
    }

    /// Lines in `density`, bin 0 of which is at `first_hz` and bins `step_hz` apart; ascending. Bins within half the
    /// distance to the ends that a level needs (a quarter of [`side_bins`](SpurSearch::side_bins)) have one side only, and
    /// are judged by that. Empty where there are too few bins for a level, or `averages` is not positive.
    pub fn find(&self, density: &[f64], first_hz: f64, step_hz: f64) -> Vec<Spur> {
        let Some(threshold) = self.threshold(density.len()) else {
            return Vec::new();
        };
        let at = |bin: usize| first_hz + bin as f64 * step_hz;
        let excluded: Vec<bool> = (0..density.len())
            .map(|bin| {
                self.excluded_hz
                    .iter()
                    .any(|&(low, high)| (low..=high).contains(&at(bin)))
            })
            .collect();
        let levels = Levels::new(self, density, &excluded);
        let stands_out = |bin: usize, times: f64| {
            let level = levels.at(bin);
            !excluded[bin] && level > 0.0 && density[bin] > times * level
        };
        // Skirts belong to a line as far as they stand out by half as many decibels; so a hump is seen in its full width.
        let skirt = threshold.sqrt();

        // A line's highest bin stands out by both.
        let highest = threshold.max(db_to_ratio(self.least_excess.0));

        let mut spurs = Vec::new();
        let mut bin = 0;
        while bin < density.len() {
            // Exact levels take long: only where a rough one does not rule a line out.
            if density[bin] <= ROUGHLY * highest * levels.roughly(bin)
                || !stands_out(bin, threshold)
            {
                bin += 1;
                continue;
            }
            let start = (0..bin)
                .rev()
                .take_while(|&b| stands_out(b, skirt))
                .last()
                .unwrap_or(bin);
            let end = (bin..density.len())
                .take_while(|&b| stands_out(b, skirt))
                .last()
                .map_or(bin + 1, |b| b + 1);
            bin = end;
            if end - start <= self.widest_bins {
                spurs.extend(self.measured(density, &levels, start..end, &at));
            }
        }
        spurs
    }

    fn measured(
        &self,
        density: &[f64],
        levels: &Levels,
        bins: Range<usize>,
        at: &dyn Fn(usize) -> f64,
    ) -> Option<Spur> {
        let above = |b: usize| density[b] - levels.at(b);
        let total: f64 = bins.clone().map(above).sum();
        let excess = bins
            .clone()
            .map(|b| density[b] / levels.at(b))
            .fold(0.0, f64::max);
        let excess = Decibels::from_ratio(excess);
        (excess >= self.least_excess).then(|| Spur {
            hz: bins.clone().map(|b| at(b) * above(b)).sum::<f64>() / total,
            excess,
            bins,
        })
    }

    /// How many times the level a bin must be, over `bins` bins.
    fn threshold(&self, bins: usize) -> Option<f64> {
        // The level rests on `side_bins` bins, of which a window's overlap in frequency (1.5 bins) leaves two thirds
        // independent; a median has 0.48 of a mean's weight for exponential bins, 0.64 for Gaussian ones.
        let side = 2.0 * self.averages * self.side_bins as f64 * 0.48 / 1.5;
        let chance = self.false_alarm / bins as f64;
        let ratio = FisherSnedecor::new(2.0 * self.averages, side).ok()?;
        if !(chance > 0.0 && chance < 1.0) {
            return None;
        }
        Some(upper_quantile(|x| ratio.sf(x), chance))
    }
}

/// A rough level may be this much above the exact one.
const ROUGHLY: f64 = 0.7;

/// The level at each bin, worked out where it is asked for.
struct Levels<'a> {
    density: &'a [f64],
    excluded: &'a [bool],
    side_bins: usize,
    gap: usize,
    mean_of_median: f64,
    /// Medians of `side_bins` bins in turn; 0 where there is none.
    rough: Vec<f64>,
}

impl<'a> Levels<'a> {
    fn new(search: &SpurSearch, density: &'a [f64], excluded: &'a [bool]) -> Self {
        let mut levels = Levels {
            density,
            excluded,
            side_bins: search.side_bins.max(1),
            gap: search.widest_bins.div_ceil(2),
            mean_of_median: Gamma::new(search.averages, search.averages)
                .map_or(1.0, |gamma| 1.0 / upper_quantile(|x| gamma.sf(x), 0.5)),
            rough: Vec::new(),
        };
        levels.rough = (0..density.len())
            .step_by(levels.side_bins)
            .map(|from| levels.median(from..(from + levels.side_bins).min(density.len())))
            .map(|median| median.unwrap_or(0.0))
            .collect();
        levels
    }

    fn median(&self, bins: Range<usize>) -> Option<f64> {
        let mut side: Vec<f64> = bins
            .filter(|&b| !self.excluded[b] && self.density[b].is_finite())
            .map(|b| self.density[b])
            .collect();
        if side.len() < (self.side_bins / 4).max(3) {
            return None;
        }
        let middle = side.len() / 2;
        Some(*side.select_nth_unstable_by(middle, f64::total_cmp).1)
    }

    /// The mean that belongs to the higher of the two sides' medians; 0 where there is none.
    fn at(&self, bin: usize) -> f64 {
        let end = self.density.len();
        let before = bin.saturating_sub(self.gap);
        let after = (bin + self.gap + 1).min(end);
        let left = self.median(before.saturating_sub(self.side_bins)..before);
        let right = self.median(after..(after + self.side_bins).min(end));
        match (left, right) {
            (Some(left), Some(right)) => left.max(right) * self.mean_of_median,
            (Some(one), None) | (None, Some(one)) => one * self.mean_of_median,
            (None, None) => 0.0,
        }
    }

    /// The least of the medians around: about the level, or below it.
    fn roughly(&self, bin: usize) -> f64 {
        let block = bin / self.side_bins;
        let around = block.saturating_sub(2)..(block + 3).min(self.rough.len());
        self.rough[around]
            .iter()
            .copied()
            .fold(f64::INFINITY, f64::min)
    }
}

/// Where a falling `tail` (a survival function over positive numbers) comes down to `chance`, by bisection: the library's
/// own inverse works on 1 − chance, which has lost most of its digits here.
fn upper_quantile(tail: impl Fn(f64) -> f64, chance: f64) -> f64 {
    let (mut low, mut high) = (0.0, 1.0);
    while tail(high) > chance && high < 1e9 {
        low = high;
        high *= 2.0;
    }
    for _ in 0..60 {
        let middle = (low + high) / 2.0;
        if tail(middle) > chance {
            low = middle;
        } else {
            high = middle;
        }
    }
    high
}

/// Cuts `bins` out of a spectrum: straight from the mean of up to `side` bins before to the mean of as many after. At an
/// end of the spectrum the one side there is stands for both; nothing changes where there is none.
pub fn bridge(density: &mut [f64], bins: Range<usize>, side: usize) {
    let end = bins.end.min(density.len());
    let start = bins.start.min(end);
    let mean =
        |part: &[f64]| (!part.is_empty()).then(|| part.iter().sum::<f64>() / part.len() as f64);
    let before = mean(&density[start.saturating_sub(side)..start]);
    let after = mean(&density[end..(end + side).min(density.len())]);
    let (Some(from), Some(to)) = (before.or(after), after.or(before)) else {
        return;
    };
    let count = (end - start) as f64;
    for (place, into) in density[start..end].iter_mut().enumerate() {
        *into = from + (to - from) * (place as f64 + 1.0) / (count + 1.0);
    }
}

#[cfg(test)]
mod tests {
    use rand::SeedableRng;
    use rand_chacha::ChaCha8Rng;
    use rand_distr::{Distribution, Gamma as Draw};

    use super::*;

    const STEP_HZ: f64 = 600.0;

    /// A spectrum of level 1 whose bins are drawn as averages of `averages` exponentials, times `shape`.
    fn noisy(seed: u64, averages: f64, shape: impl Fn(usize) -> f64) -> Vec<f64> {
        let mut rng = ChaCha8Rng::seed_from_u64(seed);
        let bin = Draw::new(averages, 1.0 / averages).unwrap();
        (0..3400).map(|i| bin.sample(&mut rng) * shape(i)).collect()
    }

    /// A Hann-windowed sinusoid between bins: its density in bin `bin`, 1 at its frequency.
    fn hann_line(bin: usize, at: f64) -> f64 {
        let x = bin as f64 - at;
        let sinc = |x: f64| {
            if x.abs() < 1e-9 {
                1.0
            } else {
                (std::f64::consts::PI * x).sin() / (std::f64::consts::PI * x)
            }
        };
        (sinc(x) + 0.5 * sinc(x - 1.0) + 0.5 * sinc(x + 1.0)).powi(2)
    }

    #[test]
    fn known_tones_are_found_at_their_place_and_height() {
        let tones = [(400.3, 100.0), (1700.0, 8.0), (3000.5, 1e4)];
        let shape = |i: usize| 2e-7 * (1.0 + i as f64 / 3400.0);
        let mut density = noisy(1, 80.0, shape);
        for (i, d) in density.iter_mut().enumerate() {
            *d += tones
                .iter()
                .map(|&(at, height)| height * shape(i) * hann_line(i, at))
                .sum::<f64>();
        }
        let spurs = SpurSearch {
            widest_bins: 15,
            ..SpurSearch::new(80.0)
        }
        .find(&density, 500e6, STEP_HZ);
        assert_eq!(spurs.len(), 3, "{spurs:?}");
        for (spur, (at, height)) in spurs.iter().zip(tones) {
            // Weighted by what stands out, a symmetrical line is placed well inside a bin.
            assert!(
                (spur.hz - (500e6 + at * STEP_HZ)).abs() < 0.15 * STEP_HZ,
                "{spur:?}"
            );
            let highest = hann_line(at.round() as usize, at).max(hann_line(at as usize, at));
            assert!(
                (spur.excess.0 - 10.0 * (height * highest + 1.0).log10()).abs() < 1.0,
                "{spur:?}"
            );
            assert!(spur.bins.contains(&(at as usize)));
        }
    }

    #[test]
    fn noise_has_no_spurs() {
        // 30 spectra of 3400 bins: at 1/1000 a spectrum, two alarms have a chance of 0.0004.
        for averages in [1.0, 4.0, 20.0, 300.0] {
            let search = SpurSearch::new(averages);
            let alarms = (0..30)
                .filter(|&s| {
                    !search
                        .find(&noisy(s, averages, |_| 1.0), 0.0, STEP_HZ)
                        .is_empty()
                })
                .count();
            assert!(alarms <= 1, "{averages} averages: {alarms}");
        }
    }

    #[test]
    #[ignore = "minutes: the measured false alarm rate"]
    fn false_alarm_rate_of_spurs() {
        for averages in [1.0, 2.0, 4.0, 20.0, 80.0, 300.0] {
            let search = SpurSearch::new(averages);
            let alarms = (0..4000)
                .filter(|&s| {
                    !search
                        .find(&noisy(s, averages, |_| 1.0), 0.0, STEP_HZ)
                        .is_empty()
                })
                .count();
            println!("{averages} averages: {alarms} of 4000");
            assert!(alarms <= 10, "{averages} averages: {alarms}");
        }
    }

    #[test]
    fn a_step_in_level_and_the_edges_of_a_channel_are_no_lines() {
        // Root-raised-cosine edges of 8-VSB (0.62 MHz) and a brick wall, 30 dB each.
        let shape = |i: usize| {
            let edge = 1033.0;
            let rise = (i as f64 - 600.0) / edge;
            let vsb = (std::f64::consts::FRAC_PI_2 * rise.clamp(0.0, 1.0))
                .sin()
                .powi(2);
            let wall = if (2500..3000).contains(&i) { 30.0 } else { 1.0 };
            1.0 + 1000.0 * vsb * wall
        };
        for seed in 0..10 {
            let found = SpurSearch::new(80.0).find(&noisy(seed, 80.0, shape), 0.0, STEP_HZ);
            assert_eq!(found, []);
        }
    }

    #[test]
    fn a_hump_wider_than_a_line_is_no_line() {
        let hump = |i: usize| if (1000..1020).contains(&i) { 20.0 } else { 1.0 };
        assert_eq!(
            SpurSearch::new(80.0).find(&noisy(4, 80.0, hump), 0.0, STEP_HZ),
            []
        );
    }

    #[test]
    fn a_line_beside_a_step_is_found_on_either_side() {
        let step = |i: usize| if i < 1700 { 1.0 } else { 100.0 };
        let mut density = noisy(2, 80.0, step);
        density[1650] += 1000.0;
        density[1750] += 1000.0;
        let found: Vec<Range<usize>> = SpurSearch::new(80.0)
            .find(&density, 0.0, STEP_HZ)
            .into_iter()
            .map(|s| s.bins)
            .collect();
        assert_eq!(found, [1650..1651, 1750..1751]);
    }

    #[test]
    fn an_excluded_line_is_left_out_and_a_weak_one_may_be() {
        let mut density = noisy(3, 80.0, |_| 1.0);
        density[1000] += 50.0;
        density[2000] += 5.0;
        let mut search = SpurSearch::new(80.0);
        assert_eq!(search.find(&density, 0.0, STEP_HZ).len(), 2);
        search.excluded_hz = vec![(999.0 * STEP_HZ, 1001.0 * STEP_HZ)];
        assert_eq!(search.find(&density, 0.0, STEP_HZ).len(), 1);
        search.least_excess = Decibels(12.0);
        assert_eq!(search.find(&density, 0.0, STEP_HZ), []);
    }

    #[test]
    fn a_bridged_line_leaves_the_channels_power_as_it_was() {
        let clean = noisy(5, 80.0, |i| 1.0 + i as f64 / 3400.0);
        let mut cut = clean.clone();
        for (i, d) in cut.iter_mut().enumerate().take(1710).skip(1690) {
            *d += 1e3 * hann_line(i, 1700.4);
        }
        for spur in (SpurSearch {
            widest_bins: 15,
            ..SpurSearch::new(80.0)
        })
        .find(&cut, 0.0, STEP_HZ)
        {
            bridge(&mut cut, spur.bins, 8);
        }
        let (before, after) = (clean.iter().sum::<f64>(), cut.iter().sum::<f64>());
        assert!((after / before - 1.0).abs() < 1e-3, "{before} {after}");
    }

    #[test]
    fn bridges_are_straight_and_stop_at_the_ends() {
        let mut d = [1.0, 1.0, 9.0, 9.0, 9.0, 5.0, 5.0];
        bridge(&mut d, 2..5, 2);
        assert_eq!(d, [1.0, 1.0, 2.0, 3.0, 4.0, 5.0, 5.0]);
        let mut d = [9.0, 3.0, 3.0];
        bridge(&mut d, 0..1, 2);
        assert_eq!(d, [3.0, 3.0, 3.0]);
        let mut d = [9.0, 9.0];
        bridge(&mut d, 0..7, 2);
        assert_eq!(d, [9.0, 9.0]);
    }

    #[test]
    fn too_few_bins_or_no_averages_give_nothing() {
        assert_eq!(SpurSearch::new(80.0).find(&[1.0, 50.0, 1.0], 0.0, 1.0), []);
        assert_eq!(SpurSearch::new(80.0).find(&[], 0.0, 1.0), []);
        assert_eq!(
            SpurSearch::new(0.0).find(&noisy(1, 4.0, |_| 1.0), 0.0, 1.0),
            []
        );
        assert_eq!(
            SpurSearch::new(f64::NAN).find(&noisy(1, 4.0, |_| 1.0), 0.0, 1.0),
            []
        );
    }

    #[test]
    fn thresholds_agree_with_scipy() {
        // scipy 1.17.1: scipy.stats.f.isf(1e-3/3400, 2*K, 2*K*48*0.48/1.5)
        for (averages, expected) in SCIPY {
            let ours = SpurSearch::new(averages).threshold(3400).unwrap();
            assert!(
                (ours / expected - 1.0).abs() < 1e-6,
                "{averages}: {ours} against {expected}"
            );
        }
    }
    const SCIPY: [(f64, f64); 3] = [
        (1.0, 25.53005622241332),
        (20.0, 2.6723376371117475),
        (300.0, 1.3289824553525644),
    ];
}
