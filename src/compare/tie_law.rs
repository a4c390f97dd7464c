//! The sum of several laws of errors.

use super::law::{ErrorLaw, false_position};
use crate::statistics::{normal_upper_quantile, normal_upper_tail};

/// Shares of less than this weight change nothing that is shown.
const LIGHT: f64 = 1e-14;

/// The distribution of a sum of independent errors: a mixture of normal laws.
///
/// Each law is a normal one whose variance is itself random (Student's t as a mixture over χ²), so the sum is the mixture over
/// all combinations, with the variances added: their convolution, as JCGM 101:2008 asks for.
#[derive(Debug, Clone)]
pub(super) struct SumLaw {
    /// Weight and standard deviation.
    normals: Vec<(f64, f64)>,
}

impl SumLaw {
    /// The sum of two laws and a normal error.
    pub fn new(one: &ErrorLaw, two: &ErrorLaw, normal: f64) -> SumLaw {
        let (one, two) = (one.normals(), two.normals());
        let mut normals = Vec::with_capacity(one.len() * two.len());
        for (weight, variance) in one {
            for (other_weight, other_variance) in &two {
                let weight = weight * other_weight;
                if weight > LIGHT {
                    let variance = variance + other_variance + normal * normal;
                    normals.push((weight, variance.sqrt()));
                }
            }
        }
        SumLaw { normals }
    }

    /// Probability of an error at least as far from zero as `error`.
    pub fn two_sided(&self, error: f64) -> f64 {
        let error = error.abs();
        let tail = |&(weight, size): &(f64, f64)| {
            if size > 0.0 {
                weight * normal_upper_tail(error / size)
            } else if error > 0.0 {
                0.0
            } else {
                weight / 2.0
            }
        };
        (2.0 * self.normals.iter().map(tail).sum::<f64>()).min(1.0)
    }

    /// Half the width of the interval that holds the error with probability `confidence`.
    pub fn half_width(&self, confidence: f64) -> f64 {
        let outside = 1.0 - confidence;
        let least = (self.normals.iter()).fold(f64::INFINITY, |least, normal| least.min(normal.1));
        let excess = |x: f64| self.two_sided(x).ln() - outside.ln();
        let mut low = least * normal_upper_quantile(outside / 2.0);
        let mut high = low;
        let mut at_high = excess(high);
        while at_high > 0.0 && high > 0.0 && high < 1e9 {
            (low, high) = (high, 1.5 * high);
            at_high = excess(high);
        }
        if low == high {
            return low;
        }
        false_position(excess, (low, excess(low)), (high, at_high))
    }
}
