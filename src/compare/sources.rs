//! Where the uncertainty of a channel's difference comes from: the rows of its budget.
//!
//! # What repeats show and what they don't
//!
//! The spread of block differences holds whatever changes from take to take: statistics of the power, fading, what is
//! left of the drift, the mating of connectors as far as it varies. It is not entered again by itself. It does not hold
//! what is the same in all takes: the noise that was subtracted (one terminated take for all), the part of the mating
//! that is the same each time, an error of the gain step. These are type B rows, or type A with the terminated take's
//! own degrees of freedom. An error δ of a shared noise figure changes S̄_A and S̄_B alike: what it does to the
//! difference is δ·(1/S_A − 1/S_B), nothing where both are equally strong. By pilot none of the channel's noise is
//! subtracted, and it enters the carrier-to-noise ratio alone.

use super::blocks::Antenna;
use super::budget::{BudgetRow, Combined, Evaluation, combine};
use super::difference::Outcome;
use super::levels::{Design, Level};
use super::pilot::SelectiveFading;
use super::refusal::Options;
use super::shown::{MATING, Shown, UNSTEADINESS};
use super::types::{Averaging, Basis, Method};
use crate::statistics::{Moments, TTest, common_slope, welch_satterthwaite};

/// dB for a relative change of 1, to first order: 10/ln 10.
pub(super) const DB: f64 = 10.0 / std::f64::consts::LN_10;

/// How levels become numbers whose difference is in dB.
#[derive(Debug, Clone, Copy)]
pub(super) enum View {
    /// 10·log₁₀ of each.
    Decibels,
    /// (10/ln 10)·S/size, B's multiplied by `ratio`: to first order the dB by which A exceeds `ratio` times B.
    Linear { ratio: f64, size: f64 },
}

