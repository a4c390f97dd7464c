//! The uncertainty budget of one difference: what it rests on, row by row, and the sum.

use std::fmt;

use serde::Serialize;

use super::law::ErrorLaw;
use crate::statistics::{truncated, welch_satterthwaite};

/// How a standard uncertainty was found (JCGM 100:2008, 4.2 and 4.3).
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize)]
pub enum Evaluation {
    /// From the spread of observations.
    A,
    /// By other means: data sheets, experience, an assumption.
    B,
}

impl fmt::Display for Evaluation {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.pad(match self {
            Evaluation::A => "A",
            Evaluation::B => "B",
        })
    }
}

/// One source of uncertainty of a channel's difference.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct BudgetRow {
    /// What it is, in words.
    pub source: String,
    /// The estimate that the uncertainty belongs to, in dB or dBFS, 0 for an error taken to be zero; `None` where there is no
    /// estimate in decibels.
    pub value_db: Option<f64>,
    /// Standard uncertainty of the input in dB.
    pub standard_uncertainty_db: f64,
    /// How it was found.
    #[serde(rename = "type")]
    pub evaluation: Evaluation,
    /// Its degrees of freedom, infinite (`null` in JSON) where it is taken as known.
    #[serde(serialize_with = "finite_or_null")]
    pub degrees_of_freedom: f64,
    /// dB of the difference for one dB of the input.
    pub sensitivity: f64,
    /// Share of the variance of the difference, 0 to 1.
    pub share: f64,
    /// Whether it was seen in repeats, whose few degrees of freedom widen the interval.
    #[serde(skip)]
    pub(crate) repeated: bool,
    /// Whether it varies from take to take, so that more takes make it smaller.
    #[serde(skip)]
    pub(crate) varies: bool,
}

impl BudgetRow {
    /// A row; its share is filled in by [`combine`].
    ///
    /// `standard_uncertainty_db` and `sensitivity` as in the fields of the same names.
    pub fn new(
        source: impl Into<String>,
        evaluation: Evaluation,
        standard_uncertainty_db: f64,
        degrees_of_freedom: f64,
        sensitivity: f64,
    ) -> BudgetRow {
        BudgetRow {
            source: source.into(),
            value_db: Some(0.0),
            standard_uncertainty_db,
            evaluation,
            degrees_of_freedom,
            sensitivity,
            share: 0.0,
            repeated: false,
            varies: false,
        }
    }

    pub(crate) fn with_value(mut self, value_db: f64) -> BudgetRow {
        self.value_db = Some(value_db);
        self
    }

    pub(crate) fn seen_in_repeats(self) -> BudgetRow {
        self.known_by_few().varying()
    }

    /// In the law's t part, whether or not more takes make it smaller.
    pub(crate) fn known_by_few(mut self) -> BudgetRow {
        self.repeated = true;
        self
    }

    pub(crate) fn varying(mut self) -> BudgetRow {
        self.varies = true;
        self
    }

    /// What it adds to the difference's standard uncertainty: |sensitivity| × standard uncertainty, in dB.
    pub fn contribution_db(&self) -> f64 {
        self.sensitivity.abs() * self.standard_uncertainty_db
    }
}

/// The sum of a budget.
#[derive(Debug, Clone)]
pub struct Combined {
    /// Combined standard uncertainty in dB: root of the sum of squares of the contributions (JCGM 100:2008, 5.1.2).
    pub standard_uncertainty_db: f64,
    /// Effective degrees of freedom (JCGM 100:2008, G.2b), not truncated; may be infinite.
    pub effective_degrees_of_freedom: f64,
    /// The distribution of the difference's error.
    pub law: ErrorLaw,
}

/// Adds up independent rows and fills in their shares.
///
/// The law's t part is the rows seen in repeats; where there are none, the rows with finite degrees of freedom (each
/// has many then). Several are made one by Welch–Satterthwaite, truncated. All others make up the normal part.
pub fn combine(rows: &mut [BudgetRow]) -> Combined {
    let variance: f64 = rows.iter().map(|row| row.contribution_db().powi(2)).sum();
    for row in rows.iter_mut() {
        row.share = if variance > 0.0 {
            row.contribution_db().powi(2) / variance
        } else {
            0.0
        };
    }
    let any_repeated = rows
        .iter()
        .any(|row| row.repeated && row.contribution_db() > 0.0);
    let in_t_part = |row: &BudgetRow| {
        if any_repeated {
            row.repeated
        } else {
            row.degrees_of_freedom.is_finite()
        }
    };
    let parts = |wanted: bool| {
        rows.iter()
            .filter(move |row| in_t_part(row) == wanted)
            .map(|r| (r.contribution_db(), r.degrees_of_freedom))
    };
    let root_sum_square = |wanted: bool| {
        parts(wanted)
            .map(|part| part.0 * part.0)
            .sum::<f64>()
            .sqrt()
    };
    Combined {
        standard_uncertainty_db: variance.sqrt(),
        effective_degrees_of_freedom: welch_satterthwaite(
            rows.iter()
                .map(|row| (row.contribution_db(), row.degrees_of_freedom)),
        ),
        law: ErrorLaw::new(
            root_sum_square(true),
            truncated(welch_satterthwaite(parts(true))),
            root_sum_square(false),
        ),
    }
}

fn finite_or_null<S: serde::Serializer>(value: &f64, serializer: S) -> Result<S::Ok, S::Error> {
    if value.is_finite() {
        serializer.serialize_some(value)
    } else {
        serializer.serialize_none()
    }
}
