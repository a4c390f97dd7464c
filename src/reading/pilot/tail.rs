//! The tail of a weighted sum of exponentials over a gamma variable: how often noise alone does what was seen.

use statrs::distribution::{Continuous, ContinuousCDF, Normal};

/// The chance that Σ wᵢ Eᵢ > `ratio`·G, where each weight stands `times` over with independent unit exponentials E, and
/// G is a gamma variable of mean 1 and the given shape.
///
/// Source: Lugannani and Rice, Adv. Appl. Prob. 12 (1980), applied to Σ wE − ratio·G at 0.
pub(super) fn exceedance(weights: &[(f64, f64)], ratio: f64, shape: f64) -> f64 {
    let mean: f64 = weights.iter().map(|(w, m)| w * m).sum();
    if ratio <= mean * 1.01 {
        return 1.0; // Below the mean the chance is not small, and nothing asks for its value.
    }
    let slope = |s: f64| {
        let up: f64 = weights.iter().map(|(w, m)| m * w / (1.0 - w * s)).sum();
        up - ratio / (1.0 + ratio * s / shape)
    };
    let largest = weights.iter().fold(0.0f64, |a, (w, _)| a.max(*w));
    let (mut low, mut high) = (0.0, 1.0 / largest);
    for _ in 0..100 {
        let middle = (low + high) / 2.0;
        if slope(middle) < 0.0 {
            low = middle
        } else {
            high = middle
        }
    }
    let s = low;
    let spread = 1.0 + ratio * s / shape;
    let generating: f64 = -weights
        .iter()
        .map(|(w, m)| m * (1.0 - w * s).ln())
        .sum::<f64>()
        - shape * spread.ln();
    let curvature: f64 = weights
        .iter()
        .map(|(w, m)| m * (w / (1.0 - w * s)).powi(2))
        .sum::<f64>()
        + (ratio / spread).powi(2) / shape;
    let w = (-2.0 * generating).max(0.0).sqrt();
    let u = s * curvature.sqrt();
    let normal = Normal::standard();
    normal.sf(w) + normal.pdf(w) * (1.0 / u - 1.0 / w)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_tail_of_one_exponential_is_exact_to_a_few_per_cent() {
        // One exponential over a gamma of shape h: (1 + t/h)^-h in closed form; so is the sum of n, over a constant.
        for (ratio, shape) in [(8.0, 50.0), (14.0, 250.0), (17.0, 1e9)] {
            let exact = (1.0f64 + ratio / shape).powf(-shape);
            let got = exceedance(&[(1.0, 1.0)], ratio, shape);
            assert!((got / exact - 1.0).abs() < 0.1, "{got} for {exact}");
        }
        // Three unequal exponentials (eigenvalues of a visit of three transforms with ρ = 1/6): partial fractions.
        let (a, c) = (1.0 + 2f64.sqrt() / 6.0, 1.0 - 2f64.sqrt() / 6.0);
        let x = 20.9f64;
        let exact = a * a / ((a - 1.0) * (a - c)) * (-x / a).exp()
            + 1.0 / ((1.0 - a) * (1.0 - c)) * (-x).exp()
            + c * c / ((c - a) * (c - 1.0)) * (-x / c).exp();
        let got = exceedance(
            &[(a / 3.0, 1.0), (1.0 / 3.0, 1.0), (c / 3.0, 1.0)],
            x / 3.0,
            1e12,
        );
        assert!((got / exact - 1.0).abs() < 0.1, "{got} for {exact}");
    }
}
