//! The textbook part: means and spreads, quantiles, effective degrees of freedom, Holm's step-down.
//!
//! Every function here is checked against published figures in `tests/statistics_from_outside.rs`.

use statrs::distribution::{ContinuousCDF, StudentsT};
use statrs::function::erf::{erfc, erfc_inv};
use statrs::function::gamma::digamma;

/// Mean, spread and order of a series, from one numerically safe pass and a second over the residuals.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Moments {
    /// Number of values.
    pub count: usize,
    /// Arithmetic mean.
    pub mean: f64,
    /// Standard deviation with `count − 1` in the denominator; 0 for a single value.
    pub standard_deviation: f64,
}

impl Moments {
    /// The moments of `values`; `None` where there are none.
    ///
    /// The mean is a running one, corrected by the mean residual of a second pass; the variance is that of the second
    /// pass with the same correction. Neither subtracts large squares from each other, so that NIST's NumAcc4 comes out
    /// right. Source: Chan, Golub and LeVeque, The American Statistician 37 (1983), equation 1.7.
    pub fn of(values: &[f64]) -> Option<Moments> {
        if values.is_empty() {
            return None;
        }
        let count = values.len();
        let n = count as f64;
        let mut running = 0.0;
        for (index, value) in values.iter().enumerate() {
            running += (value - running) / (index + 1) as f64;
        }
        let (mut sum, mut squares) = (0.0, 0.0);
        for value in values {
            sum += value - running;
            squares += (value - running) * (value - running);
        }
        let variance = if count > 1 {
            ((squares - sum * sum / n) / (n - 1.0)).max(0.0)
        } else {
            0.0
        };
        Some(Moments {
            count,
            mean: running + sum / n,
            standard_deviation: variance.sqrt(),
        })
    }

    /// Standard error of the mean, s/√n. Source: JCGM 100:2008, 4.2.3.
    pub fn standard_error(&self) -> f64 {
        self.standard_deviation / (self.count as f64).sqrt()
    }

    /// Degrees of freedom of the spread, n − 1.
    pub fn degrees_of_freedom(&self) -> f64 {
        self.count as f64 - 1.0
    }
}

/// Middle value, the mean of the two middle ones for an even count; `None` where there are none.
pub fn median(values: &[f64]) -> Option<f64> {
    let mut sorted = values.to_vec();
    sorted.sort_by(f64::total_cmp);
    let half = sorted.len() / 2;
    match sorted.len() {
        0 => None,
        n if n % 2 == 1 => Some(sorted[half]),
        _ => Some((sorted[half - 1] + sorted[half]) / 2.0),
    }
}

/// Autocorrelation at a lag of one: Σ(xᵢ − x̄)(xᵢ₊₁ − x̄)/Σ(xᵢ − x̄)²; `None` for fewer than two values or no spread.
///
/// Source: NIST StRD, univariate summary statistics.
pub fn lag_one_autocorrelation(values: &[f64]) -> Option<f64> {
    let moments = Moments::of(values)?;
    let residuals: Vec<f64> = values.iter().map(|v| v - moments.mean).collect();
    let total: f64 = residuals.iter().map(|r| r * r).sum();
    (values.len() > 1 && total > 0.0).then(|| {
        residuals
            .windows(2)
            .map(|pair| pair[0] * pair[1])
            .sum::<f64>()
            / total
    })
}

/// Probability that a standard normal variable lies above `z`.
pub fn normal_upper_tail(z: f64) -> f64 {
    0.5 * erfc(z / std::f64::consts::SQRT_2)
}

/// The z above which a standard normal variable lies with probability `upper`, 0 < `upper` < 1.
pub fn normal_upper_quantile(upper: f64) -> f64 {
    std::f64::consts::SQRT_2 * erfc_inv(2.0 * upper)
}

/// Probability that Student's t with these degrees of freedom (may be infinite) lies above `t`.
pub fn student_upper_tail(t: f64, degrees_of_freedom: f64) -> f64 {
    if degrees_of_freedom > NORMAL_FROM {
        return normal_upper_tail(t);
    }
    match StudentsT::new(0.0, 1.0, degrees_of_freedom) {
        Ok(law) => law.sf(t),
        Err(_) => f64::NAN,
    }
}

/// The t above which Student's t with these degrees of freedom (may be infinite) lies with probability `upper`,
/// 0 < `upper` < 1.
///
/// The tail function is inverted by bisection, since series for the inverse lose digits at many degrees of freedom.
pub fn student_upper_quantile(upper: f64, degrees_of_freedom: f64) -> f64 {
    if upper > 0.5 {
        return -student_upper_quantile(1.0 - upper, degrees_of_freedom);
    }
    if degrees_of_freedom > NORMAL_FROM {
        return normal_upper_quantile(upper);
    }
    let mut high = 2.0;
    while student_upper_tail(high, degrees_of_freedom) > upper && high < 1e300 {
        high *= 2.0;
    }
    let mut low = 0.0;
    for _ in 0..200 {
        let middle = (low + high) / 2.0;
        if middle <= low || middle >= high {
            break;
        }
        if student_upper_tail(middle, degrees_of_freedom) > upper {
            low = middle
        } else {
            high = middle
        }
    }
    (low + high) / 2.0
}

