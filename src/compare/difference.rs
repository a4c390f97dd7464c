//! The difference between two antennas in one channel: its value, its budget, its interval, its probability.
//!
//! # Decibels or linear powers
//!
//! Where every level stands at least 10 standard errors above zero, levels are averaged in decibels, so that a drift
//! that is linear in decibels cancels exactly (A B B A) and a channel that fades as a whole leaves no spread. The bias
//! of the logarithm, ½·(10/ln 10)·(u/S)², is then under 0.022 dB a take, and the same for both antennas but for their
//! difference in u/S.
//!
//! Weaker signals are averaged as linear powers, noise subtracted, with no take left out for showing nothing: leaving
//! those out, or taking logarithms first, would lift the weaker antenna. The ratio r of the two means has the interval
//! of all r for which z(r) = S̄_A − r·S̄_B is compatible with zero (Fieller, Journal of the Royal Statistical Society B
//! 16, 1954). It is not symmetric, and it is open above where S̄_B itself is compatible with zero: then A gains *at
//! least* so much, and no difference is given. At r = 1 the same z is the test whether A and B differ, which therefore
//! needs no signal from both. It is two-sided, because either antenna could have been the one that shows nothing.
//!
//! Statistics alone decide about such signals, and they are known well; the spread of two or three repeats is known
//! badly. So here the repeats only count where they disagree by more than is foreseen (the larger of internal and
//! external error: Birge, Physical Review 40, 1932). Foreseen are the statistics and what the stronger channels of the
//! same takes show to vary beside them, pooled; where there are too few of those, matings and unsteadiness.

use super::blocks::Antenna;
use super::budget::{BudgetRow, combine};
use super::law::{ErrorLaw, Widths};
use super::levels::{Design, Level};
use super::pilot::SelectiveFading;
use super::refusal::Options;
use super::shown::Shown;
use super::sources::{Estimator, Seen, View, sign};
use super::tie_curve::Curve;
use super::types::{Averaging, Basis, Method};
use crate::statistics::truncated;

/// Ends of an interval are looked for within this many dB of the difference.
const REACH_DB: f64 = 80.0;

/// What a channel's levels say.
#[derive(Debug, Clone)]
pub(super) struct Outcome {
    pub averaging: Averaging,
    /// The difference with both ends of its interval, or one end alone.
    pub difference_db: Option<f64>,
    pub low_db: Option<f64>,
    pub high_db: Option<f64>,
    pub standard_uncertainty_db: Option<f64>,
    pub degrees_of_freedom: Option<f64>,
    pub p: f64,
    pub budget: Vec<BudgetRow>,
    /// Difference of the carrier-to-noise ratios and the probability of it if there were none.
    pub cn_difference_db: Option<f64>,
    pub cn_p: Option<f64>,
    /// How the difference's error is distributed, for what is made of several differences; by linear powers only where it
    /// was asked for.
    pub known: Option<Known>,
}

/// What a channel's levels say of its difference, whole.
#[derive(Debug, Clone)]
pub(super) enum Known {
    /// A value with a symmetric law.
    Law { difference_db: f64, law: ErrorLaw },
    /// How many standard deviations away each difference is.
    Curve(Curve),
}

/// Whether levels are to be averaged in decibels.
pub(super) fn is_strong(design: &Design, found_a: bool, found_b: bool) -> bool {
    found_a
        && found_b
        && design
            .of(Antenna::A)
            .chain(design.of(Antenna::B))
            .all(Level::is_strong)
}

/// What other channels of the same takes show to vary from take to take.
#[derive(Debug, Clone, Copy, Default)]
pub(super) struct Others<'o> {
    /// By the spread of their differences.
    pub seen: Option<Seen>,
    /// By the repeats in a single block.
    pub shown: Option<&'o Shown>,
}

/// The outcome of a strong channel. What others show counts where the channel has no repeats of its own.
pub(super) fn estimate_strong(
    design: &Design,
    options: &Options,
    selective: SelectiveFading,
    others: Others,
    widths: Widths,
) -> Outcome {
    let Others { seen, shown } = others.for_channel(design);
    Estimator {
        design,
        options,
        selective,
        seen: seen.filter(|_| !design.has_repeats()),
        shown,
        by_repeats: design.has_repeats(),
    }
    .in_decibels(widths)
}

