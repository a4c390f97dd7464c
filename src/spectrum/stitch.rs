//! Tunings laid side by side: which of them answers for which frequencies, and sums over a stretch of one.

use crate::capture::tuning::USABLE;

/// The stretch of frequencies, in hertz, that one tuning answers for: `low_hz <= f < high_hz`, empty where another
/// tuning is nearer everywhere.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Stretch {
    /// Lower end in hertz.
    pub low_hz: f64,
    /// Upper end in hertz.
    pub high_hz: f64,
}

impl Stretch {
    /// Width in hertz, 0 where it is empty.
    pub fn width_hz(self) -> f64 {
        (self.high_hz - self.low_hz).max(0.0)
    }

    /// What two stretches share; empty where they share nothing.
    pub fn shared(self, other: Stretch) -> Stretch {
        Stretch {
            low_hz: self.low_hz.max(other.low_hz),
            high_hz: self.high_hz.min(other.high_hz),
        }
    }
}

/// The stretch that each tuning answers for: its usable inner part, cut half way to its neighbours.
///
/// `centres_hz` must ascend; of two tunings at one frequency the first answers.
pub fn stretches(centres_hz: &[f64], sample_rate_hz: f64) -> Vec<Stretch> {
    let reach = sample_rate_hz * USABLE / 2.0;
    (0..centres_hz.len())
        .map(|i| {
            let centre = centres_hz[i];
            let below = if i == 0 {
                f64::NEG_INFINITY
            } else {
                centres_hz[i - 1]
            };
            let above = centres_hz[i + 1..]
                .iter()
                .copied()
                .find(|&next| next > centre)
                .unwrap_or(f64::INFINITY);
            if below == centre {
                return Stretch {
                    low_hz: centre,
                    high_hz: centre,
                };
            }
            Stretch {
                low_hz: (centre - reach).max((below + centre) / 2.0),
                high_hz: (centre + reach).min((centre + above) / 2.0),
            }
        })
        .collect()
}

/// Sum of a density over a stretch: each bin counts by the share of its width that lies inside.
///
/// `density(i)` is the power in one hertz of bin `i` of `length`, which stands at
/// `centre_hz + (i − length/2)·sample_rate_hz/length`. The result is a power.
pub fn integrate(
    density: impl Fn(usize) -> f64,
    length: usize,
    centre_hz: f64,
    sample_rate_hz: f64,
    stretch: Stretch,
) -> f64 {
    let step = sample_rate_hz / length as f64;
    // Edges in bins, counted so that bin i spans i … i + 1.
    let edge =
        |hz: f64| ((hz - centre_hz) / step + length as f64 / 2.0 + 0.5).clamp(0.0, length as f64);
    let (low, high) = (edge(stretch.low_hz), edge(stretch.high_hz));
    if high <= low {
        return 0.0;
    }
    let (first, last) = (low as usize, (high.ceil() as usize).min(length));
    (first..last)
        .map(|i| density(i) * ((i as f64 + 1.0).min(high) - (i as f64).max(low)))
        .sum::<f64>()
        * step
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn inner_parts_tile_without_gap_or_overlap() {
        let shares = stretches(&[507e6, 509e6, 511e6], 2.4e6);
        assert_eq!(
            shares[0],
            Stretch {
                low_hz: 506e6,
                high_hz: 508e6
            }
        );
        assert_eq!(
            shares[1],
            Stretch {
                low_hz: 508e6,
                high_hz: 510e6
            }
        );
        assert_eq!(
            shares[2],
            Stretch {
                low_hz: 510e6,
                high_hz: 512e6
            }
        );
    }

    #[test]
    fn overlapping_tunings_meet_half_way_and_distant_ones_leave_a_gap() {
        let shares = stretches(&[500e6, 501e6, 510e6], 2.4e6);
        assert_eq!(
            shares[0],
            Stretch {
                low_hz: 499e6,
                high_hz: 500.5e6
            }
        );
        assert_eq!(
            shares[1],
            Stretch {
                low_hz: 500.5e6,
                high_hz: 502e6
            }
        );
        assert_eq!(
            shares[2],
            Stretch {
                low_hz: 509e6,
                high_hz: 511e6
            }
        );
    }

    #[test]
    fn of_two_tunings_at_one_frequency_the_first_answers() {
        let shares = stretches(&[500e6, 500e6, 502e6], 2.4e6);
        assert_eq!(
            shares[0],
            Stretch {
                low_hz: 499e6,
                high_hz: 501e6
            }
        );
        assert_eq!(shares[1].width_hz(), 0.0);
        assert_eq!(shares[2].low_hz, 501e6);
    }

    #[test]
    fn a_density_of_one_sums_to_the_width_wherever_the_edges_fall() {
        for (low_hz, high_hz) in [
            (499e6, 501e6),
            (499.123_4e6, 500.777e6),
            (500e6, 500.000_1e6),
            (501e6, 500e6),
        ] {
            let stretch = Stretch { low_hz, high_hz };
            let sum = integrate(|_| 1.0, 4096, 500e6, 2.4e6, stretch);
            assert!(
                (sum - stretch.width_hz()).abs() < 1e-3,
                "{stretch:?}: {sum}"
            );
        }
    }

    #[test]
    fn neighbouring_stretches_sum_to_the_whole() {
        let density = |i: usize| (i % 17) as f64;
        let sum =
            |low_hz, high_hz| integrate(density, 1024, 500e6, 2.4e6, Stretch { low_hz, high_hz });
        let whole = sum(499e6, 501e6);
        assert!((sum(499e6, 500.0001e6) + sum(500.0001e6, 501e6) - whole).abs() < 1e-9 * whole);
    }
}
