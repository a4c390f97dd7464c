//! One channel at one spot: the median margin of the takes there, and how sure it is.

use std::collections::HashMap;
use std::f64::consts::{FRAC_PI_2, LN_10};

use crate::compare::ErrorLaw;
use crate::reading::{Health, NoiseSource, Reading, State};
use crate::statistics::{Moments, coverage_factor, median, normal_upper_tail, student_upper_tail};

/// What one take says of a channel's margin, in dB.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(super) struct Margin {
    /// The margin, or what it is at most.
    pub(super) db: f64,
    /// Whether it is only an upper bound: no signal was found in the channel's power.
    pub(super) is_bound: bool,
    /// Whether a station was found all the same, by its pilot.
    pub(super) is_trace: bool,
    /// Statistical standard error of the margin.
    pub(super) statistical_db: f64,
    /// Standard uncertainty of the margin from that of the noise (type B).
    pub(super) noise_db: f64,
}

impl Margin {
    /// The margin of a reading, or why there is none.
    ///
    /// The margin is S/N − threshold with S = P − N, so that a relative error of N enters by N/S + 1 and the error of S by
    /// itself. Source: first-order propagation, JCGM 100:2008, 5.1.2.
    pub(super) fn of(reading: &Reading) -> Result<Margin, String> {
        if reading.covered < 1.0 {
            return Err(why_uncovered(reading));
        }
        let Some(noise) = reading.noise.filter(|noise| noise.value > 0.0) else {
            return Err("no noise was measured".into());
        };
        let threshold_db = reading.threshold_db.ok_or_else(|| why_unjudged(reading))?;
        let db = 10.0 / LN_10;
        let above_threshold = |level: f64, noise: f64| level - noise - threshold_db;
        let levels = |signal: Option<f64>| signal.zip(reading.noise_dbfs());
        if let (Some(signal), Some((level, floor))) =
            (reading.signal, levels(reading.signal_dbfs()))
        {
            return Ok(Margin {
                db: above_threshold(level, floor),
                is_bound: false,
                is_trace: false,
                statistical_db: db * signal.standard_error / signal.value,
                noise_db: db * reading.noise_type_b * (1.0 / signal.value + 1.0 / noise.value),
            });
        }
        if reading.noise_source == Some(NoiseSource::QuietestStretch) {
            return Err(Health::NoiseUnknown.to_string());
        }
        match levels(reading.signal_upper_dbfs()) {
            Some((upper, floor)) => Ok(Margin {
                db: above_threshold(upper, floor),
                is_bound: true,
                is_trace: reading.state == Some(State::Trace),
                statistical_db: 0.0,
                noise_db: 0.0,
            }),
            None => Err("nothing was measured".into()),
        }
    }
}

fn why_uncovered(reading: &Reading) -> String {
    let clipped = |health: &&Health| matches!(health, Health::Clipped { .. });
    match reading.health.iter().find(clipped) {
        Some(clipped) => clipped.to_string(),
        None if reading.covered > 0.0 => {
            format!("only {:.0} % of it covered", reading.covered * 100.0)
        }
        None => "not covered".into(),
    }
}

fn why_unjudged(reading: &Reading) -> String {
    match reading.standard {
        Some(standard) => format!("no threshold for {standard}"),
        None => "not identified, so that no threshold holds".into(),
    }
}

/// All takes of one channel at one spot.
#[derive(Debug, Clone, PartialEq)]
pub(super) struct Cell {
    pub(super) takes: usize,
    /// The median, or what it is at most.
    pub(super) margin_db: f64,
    pub(super) is_bound: bool,
    pub(super) state: State,
    /// Standard deviation over the takes; `None` with one take.
    pub(super) spread_db: Option<f64>,
    statistical_db: f64,
    noise_db: f64,
}

