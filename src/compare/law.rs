//! How the error of a difference is distributed: Student's t for what repeats showed, the normal for what is known
//! beforehand, added.
//!
//! # Why not the effective degrees of freedom alone
//!
//! The Welch–Satterthwaite formula replaces that sum by one t distribution. With the few degrees of freedom of two or
//! three blocks this fails: where the true spread of the mean is 3 times the type B part, the nominal 95 % interval
//! covers 88.2 % with two blocks, 92.5 % with three and 94.0 % with four, and a probability of 0.005, which Holm's
//! step-down asks for with ten channels, is really 0.062, 0.025 and 0.016: of trials of ten equal channels up to 47, 22
//! and 15 % would name a winner. The reason: where the repeats happen to agree, the formula not only believes the small
//! spread, it also drops its few degrees of freedom.
//!
//! So the two are added as distributions, which is what JCGM 101:2008 (Supplement 1 to the GUM) does: a quantity known
//! from n repeats is a scaled and shifted t with n − 1 degrees of freedom (6.4.9), one known by its standard uncertainty
//! a normal (6.4.7), and the sum is their convolution. In the same cases it covers 96.4, 95.8 and 95.4 %, and 0.005 is
//! really 0.0034 to 0.0044. It is exact at both ends (no type B part, no repeats) and errs to the wide side between, most
//! with two blocks (up to 98.7 %). The effective degrees of freedom are still worked out and shown, as JCGM 100:2008 G.4
//! has them. These figures are measured by the ignored test in `tests/comparison_coverage.rs`.

use std::cell::RefCell;
use std::collections::HashMap;
use std::f64::consts::FRAC_PI_2;
use std::sync::Arc;

use statrs::function::gamma::ln_gamma;

use crate::statistics::{
    coverage_factor, normal_upper_quantile, normal_upper_tail, student_upper_tail,
};

/// The distribution of a t variable times `repeated`, plus a normal one times `known`, independent.
#[derive(Debug, Clone)]
pub struct ErrorLaw {
    repeated: f64,
    known: f64,
    degrees_of_freedom: f64,
    /// `None` where either part is nothing.
    mixture: Option<Arc<[Node]>>,
}

/// A share `weight` of the t distribution in which it is normal with variance `factor`.
#[derive(Debug, Clone, Copy)]
struct Node {
    weight: f64,
    factor: f64,
}

/// Beyond so many degrees of freedom the t part is taken for normal: its 95 % quantile is off by 0.01 %.
const NORMAL_FROM: f64 = 1e4;

impl ErrorLaw {
    /// The law of a part `repeated` with these degrees of freedom (above 0, may be infinite) and a part `known`, both
    /// standard uncertainties in the same unit.
    ///
    /// The t part is a normal whose variance is ν/χ²_ν, so that the sum is a mixture of normals over χ²_ν: one integral
    /// by the trapezoidal rule in ln χ², where the integrand is analytic and dies away on both sides.
    pub fn new(repeated: f64, degrees_of_freedom: f64, known: f64) -> ErrorLaw {
        if degrees_of_freedom > NORMAL_FROM {
            let known = known.hypot(repeated);
            return ErrorLaw {
                repeated: 0.0,
                known,
                degrees_of_freedom: f64::INFINITY,
                mixture: None,
            };
        }
        let mixture = (repeated > 0.0 && known > 0.0).then(|| mixture_kept(degrees_of_freedom));
        ErrorLaw {
            repeated,
            known,
            degrees_of_freedom,
            mixture,
        }
    }

    /// Standard uncertainty: the root of the sum of the squares of both parts.
    pub fn standard_uncertainty(&self) -> f64 {
        self.repeated.hypot(self.known)
    }

    /// Probability of an error at least as far from zero as `error`.
    pub fn two_sided(&self, error: f64) -> f64 {
        let error = error.abs();
        if self.repeated == 0.0 && self.known == 0.0 {
            return if error > 0.0 { 0.0 } else { 1.0 };
        }
        if self.repeated == 0.0 {
            return 2.0 * normal_upper_tail(error / self.known);
        }
        if self.known == 0.0 {
            return 2.0 * student_upper_tail(error / self.repeated, self.degrees_of_freedom);
        }
        let (known, repeated) = (self.known * self.known, self.repeated * self.repeated);
        let tail = |node: &Node| {
            node.weight * normal_upper_tail(error / (known + repeated * node.factor).sqrt())
        };
        (2.0 * self
            .mixture
            .iter()
            .flat_map(|nodes| nodes.iter())
            .map(tail)
            .sum::<f64>())
        .min(1.0)
    }

