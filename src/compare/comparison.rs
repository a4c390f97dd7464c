//! The whole comparison: every channel, Holm's step-down over them, the summary.

use std::collections::HashSet;

use super::blocks::{Antenna, Arrangement, arrange};
use super::difference::{Outcome, estimate};
use super::levels::{Design, Levels};
use super::meaning;
use super::prospect::{Prospect, prospect};
use super::refusal::{CompareError, Options, check_apart, check_options, check_takes};
use super::statistics::{holm, median};
use super::types::{
    Averaging, Basis, ChannelComparison, Comparison, Side, StateCounts, Summary, Verdict,
};
use crate::channels::ChannelId;
use crate::reading::{NoiseSource, State, Take};

/// Compares antenna A with antenna B by their takes at one spot.
///
/// The takes of a side may come in any order; which stand against each other follows from when they were made.
///
/// # Errors
/// [`CompareError`] where a side has no takes or takes of several antennas, where spot, channel plan, sample rate,
/// dwell (by more than 10 %) or gains differ, where takes put against each other lie further apart than asked, or where
/// an option makes no sense. What concerns one channel (clipping, a part not covered) is no error but that channel's
/// reason.
pub fn compare(a: &[Take], b: &[Take], options: &Options) -> Result<Comparison, CompareError> {
    check_options(options)?;
    check_takes(a, b, options)?;
    let times = |takes: &[Take]| takes.iter().map(|take| take.taken_at).collect::<Vec<_>>();
    let arrangement = arrange(&times(a), &times(b));
    check_apart(a, b, &arrangement, options)?;

    let mut channels: Vec<ChannelComparison> = (channels_of(a, b).into_iter())
        .map(|place| channel(&place, a, b, &arrangement, options))
        .collect();
    decide(&mut channels, options);

    let spot = a
        .iter()
        .chain(b)
        .map(|take| &take.spot)
        .find(|spot| !spot.is_empty())
        .cloned();
    let mut comparison = Comparison {
        a: a[0].antenna.clone(),
        b: b[0].antenna.clone(),
        spot,
        plan: a[0].settings.plan.clone(),
        confidence: options.confidence,
        basis: arrangement.basis,
        takes_a: a.len(),
        takes_b: b.len(),
        blocks: blocks(arrangement.basis, arrangement.units.len()),
        remarks: remarks(a, b, &arrangement),
        summary: summary(&channels),
        channels,
        meaning: Vec::new(),
    };
    comparison.meaning = meaning::sentences(&comparison);
    Ok(comparison)
}

/// A channel and where its reading is likely to stand in each take.
struct Place<'t> {
    channel: &'t ChannelId,
    low_hz: f64,
    high_hz: f64,
    index: usize,
}

/// Every channel in any take, ascending by frequency.
fn channels_of<'t>(a: &'t [Take], b: &'t [Take]) -> Vec<Place<'t>> {
    let mut seen = HashSet::new();
    let mut places = Vec::new();
    for take in a.iter().chain(b) {
        for (index, reading) in take.readings.iter().enumerate() {
            if seen.insert(&reading.channel) {
                let (channel, low_hz, high_hz) =
                    (&reading.channel, reading.low_hz, reading.high_hz);
                places.push(Place {
                    channel,
                    low_hz,
                    high_hz,
                    index,
                });
            }
        }
    }
    places.sort_by(|one, two| {
        one.low_hz
            .total_cmp(&two.low_hz)
            .then_with(|| one.channel.cmp(two.channel))
    });
    places
}

fn blocks(basis: Basis, units: usize) -> usize {
    if matches!(basis, Basis::Blocks | Basis::Pairs) {
        units
    } else {
        0
    }
}