/// The outcome of a weak channel, given whether each antenna shows a signal, and what strong channels show.
pub(super) fn estimate_weak(
    design: &Design,
    options: &Options,
    selective: SelectiveFading,
    others: Others,
    (found_a, found_b): (bool, bool),
    with_curve: bool,
) -> Outcome {
    let Others { seen, shown } = others.for_channel(design);
    let mut estimator = Estimator {
        design,
        options,
        selective,
        seen,
        shown,
        by_repeats: false,
    };
    if design.has_repeats() {
        // At the ratio found; where there is none, at equality.
        let view = estimator.linear_view(estimator.ratio().unwrap_or(1.0));
        let internal = root_sum_square(&estimator.foreseen_rows(view));
        estimator.by_repeats = root_sum_square(&estimator.repeat_rows(view)) > internal;
    }
    let mut outcome = estimator.in_linear_powers(found_a, found_b);
    if with_curve {
        outcome.known = Some(Known::Curve(estimator.curve()));
    }
    outcome
}

impl Others<'_> {
    /// What of it is about takes that stand against each other as this channel's do.
    fn for_channel(self, design: &Design) -> Self {
        let one_block = design.basis == Basis::Blocks && !design.has_repeats();
        Others {
            seen: self.seen.filter(|_| design.basis != Basis::Single),
            shown: self.shown.filter(|_| one_block && self.seen.is_none()),
        }
    }
}

fn root_sum_square(rows: &[BudgetRow]) -> f64 {
    rows.iter()
        .map(|row| row.contribution_db().powi(2))
        .sum::<f64>()
        .sqrt()
}

impl Estimator<'_, '_> {
    fn in_decibels(&self, widths: Widths) -> Outcome {
        let difference_db = self.difference(View::Decibels);
        let (budget, combined) = self.budget(View::Decibels, false);
        let half_db = (combined.law).half_width_by(widths, self.options.confidence);
        let (cn_difference_db, cn_p) = self.by_cn(difference_db, View::Decibels);
        Outcome {
            averaging: Averaging::Decibels,
            difference_db: Some(difference_db),
            low_db: Some(difference_db - half_db),
            high_db: Some(difference_db + half_db),
            standard_uncertainty_db: Some(combined.standard_uncertainty_db),
            degrees_of_freedom: Some(truncated(combined.effective_degrees_of_freedom)),
            p: combined.law.two_sided(difference_db),
            budget,
            cn_difference_db: Some(cn_difference_db),
            cn_p: Some(cn_p),
            known: Some(Known::Law {
                difference_db,
                law: combined.law,
            }),
        }
    }

    fn in_linear_powers(&self, found_a: bool, found_b: bool) -> Outcome {
        let ratio = self.ratio();
        let best_db = ratio.map(|ratio| 10.0 * ratio.log10());
        // Ends are looked for around the best ratio; where there is none, around equality.
        let centre_db = best_db.unwrap_or(0.0);
        let low_db = self.end(centre_db, -REACH_DB);
        let high_db = self.end(centre_db, REACH_DB);
        let mut outcome = Outcome {
            averaging: Averaging::Linear,
            difference_db: None,
            low_db: low_db.filter(|_| found_a),
            high_db: high_db.filter(|_| found_b),
            standard_uncertainty_db: None,
            degrees_of_freedom: None,
            p: self.probability(0.0),
            budget: self.budget(self.linear_view(ratio.unwrap_or(1.0)), false).0,
            cn_difference_db: None,
            cn_p: None,
            known: None,
        };
        if let (Some(ratio), Some(best_db), Some(_), Some(_)) =
            (ratio, best_db, outcome.low_db, outcome.high_db)
        {
            let view = self.linear_view(ratio);
            let (_, combined) = self.budget(view, false);
            let (cn_difference_db, cn_p) = self.by_cn(best_db, view);
            outcome.difference_db = Some(best_db);
            outcome.standard_uncertainty_db = Some(combined.standard_uncertainty_db);
            outcome.degrees_of_freedom = Some(truncated(combined.effective_degrees_of_freedom));
            outcome.cn_difference_db = Some(cn_difference_db);
            outcome.cn_p = Some(cn_p);
        }
        outcome
    }