    /// Half the width of the interval that holds the error with probability `confidence`.
    pub fn half_width(&self, confidence: f64) -> f64 {
        let outside = 1.0 - confidence;
        if self.repeated == 0.0 {
            return self.known * normal_upper_quantile(outside / 2.0);
        }
        let student = self.repeated * coverage_factor(confidence, self.degrees_of_freedom);
        if self.known == 0.0 {
            return student;
        }
        // Each part alone is narrower than the sum, and the root sum of squares of both intervals is nearly always wider: not
        // with one degree of freedom and a small t part, where the end is moved out until it is. False position between
        // these, in the logarithm of the probability.
        let normal = self.known * normal_upper_quantile(outside / 2.0);
        let (low, mut high) = (student.max(normal), student.hypot(normal) * 1.01);
        let excess = |x: f64| self.two_sided(x).ln() - outside.ln();
        let (at_low, mut at_high) = (excess(low), excess(high));
        while at_high > 0.0 && high < 2.0 * (student + normal) {
            high *= 1.1;
            at_high = excess(high);
        }
        false_position(excess, (low, at_low), (high, at_high))
    }

    /// The law as shares of normal laws: weight and variance, for sums of several laws.
    pub(super) fn normals(&self) -> Vec<(f64, f64)> {
        let (repeated, known) = (self.repeated * self.repeated, self.known * self.known);
        if repeated == 0.0 || self.degrees_of_freedom > NORMAL_FROM {
            return vec![(1.0, known + repeated)];
        }
        (mixture_kept(self.degrees_of_freedom).iter())
            .map(|node| (node.weight, known + repeated * node.factor))
            .collect()
    }
}

/// Where `excess` crosses zero between two places, at which it is known.
pub(super) fn false_position(
    excess: impl Fn(f64) -> f64,
    (mut low, mut at_low): (f64, f64),
    (mut high, mut at_high): (f64, f64),
) -> f64 {
    for _ in 0..60 {
        if !(at_low > 0.0 && at_high < 0.0) || high - low < 1e-10 * high {
            break;
        }
        let guess = low + (high - low) * at_low / (at_low - at_high);
        let at_guess = excess(guess);
        // Halving the retained end's value keeps one end from sticking (the Illinois variant).
        if at_guess > 0.0 {
            (low, at_low) = (guess, at_guess);
            at_high /= 2.0;
        } else {
            (high, at_high) = (guess, at_guess);
            at_low /= 2.0;
        }
        if at_guess.abs() < 1e-11 {
            return guess;
        }
    }
    (low + high) / 2.0
}

/// So many mixtures are kept for each thread: degrees of freedom are few whole numbers, and every channel needs them.
const KEPT: usize = 256;

thread_local! {
    static MIXTURES: RefCell<HashMap<u64, Arc<[Node]>>> = RefCell::default();
}

/// As [`mixture`], worked out once a thread.
fn mixture_kept(nu: f64) -> Arc<[Node]> {
    MIXTURES.with_borrow_mut(|kept| {
        if kept.len() >= KEPT {
            kept.clear();
        }
        (kept.entry(nu.to_bits()))
            .or_insert_with(|| mixture(nu).into())
            .clone()
    })
}

/// How exactly half widths are worked out.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) enum Widths {
    /// To ten digits.
    Exact,
    /// From a table, to 1e-5 of themselves, which no figure shown has digits for: for thousands of differences at once.
    Tabulated,
}

impl ErrorLaw {
    /// [`ErrorLaw::half_width`], as exactly as is asked.
    pub(super) fn half_width_by(&self, widths: Widths, confidence: f64) -> f64 {
        match widths {
            Widths::Tabulated if self.mixture.is_some() => self.tabulated(confidence),
            _ => self.half_width(confidence),
        }
    }

    /// Over its standard uncertainty the half width hangs on the degrees of freedom and on the angle whose tangent is
    /// `repeated`/`known` alone, and smoothly: a table over the angle's root, since it changes most where the t part is small,
    /// with a cubic through the four nearest entries.
    fn tabulated(&self, confidence: f64) -> f64 {
        let turn = self.repeated.atan2(self.known) / FRAC_PI_2;
        let place = turn.sqrt() * ENTRIES as f64;
        let first = (place.floor() as usize).clamp(1, ENTRIES - 2) - 1;
        let key = (self.degrees_of_freedom.to_bits(), confidence.to_bits());
        let relative = WIDTHS.with_borrow_mut(|tables| {
            if tables.len() >= KEPT {
                tables.clear();
            }
            let table =
                (tables.entry(key)).or_insert_with(|| table(self.degrees_of_freedom, confidence));
            cubic(&table[first..first + 4], place - first as f64)
        });
        relative * self.standard_uncertainty()
    }
}

