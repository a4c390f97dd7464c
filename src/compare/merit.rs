//! The table of merit of several antennas: where each stands, and what that means in words.
//!
//! # The mean over channels
//!
//! The errors of an antenna's channels are dependent (one mating, one drift, one terminated take), and how far is not
//! known. The standard deviation of a mean of quantities is at most the mean of their standard deviations, whatever their
//! dependence, with equality where they move as one (JCGM 100:2008, 5.2.2, note 1). So the ends of the mean's interval are
//! the means of the channels' ends: for errors of one kind of distribution it is never too narrow, and too wide by up to
//! √n where the channels are independent.
//!
//! # Ranks
//!
//! All pairs: one antenna stands above another where it is better on a channel at least and worse on none, by verdicts.
//! Those that nobody stands above share the first rank; these put aside, the same again. Against a reference: antennas
//! above it, then those not told apart from it (it among them), then those below. Nothing is said of two antennas within
//! one of these. The verdicts are corrected together, so the chance that any of the steps is wrong on its deciding channel
//! is at most 1 − confidence.

use serde::Serialize;

use super::many::ManyComparison;
use super::types::{Comparison, StateCounts, Summary, Verdict};
use crate::channels::ChannelId;
use crate::reading::State;

/// Where an antenna stands against the reference.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize)]
#[serde(rename_all = "kebab-case")]
pub enum Standing {
    /// It is the reference.
    Reference,
    /// Better on a channel at least, worse on none.
    Better,
    /// Worse on a channel at least, better on none.
    Worse,
    /// Better on some channels, worse on others.
    Mixed,
    /// Undecided on every channel that can be compared.
    NotToldApart,
    /// Comparable on no channel.
    NotComparable,
}

/// The weakest channel of those that an antenna receives above the threshold.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct Weakest {
    /// The channel.
    pub channel: ChannelId,
    /// C/N above the threshold in dB.
    pub margin_db: f64,
}

/// One antenna among several.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct Merit {
    /// Its rank, 1 for the best; those that share one have the next ranks left out (1, 1, 3).
    pub rank: usize,
    /// Whether others share the rank: not told apart from it, or not by every channel.
    pub shared: bool,
    /// The antenna's name.
    pub antenna: String,
    /// Against the reference.
    pub standing: Standing,
    /// Its takes.
    pub takes: usize,
    /// Median over channels of the differences to the reference in dB.
    pub median_difference_db: Option<f64>,
    /// Their mean in dB.
    pub mean_difference_db: Option<f64>,
    /// Lower end of the mean's interval, the mean of the channels' lower ends: wide rather than narrow.
    pub mean_low_db: Option<f64>,
    /// Upper end.
    pub mean_high_db: Option<f64>,
    /// Channels that these rest on: those with a difference and both ends of its interval.
    pub channels: usize,
    /// Channels on which it is better than the reference.
    pub better: usize,
    /// Channels on which it is worse.
    pub worse: usize,
    /// Channels undecided.
    pub undecided: usize,
    /// Channels that can't be compared.
    pub not_comparable: usize,
    /// Its own channels by state.
    pub states: StateCounts,
    /// Its weakest channel above the threshold.
    pub weakest: Option<Weakest>,
    /// Antennas that it stands above, by verdicts; of the reference alone where not all pairs were compared.
    pub above: Vec<String>,
}

/// The rows, the best first.
pub(super) fn table(many: &ManyComparison) -> Vec<Merit> {
    let mut merits: Vec<Merit> = (many.antennas.iter())
        .map(|antenna| merit(many, antenna))
        .collect();
    let layers = if many.all_pairs {
        layers(&merits)
    } else {
        groups(&merits)
    };
    let mut sizes = vec![0; layers.iter().max().map_or(0, |most| most + 1)];
    for &layer in &layers {
        sizes[layer] += 1;
    }
    for (merit, &layer) in merits.iter_mut().zip(&layers) {
        merit.rank = 1 + sizes[..layer].iter().sum::<usize>();
        merit.shared = sizes[layer] > 1;
    }
    merits.sort_by(|one, two| {
        let mean = |merit: &Merit| match merit.standing {
            Standing::Reference => 0.0,
            _ => merit.mean_difference_db.unwrap_or(f64::NEG_INFINITY),
        };
        (one.rank.cmp(&two.rank)).then_with(|| mean(two).total_cmp(&mean(one)))
    });
    merits
}

