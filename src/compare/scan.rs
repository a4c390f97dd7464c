//! What a television's scan said of two antennas, beside what the comparison says.

use serde::Serialize;

use super::types::{Comparison, Side};
use crate::channels::ChannelId;
use crate::reading::scan::{ScanAgreement, ScanCheck, scan_check};
use crate::reading::{State, Take};

/// Two antennas' scan counts.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct ScanComparison {
    /// A's count against A's measurement; `None` where none was noted.
    pub a: Option<ScanCheck>,
    /// B's.
    pub b: Option<ScanCheck>,
    /// Channels that A receives above the threshold and B doesn't, by the measurement.
    pub only_a: Vec<ChannelId>,
    /// Channels that B receives above the threshold and A doesn't.
    pub only_b: Vec<ChannelId>,
    /// In plain words.
    pub sentences: Vec<String>,
}

/// Holds the noted scan counts of the takes against their comparison; `None` where no take has a count.
pub fn compare_scans(a: &[Take], b: &[Take], comparison: &Comparison) -> Option<ScanComparison> {
    let (one, two) = (scan_check(a), scan_check(b));
    if one.is_none() && two.is_none() {
        return None;
    }
    let only = |up: fn(&(&Side, &Side)) -> bool| -> Vec<ChannelId> {
        (comparison.channels.iter())
            .filter(|channel| up(&(&channel.a, &channel.b)))
            .map(|channel| channel.channel.clone())
            .collect()
    };
    let mut scans = ScanComparison {
        only_a: only(|(a, b)| decodes(a) && !decodes(b)),
        only_b: only(|(a, b)| decodes(b) && !decodes(a)),
        a: one,
        b: two,
        sentences: Vec::new(),
    };
    scans.sentences = sentences(&scans, comparison);
    Some(scans)
}

fn decodes(side: &Side) -> bool {
    side.state >= Some(State::Brink)
}

fn sentences(scans: &ScanComparison, comparison: &Comparison) -> Vec<String> {
    let (a, b) = (&comparison.a, &comparison.b);
    let mut said = Vec::new();
    match (&scans.a, &scans.b) {
        (Some(one), Some(two)) => {
            said.push(by_count(a, one, b, two));
            said.push(measured(comparison));
            said.push(crossing(scans, a, b));
            if [one, two]
                .iter()
                .any(|scan| scan.agreement == ScanAgreement::NoChannels)
            {
                said.push(
                    "The counts are more than channels show a signal: programmes, most likely, of which one channel brings \
                     several at once."
                        .to_owned(),
                );
            }
        }
        (one, two) => {
            for (name, scan) in [(a, one), (b, two)] {
                let sentences = scan.iter().flat_map(|scan| &scan.sentences);
                said.extend(sentences.map(|sentence| format!("{name}: {sentence}")));
            }
        }
    }
    said
}

fn by_count(a: &str, one: &ScanCheck, b: &str, two: &ScanCheck) -> String {
    let (ahead, more, fewer) = match one.count.cmp(&two.count) {
        std::cmp::Ordering::Greater => (a, one.count, two.count),
        std::cmp::Ordering::Less => (b, two.count, one.count),
        std::cmp::Ordering::Equal => {
            return format!(
                "A television's scan found {} with either antenna: by the count they are alike.",
                one.count
            );
        }
    };
    let share = if fewer > 0 {
        format!(
            ", {:.0} %",
            100.0 * (f64::from(more) / f64::from(fewer) - 1.0)
        )
    } else {
        String::new()
    };
    format!(
        "A television's scan found {} with {a} and {} with {b}: by the count {ahead} is ahead by {}{share}.",
        one.count,
        two.count,
        more - fewer
    )
}

fn measured(comparison: &Comparison) -> String {
    let summary = &comparison.summary;
    format!(
        "Measured: {} {} firm and {} on the brink, {} {} firm and {} on the brink; {} is better on {} channel(s), {} on {}, {} \
         undecided.",
        comparison.a,
        summary.states_a.firm,
        summary.states_a.brink,
        comparison.b,
        summary.states_b.firm,
        summary.states_b.brink,
        comparison.a,
        summary.a_better,
        comparison.b,
        summary.b_better,
        summary.undecided
    )
}

/// Which channels a difference of counts can come from.
fn crossing(scans: &ScanComparison, a: &str, b: &str) -> String {
    let list = |channels: &[ChannelId]| {
        (channels.iter().map(ToString::to_string).collect::<Vec<_>>()).join(", ")
    };
    let crossed: Vec<String> = [(a, &scans.only_a), (b, &scans.only_b)]
        .into_iter()
        .filter(|(_, channels)| !channels.is_empty())
        .map(|(name, channels)| {
            format!("only {name} brings {} above the threshold", list(channels))
        })
        .collect();
    let mut brink: Vec<ChannelId> = [&scans.a, &scans.b]
        .into_iter()
        .flatten()
        .flat_map(|scan| scan.doubtful.iter().map(|one| one.channel.clone()))
        .collect();
    brink.sort();
    brink.dedup();
    let doubt = match brink.as_slice() {
        [] => "no channel stands on the brink".to_owned(),
        some => format!(
            "on the brink with one or both, and so a matter of the minute: {}",
            list(some)
        ),
    };
    if crossed.is_empty() {
        format!("By measurement no channel crosses the threshold between the two; {doubt}.")
    } else {
        let mut said = crossed.join("; ");
        said[..1].make_ascii_uppercase();
        format!("{said}; {doubt}.")
    }
}
