//! What would decide an undecided channel: more repeats, and how many, or nothing that repeats can give.

use super::budget::BudgetRow;
use super::law::ErrorLaw;
use crate::statistics::{normal_upper_tail, truncated, welch_satterthwaite};

/// More than so many further blocks nobody takes.
const PATIENCE: usize = 1000;

/// What would decide a channel.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) enum Prospect {
    /// So many further blocks.
    Further(usize),
    /// What repeats don't reduce is too large for this difference, as far as it may still move.
    BeyondRepeats,
    /// No spread to judge by; or too small a difference so far, which more repeats may show to be larger.
    Unknown,
}

/// How sure it is that more repeats move a difference no further.
const MAY_MOVE: f64 = 0.95;

/// A standard deviation over the median of its estimates: the root of ν over the median of χ² with ν degrees of freedom,
/// ν·(1 − 2/(9ν))³ by Wilson and Hilferty (Proceedings of the National Academy of Sciences 17, 1931).
fn median_factor(degrees_of_freedom: f64) -> f64 {
    if degrees_of_freedom.is_finite() {
        (1.0 - 2.0 / (9.0 * degrees_of_freedom)).powf(-1.5)
    } else {
        1.0
    }
}

/// The number of further repeats after which `difference_db`, if it stays, would have a probability of at most `level`.
///
/// `repeats` is their number so far, 1 where there were none: then there is no spread to judge by, unless it shows within the
/// only block, or what repeats can't reduce settles it.
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
    let freedom = truncated(welch_satterthwaite(
        (budget.iter().filter(|row| row.varies))
            .map(|row| (row.contribution_db(), row.degrees_of_freedom)),
    ));
    let beyond = |difference_db: f64| {
        fixed_db > 0.0 && 2.0 * normal_upper_tail(difference_db / fixed_db) > level
    };
    if beyond(difference_db.abs()) {
        // Where repeats may yet show a larger difference, its being small so far says nothing of them.
        let moves_db = if varying_db > 0.0 {
            ErrorLaw::new(varying_db, freedom, 0.0).half_width(MAY_MOVE)
        } else {
            0.0
        };
        return if beyond(difference_db.abs() + moves_db) {
            Prospect::BeyondRepeats
        } else {
            Prospect::Unknown
        };
    }
    let by_repeats = budget.iter().any(|row| row.repeated);
    if repeats < 2 && !by_repeats {
        return Prospect::Unknown;
    }
    // A spread by few degrees of freedom is more often too small than too large, and the channels found undecided are no
    // exception: its median counts, so that the estimate is too few as often as too many.
    let varying_db = varying_db * median_factor(freedom);
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
