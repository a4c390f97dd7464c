//! What a comparison's figure says in words.

use super::super::font::clean;
use super::super::scale::{mhz, number, signed};
use super::drawable;
use crate::compare::{Basis, ChannelComparison, Comparison, Side, Verdict};

/// A name, cleaned; an empty one is said to be so.
pub(super) fn name(text: &str) -> String {
    let cleaned = clean(text);
    if cleaned.is_empty() {
        "(no name)".into()
    } else {
        cleaned
    }
}

/// `tape loop against rabbit ears — north window`.
pub(super) fn title(comparison: &Comparison) -> String {
    short_title(comparison, str::to_owned)
}

/// The title, each name in it shortened.
pub(super) fn short_title(comparison: &Comparison, shorten: impl Fn(&str) -> String) -> String {
    let both = format!(
        "{} against {}",
        shorten(&name(&comparison.a)),
        shorten(&name(&comparison.b))
    );
    match comparison
        .spot
        .as_deref()
        .map(clean)
        .filter(|spot| !spot.is_empty())
    {
        Some(spot) => format!("{both} — {}", shorten(&spot)),
        None => both,
    }
}

fn counted(count: usize, one: &str, many: &str) -> String {
    format!("{count} {}", if count == 1 { one } else { many })
}

/// `95 %`.
pub(super) fn confidence(comparison: &Comparison) -> String {
    let percent = comparison.confidence * 100.0;
    if percent.is_finite() {
        format!("{} %", (percent * 10.0).round() / 10.0)
    } else {
        "unstated".into()
    }
}

/// Takes, basis, intervals, plan.
pub(super) fn subtitle(comparison: &Comparison) -> String {
    let takes = format!(
        "{} of A and {} of B",
        counted(comparison.takes_a, "take", "takes"),
        comparison.takes_b
    );
    let basis = match comparison.basis {
        Basis::Blocks => format!(
            "in {} of four",
            counted(comparison.blocks, "block", "blocks")
        ),
        Basis::Pairs => format!("in {}", counted(comparison.blocks, "pair", "pairs")),
        Basis::Unpaired => "not paired".into(),
        Basis::Single => "no repeats".into(),
    };
    let plan = clean(&comparison.plan);
    let plan = if plan.is_empty() {
        String::new()
    } else {
        format!(" · plan {plan}")
    };
    format!(
        "{takes}, {basis} · intervals {}{plan}",
        confidence(comparison)
    )
}

/// How many channels favour which, and the median difference where there is one.
pub(super) fn answer(comparison: &Comparison) -> Vec<String> {
    let summary = &comparison.summary;
    let mut parts = vec![
        format!(
            "A better on {}",
            counted(summary.a_better, "channel", "channels")
        ),
        format!("B on {}", summary.b_better),
    ];
    if summary.undecided > 0 {
        parts.push(format!("{} undecided", summary.undecided));
    }
    if summary.not_comparable > 0 {
        parts.push(format!("{} not comparable", summary.not_comparable));
    }
    let median = match drawable(summary.median_difference_db) {
        Some(db) => vec![format!("median difference {} dB", signed(db, 1))],
        None => Vec::new(),
    };
    [vec![parts.join(", ")], median].concat()
}

fn side(letter: char, side: &Side) -> String {
    let level = match (
        drawable(side.cn_db),
        drawable(side.signal_dbfs),
        drawable(side.signal_upper_dbfs),
    ) {
        (Some(cn), _, _) => format!("C/N {} dB", number(cn, 1)),
        (None, Some(signal), _) => format!("signal {} dBFS", number(signal, 1)),
        (None, None, Some(upper)) => format!("signal at most {} dBFS", number(upper, 1)),
        (None, None, None) => "not measured".into(),
    };
    match side.state {
        Some(state) => format!("{letter} {level}, {state}"),
        None => format!("{letter} {level}"),
    }
}

fn channel(c: &ChannelComparison) -> String {
    let middle = (c.low_hz + c.high_hz) / 2.0;
    let middle = if middle.is_finite() {
        format!(" ({} MHz)", mhz(middle))
    } else {
        String::new()
    };
    let interval = match (
        drawable(c.difference_db),
        drawable(c.low_db),
        drawable(c.high_db),
    ) {
        (Some(d), Some(low), Some(high)) => {
            format!(
                "A − B {} dB, interval {} to {}",
                signed(d, 1),
                signed(low, 1),
                signed(high, 1)
            )
        }
        (Some(d), _, _) => format!("A − B {} dB", signed(d, 1)),
        (None, Some(low), _) => format!("A − B at least {} dB", signed(low, 1)),
        (None, None, Some(high)) => format!("A − B at most {} dB", signed(high, 1)),
        (None, None, None) => "no difference".into(),
    };
    let verdict = match c.verdict {
        Verdict::A => "A better",
        Verdict::B => "B better",
        Verdict::Undecided => "undecided",
        Verdict::NotComparable => "not comparable",
    };
    let reason = c
        .reason
        .as_deref()
        .map(|reason| format!(" ({reason})"))
        .unwrap_or_default();
    format!(
        "Channel {}{middle}: {}; {}; {interval}; {verdict}{reason}.",
        c.channel,
        side('A', &c.a),
        side('B', &c.b)
    )
}

/// The text alternative: all that is drawn, in sentences.
pub(super) fn description(comparison: &Comparison) -> String {
    let mut said = vec![
        format!("A: {}. B: {}.", name(&comparison.a), name(&comparison.b)),
        format!("{}.", subtitle(comparison)),
        format!("{}.", answer(comparison).join("; ")),
    ];
    said.extend(comparison.channels.iter().map(channel));
    said.join(" ")
}