/// Entries of a table of half widths, less one: the root of a quarter turn in so many steps.
const ENTRIES: usize = 128;

thread_local! {
    static WIDTHS: RefCell<HashMap<(u64, u64), Vec<f64>>> = RefCell::default();
}

fn table(degrees_of_freedom: f64, confidence: f64) -> Vec<f64> {
    (0..=ENTRIES)
        .map(|entry| {
            let (repeated, known) = (FRAC_PI_2 * (entry as f64 / ENTRIES as f64).powi(2)).sin_cos();
            // At a right angle the cosine is rounding, and no part of the sum.
            let known = if entry == ENTRIES { 0.0 } else { known };
            ErrorLaw::new(repeated, degrees_of_freedom, known).half_width(confidence)
        })
        .collect()
}

/// The cubic through four values at 0, 1, 2 and 3 (Lagrange).
fn cubic(values: &[f64], at: f64) -> f64 {
    let [a, b, c] = [at - 1.0, at - 2.0, at - 3.0];
    -values[0] * a * b * c / 6.0 + values[1] * at * b * c / 2.0 - values[2] * at * a * c / 2.0
        + values[3] * at * a * b / 6.0
}

/// Nodes over χ² with `nu` degrees of freedom.
fn mixture(nu: f64) -> Vec<Node> {
    let spread = (2.0 / nu).sqrt();
    let step = (0.5 * spread).min(0.25);
    let low = nu.ln() - 70.0 / nu - 10.0 * spread;
    let high = nu.ln() + (80.0 / nu).ln_1p() + 10.0 * spread.min(1.0);
    let constant = -ln_gamma(nu / 2.0) - nu / 2.0 * std::f64::consts::LN_2;
    let count = ((high - low) / step).ceil() as usize;
    let mut nodes = Vec::with_capacity(count);
    for index in 0..count {
        let logarithm = low + step * index as f64;
        let square = logarithm.exp();
        let weight = (nu / 2.0 * logarithm - square / 2.0 + constant).exp() * step;
        if weight > 1e-22 {
            nodes.push(Node {
                weight,
                factor: nu / square,
            });
        }
    }
    // The rule's weights sum to 1 but for rounding; dividing makes it so.
    let total: f64 = nodes.iter().map(|node| node.weight).sum();
    for node in &mut nodes {
        node.weight /= total;
    }
    nodes
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Source: scipy 1.17.1, `voigt_profile` integrated by `quad` and solved by `brentq`: a normal variable plus a Cauchy one
    /// of this scale. From 0.01 on the root sum of squares of both intervals is narrower.
    #[test]
    fn half_widths_with_one_degree_of_freedom_are_voigts() {
        for (scale, half_width) in [
            (0.0039, 1.9738864621621934),
            (0.01, 1.996040538178526),
            (0.02, 2.033401221194982),
            (0.05, 2.1541231094409743),
        ] {
            let got = ErrorLaw::new(scale, 1.0, 1.0).half_width(0.95);
            assert!((got / half_width - 1.0).abs() < 1e-6, "{scale}: {got}");
        }
    }

    #[test]
    fn tabulated_half_widths_are_those_worked_out() {
        for freedom in [1.0, 2.0, 3.0, 7.0, 30.0, 1000.0] {
            for step in 1..400 {
                let angle = FRAC_PI_2 * f64::from(step) / 400.0;
                let law = ErrorLaw::new(0.3 * angle.sin(), freedom, 0.3 * angle.cos());
                let exact = law.half_width(0.95);
                let tabulated = law.half_width_by(Widths::Tabulated, 0.95);
                assert!(
                    (tabulated / exact - 1.0).abs() < 1e-5,
                    "{freedom} degrees of freedom, {angle}: {tabulated} for {exact}"
                );
            }
        }
        let normal = ErrorLaw::new(0.1, f64::INFINITY, 0.2);
        assert_eq!(
            normal.half_width_by(Widths::Tabulated, 0.9),
            normal.half_width(0.9)
        );
    }
}