impl View {
    /// The number for a level.
    pub fn value(self, antenna: Antenna, level: &Level) -> f64 {
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
pub(super) fn sign(antenna: Antenna) -> f64 {
    match antenna {
        Antenna::A => 1.0,
        Antenna::B => -1.0,
    }
}

/// What the strong channels of a comparison show to vary from take to take, pooled.
#[derive(Debug, Clone, Copy)]
pub(super) struct Seen {
    /// Variance in dB² of the difference by one block, pair, or take of each antenna.
    variance: f64,
    degrees_of_freedom: f64,
    channels: usize,
}

impl Seen {
    /// Fewer degrees of freedom than these say too little.
    const ENOUGH: f64 = 8.0;

    /// Pools the outcomes of strong channels; `None` where they say too little.
    pub fn pool<'o, 't: 'o>(
        outcomes: impl IntoIterator<Item = (&'o Design<'t>, &'o Outcome)>,
    ) -> Option<Seen> {
        let mut seen = Seen {
            variance: 0.0,
            degrees_of_freedom: 0.0,
            channels: 0,
        };
        for (design, outcome) in outcomes {
            let rows = || (outcome.budget.iter()).filter(|row| row.repeated && row.varies);
            let freedom = welch_satterthwaite(
                rows().map(|row| (row.contribution_db(), row.degrees_of_freedom)),
            );
            if design.has_repeats()
                && outcome.averaging == Averaging::Decibels
                && freedom.is_finite()
            {
                let variance: f64 = rows().map(|row| row.contribution_db().powi(2)).sum();
                seen.variance += freedom * variance * design.repeats() as f64;
                seen.degrees_of_freedom += freedom;
                seen.channels += 1;
            }
        }
        seen.variance /= seen.degrees_of_freedom;
        (seen.degrees_of_freedom >= Seen::ENOUGH).then_some(seen)
    }
}

pub(super) struct Estimator<'d, 't> {
    pub design: &'d Design<'t>,
    pub options: &'d Options,
    pub selective: SelectiveFading,
    pub seen: Option<Seen>,
    /// What the only block shows in all channels.
    pub shown: Option<&'d Shown>,
    /// Whether the spread of repeats stands for what varies from take to take; else what is known beforehand.
    pub by_repeats: bool,
}

impl Estimator<'_, '_> {
    /// Mean linear signal of an antenna, by the weights of the design.
    pub fn mean(&self, antenna: Antenna) -> f64 {
        self.design.mean(antenna, |level| level.signal)
    }

    /// The budget of the difference in level, or, with `in_cn`, in carrier-to-noise ratio.
    pub fn budget(&self, view: View, in_cn: bool) -> (Vec<BudgetRow>, Combined) {
        let mut rows = self.rows_of_levels(view, in_cn);
        if self.design.method == Method::Pilot {
            rows.push(self.selective.row());
        }
        let combined = combine(&mut rows);
        (rows, combined)
    }

    /// All of the budget but what a pilot adds for standing for its channel.
    pub fn rows_of_levels(&self, view: View, in_cn: bool) -> Vec<BudgetRow> {
        let mut rows = if self.by_repeats {
            self.repeat_rows(view)
        } else {
            self.foreseen_rows(view)
        };
        rows.extend(self.drift_row(view));
        rows.extend(self.wander_row(view));
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
        rows
    }

    /// What varies from take to take, from the spread of repeats.
    pub fn repeat_rows(&self, view: View) -> Vec<BudgetRow> {
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

    /// What wanders slowly from one antenna's takes to the other's, where these lie together in time: it moves all takes of
    /// one antenna alike, so that their spread shows too little of it, and it is no smaller for being taken often. The
    /// unsteadiness foreseen for a take of each, or what single takes show to vary where that is more; nothing where it is asked
    /// for as 0.
    fn wander_row(&self, view: View) -> Option<BudgetRow> {
        let by_repeats = self.by_repeats;
        let nothing_wanders = self.options.unsteadiness_db == 0.0;
        if self.design.basis != Basis::Unpaired
            || nothing_wanders
            || !(by_repeats || self.seen.is_some())
        {
            return None;
        }
        let source = "unsteadiness from one antenna's takes to the other's";
        let shown = if by_repeats {
            let group = self.design.groups.first()?;
            let moments = |antenna, levels: &[Level]| {
                let values: Vec<f64> = (levels.iter())
                    .map(|level| view.value(antenna, level))
                    .collect();
                Moments::of(&values)
            };
            let (a, b) = (
                moments(Antenna::A, &group.a)?,
                moments(Antenna::B, &group.b)?,
            );
            let pooled = TTest::pooled(&a, &b);
            let of_one =
                pooled.standard_error / (1.0 / a.count as f64 + 1.0 / b.count as f64).sqrt();
            (of_one, pooled.degrees_of_freedom)
        } else {
            let seen = self.seen?;
            ((seen.variance / 2.0).sqrt(), seen.degrees_of_freedom)
        };
        let unsteadiness_db = self.options.unsteadiness_db;
        let sensitivity = std::f64::consts::SQRT_2;
        Some(if shown.0 > unsteadiness_db {
            let source = format!("{source}, as single takes vary");
            let row = BudgetRow::new(source, Evaluation::A, shown.0, shown.1, sensitivity);
            row.known_by_few()
        } else {
            BudgetRow::new(
                source,
                Evaluation::B,
                unsteadiness_db,
                f64::INFINITY,
                sensitivity,
            )
        })
    }

    /// What varies from take to take, as it is foreseen: the statistics of each power, a mating and the unsteadiness a
    /// take.
    pub fn foreseen_rows(&self, view: View) -> Vec<BudgetRow> {
        let mut rows = Vec::new();
        if let Some(shown) = self.shown {
            let (by_block, statistics_too) = shown.rows(self.design, self.options);
            rows = by_block;
            if statistics_too {
                return rows;
            }
        }
        for (antenna, name) in [(Antenna::A, "A"), (Antenna::B, "B")] {
            let own = || self.design.weighted().filter(move |of| of.0 == antenna);
            let db = |level: &Level, error: f64| DB * error * view.relative(antenna, level);
            // A noise figure of the take's own is as independent as its power.
            let parts = || {
                own().flat_map(|(_, weight, level)| {
                    let noise = if level.terminated.is_none() {
                        level.subtracted_error()
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
            let source = format!("statistics of {name}'s {}", self.design.method);
            let row = BudgetRow::new(
                source,
                Evaluation::A,
                uncertainty_db,
                freedom,
                sign(antenna),
            );
            let mean = self.mean(antenna);
            let row = row.varying();
            let value_db = (mean > 0.0).then(|| 10.0 * mean.log10());
            rows.push(BudgetRow { value_db, ..row });
        }
        if self.shown.is_some() {
            return rows;
        }
        if let Some(seen) = self.seen {
            let source = format!(
                "what varies between takes, by {} stronger channels",
                seen.channels
            );
            let uncertainty_db = (seen.variance / self.design.repeats() as f64).sqrt();
            rows.push(
                BudgetRow::new(
                    source,
                    Evaluation::A,
                    uncertainty_db,
                    seen.degrees_of_freedom,
                    1.0,
                )
                .varying(),
            );
            return rows;
        }
        // One error a take, independent: the root of the sum of the squares of the weights.
        let weights = self
            .design
            .weighted()
            .map(|(_, weight, _)| weight * weight)
            .sum::<f64>()
            .sqrt();
        for (source, uncertainty_db) in [
            (MATING, self.options.mating_db),
            (UNSTEADINESS, self.options.unsteadiness_db),
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
    /// later A's takes are than B's. It is not taken out but allowed for, with its full size as standard uncertainty,
    /// since a few takes give the slope badly and no drift is quite straight.
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
        let drift_db = (slope * later_s).abs();
        let source = "drift that the order of the takes leaves";
        Some(BudgetRow::new(
            source,
            Evaluation::B,
            drift_db,
            f64::INFINITY,
            1.0,
        ))
    }

    /// The noise that was subtracted. Errors of one terminated take are common to all levels it served; type B errors
    /// of estimated noise are common to the takes of an antenna.
    ///
    /// With `in_cn`, what the noise does to the difference of the carrier-to-noise ratios.
    fn noise_rows(&self, view: View, in_cn: bool) -> Vec<BudgetRow> {
        if self.design.method == Method::Pilot && !in_cn {
            return Vec::new();
        }
        let mut levels: Vec<(Antenna, f64, &Level)> = self.design.weighted().collect();
        levels.sort_by(|one, two| noise_key(one).cmp(&noise_key(two)));
        let (mut statistics, mut others) = (Vec::new(), Vec::new());
        for served in levels.chunk_by(|one, two| noise_key(one) == noise_key(two)) {
            let [(antenna, _, first), ..] = served else {
                continue;
            };
            let sensitivity = |(of, weight, level): &(Antenna, f64, &Level)| {
                let subtracted = if level.noise_subtracted {
                    level.noise * view.relative(*of, level)
                } else {
                    0.0
                };
                -sign(*of) * weight * (subtracted + if in_cn { 1.0 } else { 0.0 })
            };
            let sum: f64 = served.iter().map(sensitivity).sum();
            let type_b_db = DB * first.noise_type_b / first.noise;
            let Some(name) = first.terminated else {
                let source = if *antenna == Antenna::A {
                    "A's noise, estimated"
                } else {
                    "B's noise, estimated"
                };
                others.push(BudgetRow::new(
                    source,
                    Evaluation::B,
                    type_b_db,
                    f64::INFINITY,
                    sum,
                ));
                continue;
            };
            let source = format!("noise subtracted, other errors of {name}");
            others.push(BudgetRow::new(
                source,
                Evaluation::B,
                type_b_db,
                f64::INFINITY,
                sum,
            ));
            // A figure that served one take only differs from take to take: its statistics are seen in repeats.
            if !(self.by_repeats && served.len() == 1) {
                let source = format!("noise subtracted, statistics of {name}");
                let error_db = DB * first.noise_error / first.noise;
                let row = BudgetRow::new(source, Evaluation::A, error_db, first.noise_freedom, sum);
                statistics.push(row.with_value(10.0 * first.noise.log10()));
            }
        }
        let mut rows = merged(statistics, "noise subtracted, statistics of");
        rows.extend(merged(others, "noise subtracted, other errors of"));
        rows.retain(|row| row.standard_uncertainty_db > 0.0);
        rows
    }
}

/// Levels with the same key share the errors of their noise: by terminated take, estimated ones by antenna.
fn noise_key<'l>(one: &(Antenna, f64, &'l Level)) -> (Option<&'l str>, bool) {
    let (of, _, level) = one;
    (
        level.terminated,
        level.terminated.is_none() && *of == Antenna::B,
    )
}

/// Rows of so many terminated takes are shown one by one; more become one row.
const TERMINATED_SHOWN: usize = 3;

/// Rows of one kind, made one where they are many.
fn merged(rows: Vec<BudgetRow>, source: &str) -> Vec<BudgetRow> {
    if rows.len() <= TERMINATED_SHOWN {
        return rows;
    }
    let uncertainty_db = rows
        .iter()
        .map(|row| row.contribution_db().powi(2))
        .sum::<f64>()
        .sqrt();
    let freedom = welch_satterthwaite(
        rows.iter()
            .map(|row| (row.contribution_db(), row.degrees_of_freedom)),
    );
    let evaluation = rows[0].evaluation;
    let source = format!("{source} {} terminated takes", rows.len());
    vec![BudgetRow::new(
        source,
        evaluation,
        uncertainty_db,
        freedom,
        1.0,
    )]
}