/// The t with probability `confidence` between −t and t, the `t_p(ν)` of JCGM 100:2008, table G.2.
pub fn coverage_factor(confidence: f64, degrees_of_freedom: f64) -> f64 {
    student_upper_quantile((1.0 - confidence) / 2.0, degrees_of_freedom)
}

/// Beyond so many degrees of freedom Student's t is taken for the normal: its 95 % quantile is off by under 3·10⁻⁶.
const NORMAL_FROM: f64 = 1e6;

/// Effective degrees of freedom of a sum of independent parts `(standard uncertainty, degrees of freedom)`:
/// u_c⁴/Σ(uᵢ⁴/νᵢ). Infinite where no part has finite degrees of freedom and spread.
///
/// Source: Welch–Satterthwaite, JCGM 100:2008, G.2b. Not truncated: see [`truncated`].
pub fn welch_satterthwaite(parts: impl IntoIterator<Item = (f64, f64)>) -> f64 {
    let (mut variance, mut weighted) = (0.0, 0.0);
    for (uncertainty, degrees_of_freedom) in parts {
        let square = uncertainty * uncertainty;
        variance += square;
        weighted += square * square / degrees_of_freedom;
    }
    if weighted > 0.0 {
        variance * variance / weighted
    } else {
        f64::INFINITY
    }
}

/// Degrees of freedom cut down to a whole number, at least 1. Source: JCGM 100:2008, G.4.1, note 1.
///
/// A value within 10⁻⁹ below a whole number counts as that number: n − 1 equal parts give n − 1 but for rounding.
pub fn truncated(degrees_of_freedom: f64) -> f64 {
    if degrees_of_freedom.is_finite() {
        (degrees_of_freedom * (1.0 + 1e-9)).floor().max(1.0)
    } else {
        degrees_of_freedom
    }
}

/// A t test: the statistic, its degrees of freedom, and the two-sided probability.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct TTest {
    /// Difference of the means, first less second.
    pub difference: f64,
    /// Its standard error.
    pub standard_error: f64,
    /// Degrees of freedom, not truncated.
    pub degrees_of_freedom: f64,
}

impl TTest {
    /// Difference over standard error.
    pub fn t(&self) -> f64 {
        self.difference / self.standard_error
    }

    /// Probability of a t at least so far from zero if there were no difference.
    pub fn p(&self) -> f64 {
        2.0 * student_upper_tail(self.t().abs(), self.degrees_of_freedom)
    }

    /// Pairs: the mean difference over s/√n, ν = n − 1. Source: Student, Biometrika 6 (1908).
    pub fn paired(differences: &Moments) -> TTest {
        TTest {
            difference: differences.mean,
            standard_error: differences.standard_error(),
            degrees_of_freedom: differences.degrees_of_freedom(),
        }
    }

    /// Two groups whose spreads may differ. Source: Welch, Biometrika 34 (1947); NIST/SEMATECH e-Handbook 7.3.1.
    pub fn unequal_variances(first: &Moments, second: &Moments) -> TTest {
        let parts = [first, second].map(|m| (m.standard_error(), m.degrees_of_freedom()));
        TTest {
            difference: first.mean - second.mean,
            standard_error: parts[0].0.hypot(parts[1].0),
            degrees_of_freedom: welch_satterthwaite(parts),
        }
    }

    /// Two groups with one spread, pooled; either may have a single value, not both.
    /// Source: NIST/SEMATECH e-Handbook 7.3.1.
    pub fn pooled(first: &Moments, second: &Moments) -> TTest {
        let degrees_of_freedom = first.degrees_of_freedom() + second.degrees_of_freedom();
        let squares = [first, second]
            .map(|m| m.degrees_of_freedom() * m.standard_deviation * m.standard_deviation);
        let spread = ((squares[0] + squares[1]) / degrees_of_freedom).sqrt();
        TTest {
            difference: first.mean - second.mean,
            standard_error: spread * (1.0 / first.count as f64 + 1.0 / second.count as f64).sqrt(),
            degrees_of_freedom,
        }
    }
}

/// Holm's step-down adjusted probabilities, in the order given: max over j ≤ i of min(1, (m − j + 1)·p₍ⱼ₎).
///
/// Rejecting where the adjusted value is at most α keeps the chance of any wrong rejection in the family at α, whatever
/// the dependence between the tests. Source: S. Holm, Scandinavian Journal of Statistics 6 (1979), 65–70.
pub fn holm(probabilities: &[f64]) -> Vec<f64> {
    let mut order: Vec<usize> = (0..probabilities.len()).collect();
    order.sort_by(|&i, &j| probabilities[i].total_cmp(&probabilities[j]));
    let mut adjusted = vec![0.0; probabilities.len()];
    let mut so_far: f64 = 0.0;
    for (rank, &index) in order.iter().enumerate() {
        let factor = (probabilities.len() - rank) as f64;
        so_far = so_far.max((factor * probabilities[index]).min(1.0));
        adjusted[index] = so_far;
    }
    adjusted
}