fn merit(many: &ManyComparison, antenna: &str) -> Merit {
    let is_reference = antenna == many.reference;
    let pair = many.with_reference(antenna);
    let own = pair
        .map(|pair| (pair, true))
        .or_else(|| any_pair(many, antenna));
    let sides = || {
        own.into_iter()
            .flat_map(|(pair, is_a)| pair.channels.iter().map(move |one| (one, is_a)))
    };
    let weakest = sides()
        .filter_map(|(one, is_a)| {
            let side = if is_a { &one.a } else { &one.b };
            (side.state >= Some(State::Brink)).then_some(())?;
            Some(Weakest {
                channel: one.channel.clone(),
                margin_db: side.margin_db?,
            })
        })
        .min_by(|one, two| one.margin_db.total_cmp(&two.margin_db));
    let means = pair.map_or_else(Means::default, Means::of);
    let summary = pair.map(|pair| &pair.summary);
    let count = |of: fn(&Summary) -> usize| summary.map_or(0, of);
    Merit {
        rank: 0,
        shared: false,
        antenna: antenna.to_owned(),
        standing: if is_reference {
            Standing::Reference
        } else {
            pair.map_or(Standing::NotComparable, standing)
        },
        takes: own.map_or(
            0,
            |(pair, is_a)| if is_a { pair.takes_a } else { pair.takes_b },
        ),
        median_difference_db: summary.and_then(|summary| summary.median_difference_db),
        mean_difference_db: means.mean(means.difference),
        mean_low_db: means.mean(means.low),
        mean_high_db: means.mean(means.high),
        channels: means.count,
        better: count(|summary| summary.a_better),
        worse: count(|summary| summary.b_better),
        undecided: count(|summary| summary.undecided),
        not_comparable: count(|summary| summary.not_comparable),
        states: own.map_or_else(StateCounts::default, |(pair, is_a)| {
            if is_a {
                pair.summary.states_a
            } else {
                pair.summary.states_b
            }
        }),
        weakest,
        above: above(many, antenna),
    }
}

/// A pair that the antenna is in, and whether as A.
fn any_pair<'m>(many: &'m ManyComparison, antenna: &str) -> Option<(&'m Comparison, bool)> {
    (many.pairs.iter())
        .find(|pair| pair.a == antenna || pair.b == antenna)
        .map(|pair| (pair, pair.a == antenna))
}

/// Sums over the channels that have a difference with both ends.
#[derive(Default)]
struct Means {
    count: usize,
    difference: f64,
    low: f64,
    high: f64,
}

impl Means {
    fn of(pair: &Comparison) -> Means {
        let mut means = Means::default();
        for one in &pair.channels {
            if let (Some(difference), Some(low), Some(high)) =
                (one.difference_db, one.low_db, one.high_db)
            {
                means.count += 1;
                means.difference += difference;
                means.low += low;
                means.high += high;
            }
        }
        means
    }

    fn mean(&self, sum: f64) -> Option<f64> {
        (self.count > 0).then(|| sum / self.count as f64)
    }
}

fn standing(pair: &Comparison) -> Standing {
    let summary = &pair.summary;
    match (summary.a_better, summary.b_better) {
        (0, 0) if summary.undecided == 0 => Standing::NotComparable,
        (0, 0) => Standing::NotToldApart,
        (_, 0) => Standing::Better,
        (0, _) => Standing::Worse,
        _ => Standing::Mixed,
    }
}

