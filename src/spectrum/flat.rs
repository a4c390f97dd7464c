//! The receiver's own marks on a spectrum, and how they are taken off: the slope of its passband (a *flat field*, as in
//! astronomy) and the spike at its centre.
//!
//! Densities are linear, ascending in frequency, bin `i` of N at `(i − N/2)·rate/N` hertz.

/// Bins on each side of the centre that the spike and the removed mean disturb: Hann spreads the removed bin over its
/// two neighbours, and a wandering offset over one more.
const SPIKE_REACH: usize = 2;

/// Bins beyond the spike, on each side, from which it is bridged.
const BRIDGE_FROM: usize = 8;

/// How far above its neighbours a bin beside the centre must stand to be a carrier's.
const CARRIER_RATIO: f64 = 10.0;

/// Replaces the bins at the centre by the mean of their neighbours, unless a carrier stands there.
///
/// The middle bin itself is no witness, since the mean was removed; a carrier within two bins of the centre shows in the
/// bins beside it. Returns whether the bins were bridged.
pub fn bridge_centre(bins: &mut [f64]) -> bool {
    let middle = bins.len() / 2;
    if middle < SPIKE_REACH + BRIDGE_FROM {
        return false;
    }
    let below = middle - SPIKE_REACH - BRIDGE_FROM..middle - SPIKE_REACH;
    let above = middle + SPIKE_REACH + 1..middle + SPIKE_REACH + 1 + BRIDGE_FROM;
    let around = bins[below].iter().chain(&bins[above]).sum::<f64>() / (2 * BRIDGE_FROM) as f64;
    let spike = &mut bins[middle - SPIKE_REACH..=middle + SPIKE_REACH];
    if spike.iter().any(|&bin| bin > CARRIER_RATIO * around) {
        return false;
    }
    spike.fill(around);
    true
}

/// How much of a power the passband lets through, by frequency within the tuning; 1 in its middle.
#[derive(Debug, Clone, PartialEq)]
pub struct FlatField {
    /// Ascending, even steps over the sampled width; empty stands for a passband without slope.
    gains: Vec<f64>,
}

impl FlatField {
    /// A passband without slope.
    pub fn none() -> Self {
        FlatField { gains: Vec::new() }
    }

    /// Whether it was measured; otherwise the passband's slope is still in what it is divided out of.
    pub fn is_known(&self) -> bool {
        !self.gains.is_empty()
    }

    /// The passband seen in spectra of flat noise (a terminator's), all at the same rate and length.
    ///
    /// `rounding_density` is what rounding adds to each bin, flat, after the passband: it is taken off first, where it is
    /// less than half of the density. Each spectrum is scaled to its own middle third, all are averaged, and the average
    /// is smoothed over 1/32 of the sampled width. `None` where there is no spectrum.
    pub fn from_flat_noise(spectra: &[&[f64]], rounding_density: f64) -> Option<Self> {
        let length = spectra.first()?.len();
        let mut mean = vec![0.0; length];
        let mut count = 0;
        for spectrum in spectra.iter().filter(|spectrum| spectrum.len() == length) {
            let inner = middle_third(spectrum);
            let rounding = if rounding_density < inner / 2.0 {
                rounding_density
            } else {
                0.0
            };
            if inner <= rounding {
                continue;
            }
            for (sum, &bin) in mean.iter_mut().zip(*spectrum) {
                *sum += (bin - rounding) / (inner - rounding);
            }
            count += 1;
        }
        if count == 0 {
            return None;
        }
        let smooth = moving_mean(&mean, length / 64);
        let scale = middle_third(&smooth);
        // A passband that passes next to nothing would blow noise up without end; such edges are never used.
        Some(FlatField {
            gains: smooth.iter().map(|gain| (gain / scale).max(1e-3)).collect(),
        })
    }

    /// Gain at bin `index` of `length`.
    pub fn gain(&self, index: usize, length: usize) -> f64 {
        if self.gains.is_empty() {
            1.0
        } else {
            self.gains[index * self.gains.len() / length]
        }
    }
}

/// Mean over the middle third of the bins.
fn middle_third(bins: &[f64]) -> f64 {
    let third = bins.len() / 3;
    let middle = &bins[third..bins.len() - third];
    middle.iter().sum::<f64>() / middle.len() as f64
}

/// Mean over `reach` bins on each side, fewer at the ends.
fn moving_mean(bins: &[f64], reach: usize) -> Vec<f64> {
    let mut sums = Vec::with_capacity(bins.len() + 1);
    let mut sum = 0.0;
    sums.push(sum);
    for bin in bins {
        sum += bin;
        sums.push(sum);
    }
    (0..bins.len())
        .map(|i| {
            // Shorter, but even on both sides, near the ends: so a slope is not pulled flat.
            let reach = reach.min(i).min(bins.len() - 1 - i);
            (sums[i + reach + 1] - sums[i - reach]) / (2 * reach + 1) as f64
        })
        .collect()
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_spike_is_bridged_and_a_carrier_beside_it_is_kept() {
        let mut bins = vec![2.0; 64];
        bins[31..34].copy_from_slice(&[1.5, 0.4, 1.6]);
        assert!(bridge_centre(&mut bins));
        assert_eq!(bins, vec![2.0; 64]);
        let mut carrier = vec![2.0; 64];
        carrier[33] = 500.0;
        let before = carrier.clone();
        assert!(!bridge_centre(&mut carrier));
        assert_eq!(carrier, before);
    }

    #[test]
    fn a_flat_field_is_the_slope_without_the_rounding_noise() {
        // A slope of −3 dB at either end, noise 1.0 before it, rounding noise 0.2 after it.
        let slope = |i: usize| 10f64.powf(-0.3 * ((i as f64 - 2048.0) / 2048.0).powi(2));
        let spectrum: Vec<f64> = (0..4096).map(|i| 5.0 * slope(i) + 0.2).collect();
        let flat = FlatField::from_flat_noise(&[&spectrum, &spectrum], 0.2).expect("two spectra");
        let middle: f64 = (1365..2731).map(slope).sum::<f64>() / 1366.0;
        for i in (0..4096).step_by(97) {
            assert!(
                (flat.gain(i, 4096) / (slope(i) / middle) - 1.0).abs() < 2e-3,
                "bin {i}"
            );
        }
    }

    #[test]
    fn no_spectrum_gives_no_flat_field() {
        assert_eq!(FlatField::from_flat_noise(&[], 0.0), None);
        assert_eq!(FlatField::none().gain(3, 10), 1.0);
    }
}