/// Slope of a straight line through `(x, y)` whose level may differ between two groups, by least squares; `None` where
/// the points don't determine it.
///
/// Source: least squares with a common slope, after taking each group's means away (analysis of covariance).
pub fn common_slope(groups: [&[(f64, f64)]; 2]) -> Option<f64> {
    let (mut sxx, mut sxy) = (0.0, 0.0);
    for group in groups {
        let n = group.len() as f64;
        let mean_x = group.iter().map(|p| p.0).sum::<f64>() / n;
        let mean_y = group.iter().map(|p| p.1).sum::<f64>() / n;
        for (x, y) in group {
            sxx += (x - mean_x) * (x - mean_x);
            sxy += (x - mean_x) * (y - mean_y);
        }
    }
    (sxx > 0.0).then(|| sxy / sxx)
}

/// The derivative of the digamma function, ψ′, for `x` above 0.
///
/// Source: Abramowitz and Stegun, Handbook of Mathematical Functions (1964), 6.4.6 (recurrence) and 6.4.12 (asymptotic).
pub fn trigamma(x: f64) -> f64 {
    let (mut x, mut sum) = (x, 0.0);
    while x < 12.0 {
        sum += 1.0 / (x * x);
        x += 1.0;
    }
    let square = 1.0 / (x * x);
    let series = 1.0 / 6.0
        - square
            * (1.0 / 30.0 - square * (1.0 / 42.0 - square * (1.0 / 30.0 - square * 5.0 / 66.0)));
    sum + 1.0 / x + square / 2.0 + square / x * series
}

/// The `x` above 0 whose trigamma is `value`, above 0.
///
/// Newton's method on 1/ψ′, which is convex and nearly a straight line, from below. Source: G. K. Smyth, Statistical
/// Applications in Genetics and Molecular Biology 3 (2004), article 3, appendix.
pub fn trigamma_inverse(value: f64) -> f64 {
    let mut x = 0.5 + 1.0 / value;
    for _ in 0..50 {
        let at = trigamma(x);
        // ψ″ by its central difference: the step needs no more digits than decide where it ends.
        let width = 1e-4 * x;
        let slope = (trigamma(x + width) - trigamma(x - width)) / (2.0 * width);
        let step = at * (1.0 - at / value) / slope;
        x += step;
        if step.abs() <= 1e-10 * x {
            break;
        }
    }
    x
}

/// Variances of many alike series, as they are spread: each is `variance` times χ²_d₀/d₀, inverted.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct PriorOfVariances {
    /// The variance that they scatter about.
    pub variance: f64,
    /// How closely: d₀, infinite where they scatter no more than chance alone makes them.
    pub degrees_of_freedom: f64,
}

impl PriorOfVariances {
    /// From variances with `degrees_of_freedom` each, three at least and all above zero; `None` otherwise.
    ///
    /// Source: G. K. Smyth, Statistical Applications in Genetics and Molecular Biology 3 (2004), article 3, section 6.2:
    /// the mean and the variance of ln s², which is ln s₀² plus Fisher's z. Where they scatter by chance alone their mean is
    /// taken, which is known better than by logarithms.
    pub fn of(variances: &[f64], degrees_of_freedom: f64) -> Option<PriorOfVariances> {
        if variances.len() < 3 || variances.iter().any(|&variance| variance <= 0.0) {
            return None;
        }
        let half = degrees_of_freedom / 2.0;
        let logarithms: Vec<f64> = (variances.iter())
            .map(|variance| variance.ln() - digamma(half) + half.ln())
            .collect();
        let spread = Moments::of(&logarithms)?;
        let excess = spread.standard_deviation.powi(2) - trigamma(half);
        if excess <= LEAST_EXCESS {
            let variance = variances.iter().sum::<f64>() / variances.len() as f64;
            return Some(PriorOfVariances {
                variance,
                degrees_of_freedom: f64::INFINITY,
            });
        }
        let prior = trigamma_inverse(excess);
        Some(PriorOfVariances {
            variance: (spread.mean + digamma(prior) - prior.ln()).exp(),
            degrees_of_freedom: 2.0 * prior,
        })
    }

    /// A series' own variance drawn towards the others': (d₀·s₀² + d·s²)/(d₀ + d), with d₀ + d degrees of freedom.
    ///
    /// Source: as above, section 3, the moderated t.
    pub fn moderate(&self, variance: f64, degrees_of_freedom: f64) -> (f64, f64) {
        if self.degrees_of_freedom.is_infinite() {
            return (self.variance, f64::INFINITY);
        }
        let freedom = self.degrees_of_freedom + degrees_of_freedom;
        let sum = self.degrees_of_freedom * self.variance + degrees_of_freedom * variance;
        (sum / freedom, freedom)
    }
}

/// Logarithms of variances that scatter by less than this beyond chance scatter by chance: 2000 degrees of freedom.
const LEAST_EXCESS: f64 = 1e-3;
