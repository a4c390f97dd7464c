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
//! badly. So here the repeats only count where they disagree by more than the statistics, the matings and the
//! unsteadiness explain (the larger of internal and external error: Birge, Physical Review 40, 1932).
//!
//! # What repeats show and what they don't
//!
//! The spread of block differences holds whatever changes from take to take: statistics of the power, fading, what is
//! left of the drift, the mating of connectors as far as it varies. It is not entered again by itself. It does not hold
//! what is the same in all takes: the noise that was subtracted (one terminated take for all), the part of the mating
//! that is the same each time, an error of the gain step. These are type B rows, or type A with the terminated take's
//! own degrees of freedom. An error δ of a shared noise figure changes S̄_A and S̄_B alike: what it does to the
//! difference is δ·(1/S_A − 1/S_B), nothing where both are equally strong.

use super::blocks::Antenna;
use super::budget::{BudgetRow, Combined, Evaluation, combine};
use super::levels::{Design, Level};
use super::refusal::Options;
use super::statistics::{Moments, TTest, common_slope, truncated, welch_satterthwaite};
use super::types::{Averaging, Basis};

/// dB for a relative change of 1, to first order: 10/ln 10.
const DB: f64 = 10.0 / std::f64::consts::LN_10;
/// Levels at least so many standard errors above zero are averaged in decibels.
const STRONG: f64 = 10.0;
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
}

/// How levels become numbers whose difference is in dB.
#[derive(Debug, Clone, Copy)]
enum View {
    /// 10·log₁₀ of each.
    Decibels,
    /// (10/ln 10)·S/size, B's multiplied by `ratio`: to first order the dB by which A exceeds `ratio` times B.
    Linear { ratio: f64, size: f64 },
}

impl View {
    /// The number for a level.
    fn value(self, antenna: Antenna, level: &Level) -> f64 {
        match self {
            View::Decibels => level.db(),
            View::Linear { .. } => DB * level.signal * self.relative(antenna, level),
        }
    }

    /// What one unit of linear power adds to that number, divided by 10/ln 10.
    fn relative(self, antenna: Antenna, level: &Level) -> f64 {
        match (self, antenna) {
            (View::Decibels, _) => 1.0 / level.signal,
            (View::Linear { size, .. }, Antenna::A) => 1.0 / size,
            (View::Linear { ratio, size }, Antenna::B) => ratio / size,
        }
    }
}

/// A sign for each antenna: the difference is A less B.
fn sign(antenna: Antenna) -> f64 {
    match antenna {
        Antenna::A => 1.0,
        Antenna::B => -1.0,
    }
}

struct Estimator<'d, 't> {
    design: &'d Design<'t>,
    options: &'d Options,
    /// Whether the spread of repeats stands for what varies from take to take; else what is known beforehand.
    by_repeats: bool,
}

/// The outcome for a channel, given whether each antenna shows a signal.
pub(super) fn estimate(
    design: &Design,
    options: &Options,
    found_a: bool,
    found_b: bool,
) -> Outcome {
    let strong =
        |level: &Level| level.signal > 0.0 && level.signal >= STRONG * level.signal_error();
    let all_strong = design
        .of(Antenna::A)
        .chain(design.of(Antenna::B))
        .all(strong);
    if found_a && found_b && all_strong {
        let estimator = Estimator {
            design,
            options,
            by_repeats: design.has_repeats(),
        };
        return estimator.in_decibels();
    }
    let mut estimator = Estimator {
        design,
        options,
        by_repeats: false,
    };
    if design.has_repeats() {
        // At the ratio found; where there is none, at equality.
        let view = estimator.linear_view(estimator.ratio().unwrap_or(1.0));
        let internal = root_sum_square(&estimator.foreseen_rows(view));
        estimator.by_repeats = root_sum_square(&estimator.repeat_rows(view)) > internal;
    }
    estimator.in_linear_powers(found_a, found_b)
}

fn root_sum_square(rows: &[BudgetRow]) -> f64 {
    rows.iter()
        .map(|row| row.contribution_db().powi(2))
        .sum::<f64>()
        .sqrt()
}