impl Cell {
    /// The cell of these takes; `None` without any.
    ///
    /// Where a take found nothing, its bound stands in for its value. The median rises with each of its values, so that it
    /// is then a bound as well, unless every bound lies below it.
    pub(super) fn of(margins: &[Margin]) -> Option<Cell> {
        let values: Vec<f64> = margins.iter().map(|margin| margin.db).collect();
        let margin_db = median(&values)?;
        let middle = upper_middle(&values)?;
        let is_bound = margins
            .iter()
            .any(|margin| margin.is_bound && margin.db >= lower_middle(&values).unwrap_or(middle));
        let state = if !is_bound {
            State::from_margin(margin_db)
        } else if margins
            .iter()
            .any(|margin| margin.is_trace || !margin.is_bound)
        {
            State::Trace
        } else {
            State::Vacant
        };
        let moments = Moments::of(&values)?;
        let squares: f64 = margins.iter().map(|m| m.statistical_db.powi(2)).sum();
        let noise: Vec<f64> = margins.iter().map(|margin| margin.noise_db).collect();
        Some(Cell {
            takes: values.len(),
            margin_db,
            is_bound,
            state,
            spread_db: (values.len() > 1).then_some(moments.standard_deviation),
            statistical_db: (squares / values.len() as f64).sqrt(),
            noise_db: median(&noise)?,
        })
    }

    /// The error of the median, where takes spread like this.
    ///
    /// The takes' own statistics are in a spread that repeats showed, and are added to an assumed one.
    pub(super) fn error(&self, spread: Spread, unsteadiness_db: f64) -> Uncertainty {
        let factor = median_error(self.takes);
        let known_db = unsteadiness_db.hypot(self.noise_db);
        match spread.degrees_of_freedom {
            Some(degrees_of_freedom) => Uncertainty {
                repeated_db: factor * spread.db,
                degrees_of_freedom,
                known_db,
            },
            None => Uncertainty {
                repeated_db: 0.0,
                degrees_of_freedom: f64::INFINITY,
                known_db: known_db.hypot(factor * spread.db.hypot(self.statistical_db)),
            },
        }
    }
}

fn sorted(values: &[f64]) -> Vec<f64> {
    let mut sorted = values.to_vec();
    sorted.sort_by(f64::total_cmp);
    sorted
}

fn lower_middle(values: &[f64]) -> Option<f64> {
    sorted(values)
        .get(values.len().saturating_sub(1) / 2)
        .copied()
}

fn upper_middle(values: &[f64]) -> Option<f64> {
    sorted(values).get(values.len() / 2).copied()
}

/// The spread of single takes that a cell goes by.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(super) struct Spread {
    pub(super) db: f64,
    /// `None` where it is assumed.
    pub(super) degrees_of_freedom: Option<f64>,
}

/// √n times the standard error of the median of n standard normal values, n = 1 to 20.
///
/// Source: integrals over the density of order statistics (H. A. David, Order Statistics, 2.1 to 3.1, from memory), worked
/// out by `fixtures/make_spots_table.py`.
const MEDIAN_ERROR: [f64; 20] = [
    1.0, 1.0, 1.16018, 1.09215, 1.19757, 1.1351, 1.21372, 1.15993, 1.22267, 1.17612, 1.22833,
    1.18752, 1.23223, 1.19597, 1.23508, 1.2025, 1.23725, 1.20769, 1.23896, 1.21192,
];

/// Standard error of the median of `count` normal values of unit spread; √(π/2n) beyond 20, which there is up to 3 % too
/// much. Source: see [`MEDIAN_ERROR`]; the limit is Laplace's.
pub(super) fn median_error(count: usize) -> f64 {
    let factor = MEDIAN_ERROR
        .get(count.saturating_sub(1))
        .copied()
        .unwrap_or(FRAC_PI_2.sqrt());
    factor / (count.max(1) as f64).sqrt()
}

/// An error with a part that repeats showed and a part known beforehand, standard uncertainties in dB.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(super) struct Uncertainty {
    pub(super) repeated_db: f64,
    pub(super) degrees_of_freedom: f64,
    pub(super) known_db: f64,
}

/// From so many degrees of freedom on one t distribution with effective degrees of freedom stands for the sum of both
/// parts: with ten times fewer it already is within a percent of the sum's (`compare::ErrorLaw`, measured).
const ONE_T_FROM: f64 = 200.0;

impl Uncertainty {
    pub(super) fn standard_db(&self) -> f64 {
        self.repeated_db.hypot(self.known_db)
    }

