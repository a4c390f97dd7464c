//! What would decide an undecided channel: more repeats, and how many, or nothing that repeats can give.

use super::budget::BudgetRow;
use super::law::ErrorLaw;
use crate::statistics::normal_upper_tail;

/// More than so many further blocks nobody takes.
const PATIENCE: usize = 1000;

/// What would decide a channel.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) enum Prospect {
    /// So many further blocks.
    Further(usize),
    /// What repeats don't reduce is too large for this difference.
    BeyondRepeats,
    /// No spread to judge by.
    Unknown,
}

/// The number of further repeats after which `difference_db`, if it stays, would have a probability of at most `level`.
///
/// `repeats` is their number so far, 1 where there were none: then there is no spread to judge by, unless what repeats
/// can't reduce settles it.
pub(super) fn prospect(
    difference_db: f64,
    budget: &[BudgetRow],
    repeats: usize,
    level: f64,
) -> Prospect {
    let part = |varies: bool| {
        budget
            .iter()
            .filter(|row| row.varies == varies)
            .map(|r| r.contribution_db().powi(2))
            .sum::<f64>()
            .sqrt()
    };
    let (varying_db, fixed_db) = (part(true), part(false));
    if fixed_db > 0.0 && 2.0 * normal_upper_tail(difference_db.abs() / fixed_db) > level {
        return Prospect::BeyondRepeats;
    }
    if repeats < 2 {
        return Prospect::Unknown;
    }
    let by_repeats = budget.iter().any(|row| row.repeated);
    let decides = |count: usize| {
        let varying_db = varying_db * (repeats as f64 / count as f64).sqrt();
        let freedom = if by_repeats {
            count as f64 - 1.0
        } else {
            f64::INFINITY
        };
        ErrorLaw::new(varying_db, freedom, fixed_db).two_sided(difference_db) <= level
    };
    let (mut too_few, mut enough) = (repeats, repeats + 1);
    while !decides(enough) {
        if enough > repeats + PATIENCE {
            return Prospect::BeyondRepeats;
        }
        too_few = enough;
        enough = repeats + 2 * (enough - repeats);
    }
    while enough - too_few > 1 {
        let middle = (too_few + enough) / 2;
        if decides(middle) {
            enough = middle
        } else {
            too_few = middle
        }
    }
    Prospect::Further(enough - repeats)
}