/// The antennas that this one stands above.
fn above(many: &ManyComparison, antenna: &str) -> Vec<String> {
    (many.pairs.iter())
        .filter_map(|pair| match standing(pair) {
            Standing::Better if pair.a == antenna => Some(pair.b.clone()),
            Standing::Worse if pair.b == antenna => Some(pair.a.clone()),
            _ => None,
        })
        .collect()
}

/// Layers of antennas that nobody left stands above. Where everyone left has somebody above, as undecided channels allow
/// in a circle, they share one.
fn layers(merits: &[Merit]) -> Vec<usize> {
    let place = |name: &String| merits.iter().position(|merit| merit.antenna == *name);
    let below: Vec<Vec<usize>> = (merits.iter())
        .map(|merit| merit.above.iter().filter_map(place).collect())
        .collect();
    let mut layer = vec![None; merits.len()];
    for number in 0..merits.len() {
        let left: Vec<usize> = (0..merits.len()).filter(|&i| layer[i].is_none()).collect();
        let unbeaten: Vec<usize> = (left.iter().copied())
            .filter(|i| !left.iter().any(|&other| below[other].contains(i)))
            .collect();
        let these = if unbeaten.is_empty() { left } else { unbeaten };
        for i in these {
            layer[i] = Some(number);
        }
    }
    layer.into_iter().map(|one| one.unwrap_or(0)).collect()
}

/// Above the reference, not told apart from it, below it, and last what can't be compared; without empty ones.
fn groups(merits: &[Merit]) -> Vec<usize> {
    let group = |merit: &Merit| match merit.standing {
        Standing::Better => 0,
        Standing::Reference | Standing::NotToldApart | Standing::Mixed => 1,
        Standing::Worse => 2,
        Standing::NotComparable => 3,
    };
    merits.iter().map(group).collect()
}

/// What to bear in mind: what every pair has in common once, the rest with the pairs it is about.
pub(super) fn remarks(many: &ManyComparison) -> Vec<String> {
    let mut found: Vec<(&str, Vec<String>)> = Vec::new();
    for pair in &many.pairs {
        for remark in &pair.remarks {
            let name = if many.all_pairs {
                format!("{} and {}", pair.a, pair.b)
            } else {
                pair.a.clone()
            };
            match found.iter_mut().find(|(known, _)| known == remark) {
                Some((_, pairs)) => pairs.push(name),
                None => found.push((remark, vec![name])),
            }
        }
    }
    let mut remarks: Vec<String> = found
        .into_iter()
        .map(|(remark, pairs)| {
            if pairs.len() == many.pairs.len() {
                remark.to_owned()
            } else {
                format!("{}: {remark}", few(&pairs, "; "))
            }
        })
        .collect();
    for pair in &many.refused {
        remarks.push(format!("{} and {}: {}.", pair.a, pair.b, pair.reason));
    }
    let bounds: Vec<String> = (many.merits.iter())
        .filter_map(|merit| {
            let pair = many.with_reference(&merit.antenna)?;
            let compared = pair.channels.iter().filter(|one| one.p.is_some()).count();
            let without = compared - merit.channels;
            (without > 0).then(|| format!("{} ({without} of {compared})", merit.antenna))
        })
        .collect();
    if !bounds.is_empty() {
        remarks.push(format!(
            "Channels on which one of the two shows too little for a figure are in no mean and no median, which flatters the \
             weaker antenna: {}.",
            few(&bounds, ", ")
        ));
    }
    remarks
}