    /// Probability of an error above `excess_db`.
    pub(super) fn upper_tail(&self, excess_db: f64) -> f64 {
        let u = self.standard_db();
        if u == 0.0 {
            return if excess_db > 0.0 { 0.0 } else { 1.0 };
        }
        if self.repeated_db == 0.0 || self.degrees_of_freedom.is_infinite() {
            return normal_upper_tail(excess_db / u);
        }
        if self.degrees_of_freedom > ONE_T_FROM {
            return student_upper_tail(excess_db / u, self.effective_degrees_of_freedom());
        }
        let law = ErrorLaw::new(self.repeated_db, self.degrees_of_freedom, self.known_db);
        let half = law.two_sided(excess_db) / 2.0;
        if excess_db >= 0.0 { half } else { 1.0 - half }
    }

    /// Welch–Satterthwaite, JCGM 100:2008, G.2b.
    fn effective_degrees_of_freedom(&self) -> f64 {
        self.degrees_of_freedom * (self.standard_db() / self.repeated_db).powi(4)
    }

    /// Half the width, in dB, of the interval that holds the error with probability `confidence`.
    pub(super) fn half_width(&self, confidence: f64, known: &mut HalfWidths) -> f64 {
        if self.repeated_db == 0.0 {
            return self.known_db * known.get(f64::INFINITY, None, confidence);
        }
        let step = (self.known_db > 0.0)
            .then(|| ((self.known_db / self.repeated_db).ln() / STEP.ln()).ceil() as i32);
        self.repeated_db * known.get(self.degrees_of_freedom, step, confidence)
    }
}

/// Steps of the ratio of both parts, upwards, in which half widths are kept: at most 2 % too wide.
const STEP: f64 = 1.02;

/// Half widths that were worked out already, for a repeated part of 1: hundreds of spots share few of them.
#[derive(Debug, Default)]
pub(super) struct HalfWidths(HashMap<(u64, Option<i32>, u64), f64>);

impl HalfWidths {
    fn get(&mut self, degrees_of_freedom: f64, step: Option<i32>, confidence: f64) -> f64 {
        let key = (degrees_of_freedom.to_bits(), step, confidence.to_bits());
        *self.0.entry(key).or_insert_with(|| match step {
            Some(step) => {
                ErrorLaw::new(1.0, degrees_of_freedom, STEP.powi(step)).half_width(confidence)
            }
            None => coverage_factor(confidence, degrees_of_freedom),
        })
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn margin(db: f64, is_bound: bool) -> Margin {
        Margin {
            db,
            is_bound,
            is_trace: false,
            statistical_db: 0.0,
            noise_db: 0.0,
        }
    }

    #[test]
    fn a_median_is_a_bound_only_where_a_bound_reaches_it() {
        let cell = |values: &[(f64, bool)]| {
            let margins: Vec<_> = values
                .iter()
                .map(|&(db, bound)| margin(db, bound))
                .collect();
            let cell = Cell::of(&margins).unwrap();
            (cell.margin_db, cell.is_bound, cell.state)
        };
        // Two of three were found, and the third is lower.
        assert_eq!(
            cell(&[(4.0, false), (-20.0, true), (2.0, false)]),
            (2.0, false, State::Brink)
        );
        // The bound is higher than the middle: the true middle may be lower.
        assert_eq!(
            cell(&[(-5.0, false), (3.0, true), (-4.0, false)]),
            (-4.0, true, State::Trace)
        );
        // An even number: the bound is one of the two middle ones.
        assert_eq!(
            cell(&[(4.0, false), (-20.0, true)]),
            (-8.0, true, State::Trace)
        );
        assert_eq!(
            cell(&[(-21.0, true), (-20.0, true)]),
            (-20.5, true, State::Vacant)
        );
        assert_eq!(Cell::of(&[]), None);
    }

    #[test]
    fn half_widths_are_those_of_the_law_but_for_two_percent() {
        let mut known = HalfWidths::default();
        for degrees_of_freedom in [2.0, 8.0, 60.0, f64::INFINITY] {
            for known_db in [0.0, 0.3, 1.0, 4.0] {
                let error = Uncertainty {
                    repeated_db: 0.8,
                    degrees_of_freedom,
                    known_db,
                };
                let exact = ErrorLaw::new(0.8, degrees_of_freedom, known_db).half_width(0.95);
                let got = error.half_width(0.95, &mut known);
                assert!(
                    got >= exact * 0.9999 && got <= exact * STEP * 1.0001,
                    "{error:?}: {got} for {exact}"
                );
                assert!((error.upper_tail(exact) - 0.025).abs() < 3e-4, "{error:?}");
            }
        }
    }
}
