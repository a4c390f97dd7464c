//! From probabilities to verdicts, and all channels together.

use super::prospect::{Prospect, prospect};
use super::refusal::Options;
use super::types::{Basis, ChannelComparison, Side, StateCounts, Summary, Verdict};
use crate::reading::State;
use crate::statistics::{holm, median};

/// Verdicts by Holm's step-down over all the channels given that have a probability, of one comparison or of several, and
/// what would decide the rest.
pub(super) fn decide<'c>(
    channels: impl Iterator<Item = &'c mut ChannelComparison>,
    options: &Options,
) {
    // Whatever is computed in doubles carries its rounding: at equality the verdict must not hang on it.
    let level = options.level() * (1.0 + 1e-9);
    let tested: Vec<&mut ChannelComparison> = channels.filter(|one| one.p.is_some()).collect();
    let probabilities: Vec<f64> = tested.iter().filter_map(|one| one.p).collect();
    let adjusted = holm(&probabilities);
    let undecided = adjusted.iter().filter(|&&p| p > level).count();
    for (one, &p_adjusted) in tested.into_iter().zip(&adjusted) {
        one.p_adjusted = Some(p_adjusted);
        if level <= 0.0 {
            continue;
        }
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

/// All channels of a comparison together.
pub(super) fn summary(channels: &[ChannelComparison]) -> Summary {
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
    let shows = |side: &Side| side.state.is_some_and(|state| state > State::Vacant);
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
