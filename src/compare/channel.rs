//! One channel on its way through a comparison: from the takes to its line in the result.

use super::blocks::{Antenna, Arrangement};
use super::difference::{Outcome, is_strong};
use super::levels::{Design, Level, Levels};
use super::types::{Averaging, Basis, ChannelComparison, Side, Verdict};
use crate::channels::ChannelId;
use crate::reading::{NoiseSource, State, Take};
use crate::statistics::median;

/// A channel and where its reading is likely to stand in each take.
pub(super) struct Place<'t> {
    pub channel: &'t ChannelId,
    pub low_hz: f64,
    pub high_hz: f64,
    pub index: usize,
}

/// A channel with its levels, and with its outcome once there is one.
pub(super) struct Case<'t> {
    place: Place<'t>,
    /// What stands against each other; where nothing can, all levels there are.
    pub design: Design<'t>,
    /// Why nothing can be compared.
    refused: Option<String>,
    pub found_a: bool,
    pub found_b: bool,
    pub outcome: Option<Outcome>,
}

impl<'t> Case<'t> {
    pub fn open(
        place: Place<'t>,
        a: &'t [Take],
        b: &'t [Take],
        arrangement: &Arrangement,
    ) -> Case<'t> {
        let levels = Levels::gather(place.channel, place.index, &a[0], a, b);
        let (design, mut refused) = match levels.design(arrangement) {
            Ok(design) => (design, None),
            Err(reason) => (levels.all_against_all(None), Some(reason)),
        };
        let (found_a, found_b) = (design.found(Antenna::A), design.found(Antenna::B));
        if refused.is_none() && !found_a && !found_b {
            refused = Some("nothing found with either antenna".to_string());
        }
        Case {
            place,
            design,
            refused,
            found_a,
            found_b,
            outcome: None,
        }
    }

    pub fn is_strong(&self) -> bool {
        self.refused.is_none() && is_strong(&self.design, self.found_a, self.found_b)
    }

    pub fn is_weak(&self) -> bool {
        self.refused.is_none() && !is_strong(&self.design, self.found_a, self.found_b)
    }

    /// The channel's line, not yet decided.
    pub fn close(self, a: &[Take], b: &[Take]) -> ChannelComparison {
        let Case {
            place,
            design,
            refused,
            found_a,
            found_b,
            outcome,
        } = self;
        let averaging = outcome.as_ref().map(|outcome| outcome.averaging);
        let of = |get: fn(&Outcome) -> Option<f64>| outcome.as_ref().and_then(get);
        let covered = |takes: &[Take]| {
            let readings = takes
                .iter()
                .filter_map(|take| take.readings.iter().find(|r| r.channel == *place.channel));
            readings.map(|reading| reading.covered).fold(0.0, f64::max)
        };
        let shown = averaging.unwrap_or(Averaging::Linear);
        ChannelComparison {
            channel: place.channel.clone(),
            low_hz: place.low_hz,
            high_hz: place.high_hz,
            a: side(&design, Antenna::A, found_a, shown, covered(a)),
            b: side(&design, Antenna::B, found_b, shown, covered(b)),
            basis: design.basis,
            blocks: outcome
                .as_ref()
                .map_or(0, |_| blocks(design.basis, design.groups.len())),
            averaging,
            difference_db: of(|o| o.difference_db),
            low_db: of(|o| o.low_db),
            high_db: of(|o| o.high_db),
            standard_uncertainty_db: of(|o| o.standard_uncertainty_db),
            degrees_of_freedom: of(|o| o.degrees_of_freedom),
            p: of(|o| Some(o.p)),
            p_adjusted: None,
            cn_difference_db: of(|o| o.cn_difference_db),
            cn_p: of(|o| o.cn_p),
            further_blocks: None,
            beyond_repeats: false,
            verdict: if outcome.is_some() {
                Verdict::Undecided
            } else {
                Verdict::NotComparable
            },
            reason: match &outcome {
                Some(outcome) => reason(&design, outcome, found_a, found_b),
                None => refused,
            },
            budget: outcome.map_or_else(Vec::new, |mut outcome| {
                outcome
                    .budget
                    .sort_by(|one, two| two.share.total_cmp(&one.share));
                outcome.budget
            }),
        }
    }
}

/// Number of blocks or pairs, 0 where there are none.
pub(super) fn blocks(basis: Basis, units: usize) -> usize {
    if matches!(basis, Basis::Blocks | Basis::Pairs) {
        units
    } else {
        0
    }
}