/// The sentences, the most important first.
pub(super) fn sentences(many: &ManyComparison) -> Vec<String> {
    let mut sentences = Vec::new();
    let against = (many.merits.iter())
        .filter(|merit| merit.standing != Standing::Reference)
        .take(TOLD);
    for merit in against {
        sentences.push(against_reference(many, merit));
    }
    let more = many.merits.len().saturating_sub(TOLD + 1);
    if more > 0 {
        sentences.push(format!("{more} more antennas: see the table."));
    }
    sentences.extend(shared_ranks(many));
    let better = |merit: &&Merit| merit.standing == Standing::Better;
    if !many.all_pairs && many.merits.iter().filter(better).count() > 1 {
        sentences.push(format!(
            "Each was compared with {} alone: which of those above it is the best is not tested; --all-pairs does.",
            many.reference
        ));
    }
    sentences.extend(too_few_repeats(many));
    let pairs = match many.pairs.len() {
        1 => "1 pair".to_owned(),
        count => format!("{count} pairs"),
    };
    sentences.push(format!(
        "Verdicts are corrected together over {} differences, the channels of {pairs} (Holm's step-down): the chance of any \
         wrong one among them all is at most {:.0} %.",
        many.corrected_over,
        100.0 * many.verdict_level
    ));
    sentences
}

/// Where nothing is decided though intervals leave zero out: what that comes from.
fn too_few_repeats(many: &ManyComparison) -> Option<String> {
    let channels = || many.pairs.iter().flat_map(|pair| &pair.channels);
    let decided = channels().any(|one| matches!(one.verdict, Verdict::A | Verdict::B));
    let without_zero = channels()
        .filter(|one| {
            one.low_db.is_some_and(|low| low > 0.0) || one.high_db.is_some_and(|high| high < 0.0)
        })
        .count();
    (!decided && without_zero > 0).then(|| {
        format!(
            "No difference is decided, though {without_zero} of {} intervals leave zero out: among so many some do by chance. \
             More rounds of takes decide more (four blocks and up), and so do fewer antennas.",
            many.corrected_over
        )
    })
}

/// So many antennas get a sentence each.
const TOLD: usize = 8;

fn against_reference(many: &ManyComparison, merit: &Merit) -> String {
    let (name, reference) = (&merit.antenna, &many.reference);
    let compared = merit.better + merit.worse + merit.undecided;
    let on = |count: usize| format!("{count} of {compared} channels");
    let said = match merit.standing {
        Standing::NotComparable | Standing::Reference => {
            return format!("{name} can't be compared with {reference} on any channel.");
        }
        Standing::NotToldApart => {
            format!("{name} can't be told apart from {reference} on any of {compared} channels")
        }
        Standing::Better => format!("{name} is better than {reference} on {}", on(merit.better)),
        Standing::Worse => format!("{name} is worse than {reference} on {}", on(merit.worse)),
        Standing::Mixed => format!(
            "{name} is better than {reference} on {}, worse on {}",
            on(merit.better),
            merit.worse
        ),
    };
    match (
        merit.mean_difference_db,
        merit.mean_low_db,
        merit.mean_high_db,
    ) {
        (Some(mean), Some(low), Some(high)) => format!(
            "{said}; in the mean over {} channels {} dB ({} to {}).",
            merit.channels,
            signed(mean),
            signed(low),
            signed(high)
        ),
        _ => format!("{said}."),
    }
}

/// Who shares a rank, and what that says.
fn shared_ranks(many: &ManyComparison) -> Vec<String> {
    (many.merits.chunk_by(|one, two| one.rank == two.rank))
        .filter(|merits| merits.len() > 1)
        .filter(|merits| many.all_pairs || merits.iter().any(|m| m.standing == Standing::Reference))
        .map(|merits| {
            let names: Vec<String> = merits.iter().map(|merit| merit.antenna.clone()).collect();
            let why = if many.all_pairs {
                "no verdict puts one of them above another as a whole"
            } else {
                "none is shown to be better or worse than the reference as a whole"
            };
            format!(
                "{} share rank {}: {why}.",
                few(&names, ", "),
                merits[0].rank
            )
        })
        .collect()
}

/// The first few of many names.
fn few(names: &[String], between: &str) -> String {
    const SHOWN: usize = 6;
    match names.len().checked_sub(SHOWN) {
        Some(more @ 1..) => format!("{} and {more} more", names[..SHOWN].join(between)),
        _ => names.join(between),
    }
}

/// A difference with its sign, one decimal, a real minus.
fn signed(db: f64) -> String {
    format!("{db:+.1}").replace('-', "\u{2212}")
}