impl Estimator<'_, '_> {
    fn in_decibels(&self) -> Outcome {
        let difference_db = self.difference(View::Decibels);
        let (budget, combined) = self.budget(View::Decibels, false);
        let half_db = combined.law.half_width(self.options.confidence);
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

    /// Mean linear signal of an antenna, by the weights of the design.
    fn mean(&self, antenna: Antenna) -> f64 {
        self.design
            .weighted()
            .filter(|of| of.0 == antenna)
            .map(|(_, weight, level)| weight * level.signal)
            .sum()
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
        let view = self.linear_view(10f64.powf(difference_db / 10.0));
        self.budget(view, false)
            .1
            .law
            .two_sided(self.difference(view))
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

    /// The budget of the difference in level, or, with `in_cn`, in carrier-to-noise ratio.
    fn budget(&self, view: View, in_cn: bool) -> (Vec<BudgetRow>, Combined) {
        let mut rows = if self.by_repeats {
            self.repeat_rows(view)
        } else {
            self.foreseen_rows(view)
        };
        rows.extend(self.drift_row(view));
        rows.extend(self.noise_rows(view, in_cn));
        let fixed = "mating of connectors, the same each time";
        rows.push(BudgetRow::new(
            fixed,
            Evaluation::B,
            self.options.mating_db,
            f64::INFINITY,
            1.0,
        ));
        if let Some(step_db) = self.options.gain_step_db {
            let stepped = self
                .design
                .weighted()
                .filter(|(_, _, level)| level.gain_step);
            let sensitivity: f64 = stepped.map(|(of, weight, _)| sign(of) * weight).sum();
            if sensitivity != 0.0 {
                rows.push(BudgetRow::new(
                    "gain step",
                    Evaluation::B,
                    step_db,
                    f64::INFINITY,
                    sensitivity,
                ));
            }
        }
        let combined = combine(&mut rows);
        (rows, combined)
    }

    /// What varies from take to take, from the spread of repeats.
    fn repeat_rows(&self, view: View) -> Vec<BudgetRow> {
        let values = |antenna: Antenna, levels: &[Level]| -> Vec<f64> {
            levels
                .iter()
                .map(|level| view.value(antenna, level))
                .collect()
        };
        let row = |source: String, test: TTest| {
            BudgetRow::new(
                source,
                Evaluation::A,
                test.standard_error,
                test.degrees_of_freedom,
                1.0,
            )
            .with_value(test.difference)
            .seen_in_repeats()
        };
        let moments = |antenna| match self.design.groups.first() {
            Some(group) if antenna == Antenna::A => Moments::of(&values(antenna, &group.a)),
            Some(group) => Moments::of(&values(antenna, &group.b)),
            None => None,
        };
        match self.design.basis {
            Basis::Blocks | Basis::Pairs => {
                let differences: Vec<f64> = (self.design.groups.iter())
                    .filter_map(|group| {
                        let a = Moments::of(&values(Antenna::A, &group.a))?;
                        let b = Moments::of(&values(Antenna::B, &group.b))?;
                        Some(a.mean - b.mean)
                    })
                    .collect();
                let noun = if self.design.basis == Basis::Blocks {
                    "block"
                } else {
                    "pair"
                };
                let source = format!("spread of {} {noun} differences", differences.len());
                Moments::of(&differences)
                    .map(|m| row(source, TTest::paired(&m)))
                    .into_iter()
                    .collect()
            }
            Basis::Unpaired | Basis::Single => {
                let (Some(a), Some(b)) = (moments(Antenna::A), moments(Antenna::B)) else {
                    return Vec::new();
                };
                if a.count < 2 || b.count < 2 {
                    let (name, count) = if a.count > 1 {
                        ("A", a.count)
                    } else {
                        ("B", b.count)
                    };
                    let source = format!("spread of {count} takes of {name}, taken for both");
                    return vec![row(source, TTest::pooled(&a, &b))];
                }
                let side = |name: &str, m: &Moments, sensitivity: f64| {
                    let source = format!("spread of {} takes of {name}", m.count);
                    BudgetRow::new(
                        source,
                        Evaluation::A,
                        m.standard_error(),
                        m.degrees_of_freedom(),
                        sensitivity,
                    )
                    .with_value(m.mean)
                    .seen_in_repeats()
                };
                vec![side("A", &a, 1.0), side("B", &b, -1.0)]
            }
        }
    }

    /// What varies from take to take, as it is foreseen: the statistics of each power, a mating and the unsteadiness a
    /// take.
    fn foreseen_rows(&self, view: View) -> Vec<BudgetRow> {
        let mut rows = Vec::new();
        for (antenna, name) in [(Antenna::A, "A"), (Antenna::B, "B")] {
            let own = || self.design.weighted().filter(move |of| of.0 == antenna);
            let db = |level: &Level, error: f64| DB * error * view.relative(antenna, level);
            // A noise figure of the take's own is as independent as its power.
            let parts = || {
                own().flat_map(|(_, weight, level)| {
                    let noise = if level.terminated.is_none() {
                        level.noise_error
                    } else {
                        0.0
                    };
                    [
                        (weight * db(level, level.power_error), level.power_freedom),
                        (weight * db(level, noise), level.noise_freedom),
                    ]
                })
            };
            let uncertainty_db = parts().map(|part| part.0 * part.0).sum::<f64>().sqrt();
            let freedom = welch_satterthwaite(parts());
            let source = format!("statistics of {name}'s power");
            let row = BudgetRow::new(
                source,
                Evaluation::A,
                uncertainty_db,
                freedom,
                sign(antenna),
            );
            let mean = self.mean(antenna);
            let row = row.varying();
            rows.push(if mean > 0.0 {
                row.with_value(10.0 * mean.log10())
            } else {
                row
            });
        }
        // One error a take, independent: the root of the sum of the squares of the weights.
        let weights = self
            .design
            .weighted()
            .map(|(_, weight, _)| weight * weight)
            .sum::<f64>()
            .sqrt();
        for (source, uncertainty_db) in [
            (
                "mating of connectors, each time anew",
                self.options.mating_db,
            ),
            (
                "unsteadiness between takes, not seen in repeats",
                self.options.unsteadiness_db,
            ),
        ] {
            rows.push(
                BudgetRow::new(
                    source,
                    Evaluation::B,
                    uncertainty_db,
                    f64::INFINITY,
                    weights,
                )
                .varying(),
            );
        }
        rows
    }

    /// Drift that the order of the takes doesn't cancel: the slope over time that both antennas share, times how much
    /// later A's takes are than B's, as the end of a rectangular distribution (JCGM 100:2008, 4.3.7).
    fn drift_row(&self, view: View) -> Option<BudgetRow> {
        if !matches!(self.design.basis, Basis::Pairs | Basis::Unpaired)
            || !self.design.has_repeats()
        {
            return None;
        }
        let points = |antenna: Antenna| -> Vec<(f64, f64)> {
            self.design
                .of(antenna)
                .map(|level| (level.taken_s, view.value(antenna, level)))
                .collect()
        };
        let (a, b) = (points(Antenna::A), points(Antenna::B));
        let slope = common_slope([&a, &b])?;
        let later_s: f64 = self
            .design
            .weighted()
            .map(|(of, weight, level)| sign(of) * weight * level.taken_s)
            .sum();
        let end_db = (slope * later_s).abs();
        let source = "drift that the order of the takes leaves";
        Some(BudgetRow::new(
            source,
            Evaluation::B,
            end_db / 3f64.sqrt(),
            f64::INFINITY,
            1.0,
        ))
    }

    /// The noise that was subtracted. Errors of one terminated take are common to all levels it served; type B errors
    /// of estimated noise are common to the takes of an antenna.
    ///
    /// With `in_cn`, what the noise does to the difference of the carrier-to-noise ratios.
    fn noise_rows(&self, view: View, in_cn: bool) -> Vec<BudgetRow> {
        let mut rows: Vec<BudgetRow> = Vec::new();
        let mut sources: Vec<Option<&str>> = self
            .design
            .weighted()
            .map(|(_, _, level)| level.terminated)
            .collect();
        sources.sort_unstable();
        sources.dedup();
        for terminated in sources {
            // dB of the difference for one dB of noise, and the mean level, error and type B part of that noise in dB.
            let served = || {
                self.design
                    .weighted()
                    .filter(move |(_, _, level)| level.terminated == terminated)
            };
            let sensitivity = |of: Antenna, weight: f64, level: &Level| {
                let subtracted = level.noise * view.relative(of, level);
                -sign(of) * weight * (subtracted + if in_cn { 1.0 } else { 0.0 })
            };
            let Some((_, _, one)) = served().next() else {
                continue;
            };
            let Some(name) = terminated else {
                for (antenna, name) in [(Antenna::A, "A"), (Antenna::B, "B")] {
                    let own = || served().filter(move |of| of.0 == antenna);
                    let Some((_, _, one)) = own().next() else {
                        continue;
                    };
                    let sum: f64 = own()
                        .map(|(of, weight, level)| sensitivity(of, weight, level))
                        .sum();
                    let source = format!("{name}'s noise, estimated");
                    let uncertainty_db = DB * one.noise_type_b / one.noise;
                    rows.push(BudgetRow::new(
                        source,
                        Evaluation::B,
                        uncertainty_db,
                        f64::INFINITY,
                        sum,
                    ));
                }
                continue;
            };
            let sum: f64 = served()
                .map(|(of, weight, level)| sensitivity(of, weight, level))
                .sum();
            // A figure that served one take only differs from take to take, and its statistics are seen in repeats.
            if !(self.by_repeats && served().count() == 1) {
                let source = format!("noise subtracted, statistics of {name}");
                let uncertainty_db = DB * one.noise_error / one.noise;
                let row = BudgetRow::new(
                    source,
                    Evaluation::A,
                    uncertainty_db,
                    one.noise_freedom,
                    sum,
                );
                rows.push(row.with_value(10.0 * one.noise.log10()));
            }
            let source = format!("noise subtracted, other errors of {name}");
            rows.push(BudgetRow::new(
                source,
                Evaluation::B,
                DB * one.noise_type_b / one.noise,
                f64::INFINITY,
                sum,
            ));
        }
        rows.retain(|row| row.standard_uncertainty_db > 0.0);
        rows
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