/// What limits a channel's figure.
fn reason(design: &Design, outcome: &Outcome, found_a: bool, found_b: bool) -> Option<String> {
    let mut reasons = Vec::new();
    let bounded = outcome.difference_db.is_some();
    match (found_a, found_b, outcome.low_db, outcome.high_db) {
        (true, false, Some(low_db), _) if low_db <= 0.0 => {
            reasons.push("B shows nothing, and A too little to be told from it".to_string())
        }
        (false, true, _, Some(high_db)) if high_db >= 0.0 => {
            reasons.push("A shows nothing, and B too little to be told from it".to_string())
        }
        (true, false, Some(low_db), _) => {
            reasons.push(format!("B shows nothing: A gains at least {low_db:.1} dB"))
        }
        (true, false, None, _) => {
            reasons.push("B shows nothing, and A too little to say how much it gains".to_string())
        }
        (false, true, _, Some(high_db)) => reasons.push(format!(
            "A shows nothing: B gains at least {:.1} dB",
            -high_db
        )),
        (false, true, _, None) => {
            reasons.push("A shows nothing, and B too little to say how much it gains".to_string())
        }
        (_, _, Some(_), None) => reasons.push("B is too weak for an upper end".to_string()),
        (_, _, None, Some(_)) => reasons.push("A is too weak for a lower end".to_string()),
        (_, _, None, None) => reasons.push("both are too weak for a figure".to_string()),
        _ if !bounded => reasons.push("too weak for a figure".to_string()),
        _ => {}
    }
    let levels = || design.of(Antenna::A).chain(design.of(Antenna::B));
    if let Some(part) = levels().find(|level| level.reading.covered < 0.98) {
        reasons.push(format!(
            "only {:.0} % of the channel covered",
            part.reading.covered * 100.0
        ));
    }
    reasons.extend(design.remark.clone());
    if levels().any(|level| level.reading.noise_source == Some(NoiseSource::VacantChannels)) {
        reasons.push("noise estimated, not measured".to_string());
    }
    (!reasons.is_empty()).then(|| reasons.join("; "))
}

/// One antenna in one channel, by the levels that were used.
fn side(
    design: &Design,
    antenna: Antenna,
    found: bool,
    averaging: Averaging,
    covered: f64,
) -> Side {
    let count = design.of(antenna).count();
    let mean = |of: &dyn Fn(&Level) -> f64| {
        design
            .weighted()
            .filter(|one| one.0 == antenna)
            .map(|(_, weight, level)| weight * of(level))
            .sum::<f64>()
    };
    let level_db = |power: f64| (power > 0.0).then(|| 10.0 * power.log10());
    let signal_dbfs = match averaging {
        _ if count == 0 || !found => None,
        Averaging::Decibels => Some(mean(&|level| level.db())),
        Averaging::Linear => level_db(mean(&|level| level.signal)),
    };
    let uppers: Vec<f64> = design
        .of(antenna)
        .filter_map(|level| level.reading.signal_upper)
        .collect();
    let upper = uppers.iter().sum::<f64>() / uppers.len().max(1) as f64;
    let noise_dbfs = if count > 0 {
        level_db(mean(&|level| level.noise))
    } else {
        None
    };
    let cn_db = signal_dbfs
        .zip(noise_dbfs)
        .map(|(signal, noise)| signal - noise);
    let whole = design
        .of(antenna)
        .all(|level| level.reading.covered >= 0.98);
    let thresholds: Vec<f64> = design
        .of(antenna)
        .filter_map(|level| level.reading.threshold_db)
        .collect();
    let margin_db = cn_db
        .filter(|_| whole)
        .zip(median(&thresholds))
        .map(|(cn_db, threshold)| cn_db - threshold);
    let mut states: Vec<State> = design
        .of(antenna)
        .filter_map(|level| level.reading.state)
        .collect();
    states.sort();
    let state = if count == 0 {
        None
    } else if !found {
        Some(State::Vacant)
    } else {
        margin_db
            .map(State::from_margin)
            .or_else(|| states.get(states.len().saturating_sub(1) / 2).copied())
    };
    Side {
        takes: count,
        covered,
        signal_dbfs,
        signal_upper_dbfs: if signal_dbfs.is_none() {
            level_db(upper)
        } else {
            None
        },
        noise_dbfs,
        cn_db,
        margin_db,
        state,
    }
}
