//! One channel of a comparison by a tie: both halves put together.

use super::budget::{BudgetRow, Evaluation, combine};
use super::difference::Known;
use super::refusal::Options;
use super::tie::{Half, TieOptions};
use super::tie_curve::Both;
use super::tie_law::SumLaw;
use super::types::{Averaging, ChannelComparison, Side, Verdict};
use crate::statistics::truncated;

/// One channel, A − tie and B − tie put together.
pub(super) fn channel(
    first: &ChannelComparison,
    known: Option<&Known>,
    one: &Half,
    two: &Half,
    options: &Options,
    tie_options: &TieOptions,
) -> ChannelComparison {
    let Some((second, other)) = two.find(first) else {
        let antenna = &two.occasion.antenna;
        let reason = format!("the channel is not in {antenna}'s takes of {}", two.when);
        return not_comparable(first, reason);
    };
    let reasons: Vec<String> = [(first, one), (second, two)]
        .into_iter()
        .filter_map(|(channel, half)| {
            let reason = channel.reason.as_ref()?;
            Some(format!(
                "{}, A the antenna and B the tie: {reason}",
                half.when
            ))
        })
        .collect();
    let reason = (!reasons.is_empty()).then(|| reasons.join("; "));
    let mut joined = not_comparable(first, String::new());
    joined.b = second.a.clone();
    joined.reason = reason;
    let (Some(known), Some(other)) = (known, other) else {
        return joined;
    };
    joined.method = first.method.max(second.method);
    if first.method != second.method {
        let said = format!("by {} then, by {} now", word(first), word(second));
        joined.reason = Some(
            joined
                .reason
                .map_or(said.clone(), |known| format!("{known}; {said}")),
        );
    }
    joined.verdict = Verdict::Undecided;
    joined.blocks = first.blocks.min(second.blocks);
    joined.budget = budget(first, second, one, two, tie_options);
    let combined = combine(&mut joined.budget);
    joined.budget.sort_by(|p, q| q.share.total_cmp(&p.share));
    let difference_db = first
        .difference_db
        .zip(second.difference_db)
        .map(|(a, b)| a - b);
    let cn = first.cn_difference_db.zip(second.cn_difference_db);
    joined.cn_difference_db = cn.map(|(a, b)| a - b);
    let steadiness_db = tie_options.steadiness_db;
    if let (
        Known::Law { law, .. },
        Known::Law {
            law: second_law, ..
        },
        Some(difference_db),
    ) = (known, other, difference_db)
    {
        let law = SumLaw::new(law, second_law, steadiness_db);
        let half_db = law.half_width(options.confidence);
        joined.averaging = Some(Averaging::Decibels);
        joined.difference_db = Some(difference_db);
        joined.low_db = Some(difference_db - half_db);
        joined.high_db = Some(difference_db + half_db);
        joined.p = Some(law.two_sided(difference_db));
    } else {
        let both = Both::new(known, other, steadiness_db);
        let [low_db, high_db] = both.interval(difference_db, options.confidence);
        // An end that a half doesn't give, for want of a signal, the difference doesn't have either.
        joined.low_db = low_db.filter(|_| first.low_db.is_some() && second.high_db.is_some());
        joined.high_db = high_db.filter(|_| first.high_db.is_some() && second.low_db.is_some());
        joined.averaging = Some(Averaging::Linear);
        joined.p = Some(both.p());
        if joined.low_db.is_some() && joined.high_db.is_some() {
            joined.difference_db = difference_db;
        }
    }
    if joined.difference_db.is_some() {
        joined.standard_uncertainty_db = Some(combined.standard_uncertainty_db);
        joined.degrees_of_freedom = Some(truncated(combined.effective_degrees_of_freedom));
    }
    joined
}

fn word(channel: &ChannelComparison) -> String {
    (channel.method).map_or_else(String::new, |method| method.to_string())
}

/// The rows of both halves, each with its day, and the tie's own.
fn budget(
    first: &ChannelComparison,
    second: &ChannelComparison,
    one: &Half,
    two: &Half,
    options: &TieOptions,
) -> Vec<BudgetRow> {
    let mut rows = Vec::new();
    for (channel, half, sign) in [(first, one, 1.0), (second, two, -1.0)] {
        for row in &channel.budget {
            let mut row = row.clone();
            let of = format!(
                "{} (A) and tie {} (B)",
                half.occasion.antenna, half.comparison.b
            );
            row.source = format!("{}, {of}: {}", half.when, row.source);
            row.sensitivity *= sign;
            rows.push(row);
        }
    }
    let assumed = if options.steadiness_db == TieOptions::default().steadiness_db {
        ", assumed"
    } else {
        ""
    };
    let source = format!("tie {} the same on both days{assumed}", one.comparison.b);
    rows.push(BudgetRow::new(
        source,
        Evaluation::B,
        options.steadiness_db,
        f64::INFINITY,
        1.0,
    ));
    rows
}

/// A channel without a difference.
pub(super) fn not_comparable(like: &ChannelComparison, reason: String) -> ChannelComparison {
    ChannelComparison {
        b: nothing(),
        method: None,
        averaging: None,
        difference_db: None,
        low_db: None,
        high_db: None,
        standard_uncertainty_db: None,
        degrees_of_freedom: None,
        p: None,
        p_adjusted: None,
        cn_difference_db: None,
        cn_p: None,
        further_blocks: None,
        beyond_repeats: false,
        verdict: Verdict::NotComparable,
        reason: Some(reason),
        budget: Vec::new(),
        blocks: 0,
        ..like.clone()
    }
}

/// A side of which nothing is known.
pub(super) fn nothing() -> Side {
    Side {
        takes: 0,
        covered: 0.0,
        signal_dbfs: None,
        signal_upper_dbfs: None,
        pilot_dbfs: None,
        identity: None,
        standard: None,
        threshold_db: None,
        threshold_assumes: None,
        path: None,
        sigma_sp_db: None,
        noise_dbfs: None,
        cn_db: None,
        margin_db: None,
        state: None,
    }
}