fn channel(
    place: &Place,
    a: &[Take],
    b: &[Take],
    arrangement: &Arrangement,
    options: &Options,
) -> ChannelComparison {
    let levels = Levels::gather(place.channel, place.index, &a[0], a, b);
    let design = levels.design(arrangement);
    let shown = design
        .clone()
        .unwrap_or_else(|_| levels.all_against_all(None));
    let (found_a, found_b) = (shown.found(Antenna::A), shown.found(Antenna::B));
    let (outcome, reason) = match &design {
        Err(reason) => (None, Some(reason.clone())),
        Ok(_) if !found_a && !found_b => {
            (None, Some("nothing found with either antenna".to_string()))
        }
        Ok(design) => {
            let outcome = estimate(design, options, found_a, found_b);
            let reason = reason(design, &outcome, found_a, found_b);
            (Some(outcome), reason)
        }
    };
    let averaging = outcome
        .as_ref()
        .map_or(Averaging::Linear, |outcome| outcome.averaging);
    let verdict = if outcome.is_some() {
        Verdict::Undecided
    } else {
        Verdict::NotComparable
    };
    let of = |get: fn(&Outcome) -> Option<f64>| outcome.as_ref().and_then(get);
    let covered = |takes: &[Take]| {
        let readings = takes
            .iter()
            .filter_map(|take| take.readings.iter().find(|r| r.channel == *place.channel));
        readings.map(|reading| reading.covered).fold(0.0, f64::max)
    };
    ChannelComparison {
        channel: place.channel.clone(),
        low_hz: place.low_hz,
        high_hz: place.high_hz,
        a: side(&shown, Antenna::A, found_a, averaging, covered(a)),
        b: side(&shown, Antenna::B, found_b, averaging, covered(b)),
        basis: shown.basis,
        blocks: if design.is_ok() {
            blocks(shown.basis, shown.groups.len())
        } else {
            0
        },
        averaging: outcome.as_ref().map(|outcome| outcome.averaging),
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
        verdict,
        reason,
        budget: outcome.map_or_else(Vec::new, |mut outcome| {
            outcome
                .budget
                .sort_by(|one, two| two.share.total_cmp(&one.share));
            outcome.budget
        }),
    }
}