    /// S̄_A/S̄_B; `None` where either is not above zero.
    fn ratio(&self) -> Option<f64> {
        let (a, b) = (self.mean(Antenna::A), self.mean(Antenna::B));
        (a > 0.0 && b > 0.0).then(|| a / b)
    }

    fn linear_view(&self, ratio: f64) -> View {
        let size = self
            .mean(Antenna::A)
            .abs()
            .max(ratio * self.mean(Antenna::B).abs());
        View::Linear {
            ratio,
            size: size.max(f64::MIN_POSITIVE),
        }
    }

    fn difference(&self, view: View) -> f64 {
        self.design
            .weighted()
            .map(|(of, weight, level)| sign(of) * weight * view.value(of, level))
            .sum()
    }

    /// Probability of what was seen if the true difference were `difference_db`, by linear powers.
    fn probability(&self, difference_db: f64) -> f64 {
        match self.design.method {
            Method::Power => self.probability_of_levels(difference_db),
            Method::Pilot => (self.selective)
                .most_likely(|fading_db| self.probability_of_levels(difference_db + fading_db)),
        }
    }

    /// The same if the levels differed by that, whatever they stand for.
    fn probability_of_levels(&self, difference_db: f64) -> f64 {
        let view = self.linear_view(10f64.powf(difference_db / 10.0));
        let law = combine(&mut self.rows_of_levels(view, false)).law;
        law.two_sided(self.difference(view))
    }

    /// How far away each difference is; what a pilot adds for standing for its channel stands apart.
    fn curve(&self) -> Curve {
        let centre_db = self.ratio().map_or(0.0, |ratio| 10.0 * ratio.log10());
        let fading_db = match self.design.method {
            Method::Power => 0.0,
            Method::Pilot => self.selective.db,
        };
        let probability = |db| self.probability_of_levels(db);
        Curve::of((centre_db, REACH_DB, 0.1), fading_db, probability)
    }

    /// An end of the interval in dB, on the side to which `reach_db` points; `None` where it is open.
    fn end(&self, centre_db: f64, reach_db: f64) -> Option<f64> {
        let outside = 1.0 - self.options.confidence;
        // Far out only the antenna in the denominator counts, and z must have changed its sign to that side.
        let far_db = centre_db + 3.0 * reach_db;
        let rejected = |at_db: f64| {
            let view = self.linear_view(10f64.powf(at_db / 10.0));
            self.difference(view) * reach_db < 0.0 && self.probability(at_db) < outside
        };
        let (mut inside_db, mut outside_db) = (centre_db, centre_db + reach_db);
        if !rejected(far_db) || !rejected(outside_db) {
            return None;
        }
        if rejected(inside_db) {
            // No best ratio, and equality is excluded already: the end lies beyond the centre.
            inside_db = centre_db - reach_db;
            if rejected(inside_db) {
                return None;
            }
        }
        while (outside_db - inside_db).abs() > 1e-7 {
            let middle_db = (inside_db + outside_db) / 2.0;
            if rejected(middle_db) {
                outside_db = middle_db
            } else {
                inside_db = middle_db
            }
        }
        Some((inside_db + outside_db) / 2.0)
    }

    /// The difference of the carrier-to-noise ratios, and its probability if there were none.
    fn by_cn(&self, difference_db: f64, view: View) -> (f64, f64) {
        let noise_db: f64 = self
            .design
            .weighted()
            .map(|(of, weight, level)| sign(of) * weight * 10.0 * level.noise.log10())
            .sum();
        let cn_difference_db = difference_db - noise_db;
        let (_, combined) = self.budget(view, true);
        (cn_difference_db, combined.law.two_sided(cn_difference_db))
    }
}