/// What limits a channel's figure.
fn reason(design: &Design, outcome: &Outcome, found_a: bool, found_b: bool) -> Option<String> {
    let mut reasons = Vec::new();
    let bounded = outcome.difference_db.is_some();
    match (found_a, found_b, outcome.low_db, outcome.high_db) {
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
    let mean = |of: &dyn Fn(&super::levels::Level) -> f64| {
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

/// Verdicts by Holm's step-down over the channels with a probability, and what would decide the rest.
fn decide(channels: &mut [ChannelComparison], options: &Options) {
    // Whatever is computed in doubles carries its rounding: at equality the verdict must not hang on it.
    let level = (1.0 - options.confidence) * (1.0 + 1e-9);
    let tested: Vec<usize> = (0..channels.len())
        .filter(|&index| channels[index].p.is_some())
        .collect();
    let probabilities: Vec<f64> = tested
        .iter()
        .filter_map(|&index| channels[index].p)
        .collect();
    let adjusted = holm(&probabilities);
    let undecided = adjusted.iter().filter(|&&p| p > level).count();
    for (&index, &p_adjusted) in tested.iter().zip(&adjusted) {
        let one = &mut channels[index];
        one.p_adjusted = Some(p_adjusted);
        if p_adjusted <= level {
            one.verdict = match (one.difference_db, one.low_db, one.high_db) {
                (Some(difference_db), _, _) if difference_db > 0.0 => Verdict::A,
                (Some(difference_db), _, _) if difference_db < 0.0 => Verdict::B,
                (None, Some(low_db), None) if low_db > 0.0 => Verdict::A,
                (None, None, Some(high_db)) if high_db < 0.0 => Verdict::B,
                _ => Verdict::Undecided,
            };
        }
        let (Verdict::Undecided, Some(difference_db)) = (one.verdict, one.difference_db) else {
            continue;
        };
        let repeats = match one.basis {
            Basis::Blocks | Basis::Pairs => one.blocks,
            Basis::Unpaired => one.a.takes.min(one.b.takes),
            Basis::Single => 1,
        };
        match prospect(
            difference_db,
            &one.budget,
            repeats,
            level / undecided.max(1) as f64,
        ) {
            Prospect::Further(blocks) => one.further_blocks = Some(blocks),
            Prospect::BeyondRepeats => one.beyond_repeats = true,
            Prospect::Unknown => {}
        }
    }
}

fn summary(channels: &[ChannelComparison]) -> Summary {
    let differences: Vec<f64> = channels
        .iter()
        .filter_map(|one| one.difference_db)
        .collect();
    let count = |verdict| channels.iter().filter(|one| one.verdict == verdict).count();
    let states = |of: fn(&ChannelComparison) -> &Side| {
        let mut counts = StateCounts::default();
        for state in channels.iter().filter_map(|one| of(one).state) {
            match state {
                State::Vacant => counts.vacant += 1,
                State::Trace => counts.trace += 1,
                State::Brink => counts.brink += 1,
                State::Firm => counts.firm += 1,
            }
        }
        counts
    };
    let shows = |side: &Side| side.signal_dbfs.is_some();
    let silent = |side: &Side| side.state == Some(State::Vacant);
    let only = |keep: &dyn Fn(&ChannelComparison) -> bool| {
        channels
            .iter()
            .filter(|one| keep(one))
            .map(|one| one.channel.clone())
            .collect()
    };
    Summary {
        median_difference_db: median(&differences),
        a_better: count(Verdict::A),
        b_better: count(Verdict::B),
        undecided: count(Verdict::Undecided),
        not_comparable: count(Verdict::NotComparable),
        states_a: states(|one| &one.a),
        states_b: states(|one| &one.b),
        only_a: only(&|one| shows(&one.a) && silent(&one.b)),
        only_b: only(&|one| shows(&one.b) && silent(&one.a)),
    }
}

/// What to bear in mind about the takes as a whole.
fn remarks(a: &[Take], b: &[Take], arrangement: &Arrangement) -> Vec<String> {
    let mut remarks = Vec::new();
    let units = arrangement.units.len();
    match (arrangement.basis, units) {
        (Basis::Single, _) => remarks.push(
            "weak: one take each, so nothing shows what changes from take to take; the intervals rest on what is foreseen for \
             matings and unsteadiness. Take A B B A, at least twice."
                .to_string(),
        ),
        (Basis::Blocks, 1) => remarks.push(
            "weak: one block, so drift is cancelled but nothing shows what changes from block to block; the intervals rest on \
             what is foreseen for matings and unsteadiness. Take another block, B A A B."
                .to_string(),
        ),
        (Basis::Pairs, 1) => remarks.push(
            "weak: one pair of neighbours, so drift and what changes from take to take don't show. Take A B B A, at least \
             twice."
                .to_string(),
        ),
        (Basis::Blocks, 2) => remarks.push(
            "two blocks: their spread is known badly, so intervals are wide; four blocks make them far narrower.".to_string(),
        ),
        (Basis::Pairs, _) => remarks.push(
            "the takes make no blocks A B B A, so neighbours were paired: drift within a pair stays, and is allowed for."
                .to_string(),
        ),
        (Basis::Unpaired, _) => remarks.push(
            "the order of the takes allows no blocks and no pairs, so all of A stand against all of B: drift stays, and is \
             allowed for only as far as each antenna's takes show it. Take A B B A."
                .to_string(),
        ),
        _ => {}
    }
    if arrangement.left_over > 0 {
        let noun = if arrangement.basis == Basis::Blocks {
            "block"
        } else {
            "pair"
        };
        let (takes, are) = if arrangement.left_over == 1 {
            ("take", "is")
        } else {
            ("takes", "are")
        };
        remarks.push(format!(
            "{} {takes} outside any {noun} {are} not used.",
            arrangement.left_over
        ));
    }
    let estimated = (a.iter().chain(b).flat_map(|take| &take.readings))
        .any(|reading| reading.noise_source == Some(NoiseSource::VacantChannels));
    if estimated {
        remarks.push(
            "the noise was estimated, not measured: a terminated take would narrow weak channels."
                .to_string(),
        );
    }
    remarks
}
