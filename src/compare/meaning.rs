//! What a comparison means, in plain words: sentences made from the numbers, none that they don't carry.

use super::pilot::STANDS_FOR_CHANNEL;
use super::types::{Basis, ChannelComparison, Comparison, Method, Side, Verdict};
use crate::reading::State;
use crate::statistics::{median, normal_upper_quantile};

/// More rounds than this nobody makes: what they would decide is left at that.
const MANY: usize = 40;

/// Levels themselves are not known better than this, in dB, whatever their difference is.
const LEAST_SURE_DB: f64 = 0.3;
/// Where an interval reaches farther than this, in dB, takes vary so much that it is no answer.
const FAR_DB: f64 = 3.0;

/// The sentences, the most important first.
pub(super) fn sentences(comparison: &Comparison) -> Vec<String> {
    let words = Words::new(comparison);
    let mut sentences = words.better();
    sentences.extend(words.by_pilot());
    sentences.extend(words.cliff());
    sentences.extend(words.noise());
    sentences.extend(words.undecided());
    sentences.extend(words.not_comparable());
    sentences
}

/// The sentences of a comparison by a tie: nothing of rounds to come, and nothing that holds levels of different days
/// against each other.
pub(super) fn tied_sentences(comparison: &Comparison, tie: &str, days: [&str; 2]) -> Vec<String> {
    let words = Words::new(comparison);
    // An antenna that was named with its day bears it in its name.
    let dated = |name: &str, day: &str| match name.ends_with(day) {
        true => name.to_owned(),
        false => format!("{name} of {day}"),
    };
    let mut sentences = vec![format!(
        "{} against {}, each beside {tie} on its own day.",
        dated(&comparison.a, days[0]),
        dated(&comparison.b, days[1])
    )];
    sentences.extend(words.better());
    let open = words.channels(|one| one.verdict == Verdict::Undecided);
    if !open.is_empty() {
        sentences.push(format!("Undecided: {}.", list(&open)));
    }
    sentences.extend(words.not_comparable());
    sentences
}

struct Words<'c> {
    comparison: &'c Comparison,
    a: String,
    b: String,
}

impl<'c> Words<'c> {
    fn new(comparison: &'c Comparison) -> Words<'c> {
        // One antenna against itself: the names alone would not tell the sides apart.
        let same = comparison.a == comparison.b;
        let name = |name: &str, side: &str| {
            if same {
                format!("{name} ({side})")
            } else {
                name.to_string()
            }
        };
        Words {
            comparison,
            a: name(&comparison.a, "A"),
            b: name(&comparison.b, "B"),
        }
    }

    fn channels(&self, keep: impl Fn(&ChannelComparison) -> bool) -> Vec<&'c ChannelComparison> {
        self.comparison
            .channels
            .iter()
            .filter(|one| keep(one))
            .collect()
    }

    /// The winner, the loser, their sides and the sign of a gain, for a verdict.
    fn sides(&self, verdict: Verdict) -> (&str, &str, f64) {
        if verdict == Verdict::A {
            (&self.a, &self.b, 1.0)
        } else {
            (&self.b, &self.a, -1.0)
        }
    }

    fn better(&self) -> Vec<String> {
        let comparable = self
            .channels(|one| one.verdict != Verdict::NotComparable)
            .len();
        if comparable == 0 {
            return vec![format!(
                "{} and {} can't be compared on any channel.",
                self.a, self.b
            )];
        }
        let mut verdicts = [Verdict::A, Verdict::B];
        if self.comparison.summary.b_better > self.comparison.summary.a_better {
            verdicts.reverse();
        }
        let mut sentences = Vec::new();
        for verdict in verdicts {
            let (winner, loser, sign) = self.sides(verdict);
            let won = self.channels(|one| one.verdict == verdict);
            let measured: Vec<&ChannelComparison> = won
                .iter()
                .copied()
                .filter(|one| one.difference_db.is_some())
                .collect();
            let gains: Vec<f64> = measured
                .iter()
                .filter_map(|one| one.difference_db.map(|d| d * sign))
                .collect();
            if let (Some(middle), [first, ..]) = (median(&gains), measured.as_slice()) {
                let least = gains.iter().copied().fold(f64::INFINITY, f64::min);
                let most = gains.iter().copied().fold(f64::NEG_INFINITY, f64::max);
                let by = match (gains.len(), first.low_db, first.high_db) {
                    (1, Some(low_db), Some(high_db)) => {
                        let (low_db, high_db) = if sign > 0.0 {
                            (low_db, high_db)
                        } else {
                            (-high_db, -low_db)
                        };
                        format!("by {} ({} to {})", db(middle), db(low_db), db(high_db))
                    }
                    _ if db(least) == db(most) => format!("by {}", db(middle)),
                    _ => format!("by {} to {}, median {}", db(least), db(most), db(middle)),
                };
                sentences.push(format!(
                    "{winner} is better than {loser} on {} of {}: {}, {by}.",
                    gains.len(),
                    counted(comparable, "channel"),
                    list(&measured)
                ));
            }
            for one in won.iter().filter(|one| one.difference_db.is_none()) {
                let Some(bound_db) = (if sign > 0.0 {
                    one.low_db
                } else {
                    one.high_db.map(|d| -d)
                }) else {
                    continue;
                };
                let loser_side = if sign > 0.0 { &one.b } else { &one.a };
                let shows = if one.method == Some(Method::Pilot) {
                    "shows no pilot"
                } else if loser_side.state == Some(State::Vacant) {
                    "shows nothing"
                } else {
                    "shows next to nothing"
                };
                sentences.push(format!(
                    "On channel {} {loser} {shows}: {winner} gains at least {}.",
                    one.channel,
                    db(bound_db)
                ));
            }
        }
        if sentences.is_empty() {
            sentences.push(if comparable == 1 {
                format!(
                    "Between {} and {} the one channel is undecided.",
                    self.a, self.b
                )
            } else {
                format!(
                    "Between {} and {} none of the {comparable} channels is decided.",
                    self.a, self.b
                )
            });
        }
        sentences
    }

    /// Channels on which the pilot spoke, and how far it stands for them.
    fn by_pilot(&self) -> Option<String> {
        let spoken = self.channels(|one| one.method == Some(Method::Pilot));
        let rows = |one: &'c ChannelComparison| {
            (one.budget.iter()).find(|row| row.source.starts_with(STANDS_FOR_CHANNEL))
        };
        let allowed = spoken.iter().find_map(|one| rows(one))?;
        let comparable = self.channels(|one| one.method.is_some()).len();
        Some(format!(
            "The pilot speaks on {} of {}, {}, where it tells more than the power can: one frequency, which may fade by \
             itself, so that a standard uncertainty of {} is allowed for.",
            spoken.len(),
            counted(comparable, "channel"),
            list(&spoken),
            db(allowed.contribution_db())
        ))
    }

    /// Channels that one antenna receives and the other doesn't, where the difference itself is decided.
    fn cliff(&self) -> Vec<String> {
        let mut sentences = Vec::new();
        for verdict in [Verdict::A, Verdict::B] {
            let (winner, loser, sign) = self.sides(verdict);
            let mut firmer = Vec::new();
            for one in self.channels(|one| one.verdict == verdict && by_cn_as_well(one, sign)) {
                let (up, down) = if sign > 0.0 {
                    (&one.a, &one.b)
                } else {
                    (&one.b, &one.a)
                };
                let (Some(above), Some(state), Some(other)) = (up.margin_db, up.state, down.state)
                else {
                    continue;
                };
                if state == State::Firm && other == State::Brink {
                    firmer.push(one);
                }
                if state < State::Brink || other >= State::Brink {
                    continue;
                }
                let below = match (down.margin_db, other) {
                    (Some(margin_db), _) => format!("{} below", db(-margin_db)),
                    (None, State::Vacant) => "not to be seen".to_string(),
                    (None, _) => "below".to_string(),
                };
                let sure_db = one
                    .low_db
                    .zip(one.high_db)
                    .map_or(0.0, |(low_db, high_db)| (high_db - low_db) / 2.0)
                    .max(LEAST_SURE_DB);
                let from_threshold_db = [Some(above), down.margin_db];
                if (from_threshold_db.iter().flatten()).any(|margin_db| margin_db.abs() < sure_db) {
                    sentences.push(format!(
                        "Channel {} may cross the cliff: with {winner} it is {} above the threshold, with {loser} {below}, too \
                         near for the figures to say.",
                        one.channel,
                        db(above)
                    ));
                    continue;
                }
                let (only, brink) = if state == State::Brink {
                    ("only ", " and so on the brink")
                } else {
                    ("", "")
                };
                sentences.push(format!(
                    "Channel {} crosses the cliff: with {winner} it is {only}{} above the threshold{brink}, with {loser} {below}.",
                    one.channel,
                    db(above)
                ));
            }
            if !firmer.is_empty() {
                sentences.push(format!(
                    "{winner} lifts {} from the brink to firm.",
                    list(&firmer)
                ));
            }
        }
        sentences
    }

    /// Channels whose verdict by power doesn't hold by carrier-to-noise ratio.
    fn noise(&self) -> Vec<String> {
        let outside = 1.0 - self.comparison.confidence;
        let mut sentences = Vec::new();
        for verdict in [Verdict::A, Verdict::B] {
            let (winner, loser, sign) = self.sides(verdict);
            for one in self.channels(|one| one.verdict == verdict) {
                let (Some(cn_db), Some(cn_p)) = (one.cn_difference_db, one.cn_p) else {
                    continue;
                };
                if cn_p > outside {
                    sentences.push(format!(
                        "On channel {} {winner} picks up more signal, but by carrier-to-noise ratio its {} are within the \
                         uncertainty.",
                        one.channel,
                        db(cn_db * sign)
                    ));
                } else if cn_db * sign < 0.0 {
                    sentences.push(format!(
                        "On channel {} {winner} picks up more signal, but so much more noise that {loser}'s \
                         carrier-to-noise ratio is {} better.",
                        one.channel,
                        db(-cn_db * sign)
                    ));
                }
            }
        }
        sentences
    }

    fn undecided(&self) -> Vec<String> {
        let open = self.channels(|one| one.verdict == Verdict::Undecided);
        if open.is_empty() {
            return Vec::new();
        }
        let mut sentences = vec![format!("Undecided: {}.", list(&open))];
        let unpaired = |one: &&ChannelComparison| one.basis == Basis::Unpaired;
        let (in_one_go, in_turn): (Vec<_>, Vec<_>) = open.iter().copied().partition(unpaired);
        if !in_one_go.is_empty() {
            sentences.push(format!(
                "More takes in the same order would not show what wandered between the antennas on {}: take A B B A.",
                list(&in_one_go)
            ));
        }
        let mut counts: Vec<usize> = in_turn
            .iter()
            .filter_map(|one| one.further_blocks)
            .collect();
        counts.sort_unstable();
        counts.dedup();
        for &count in counts.iter().filter(|&&count| count <= MANY) {
            let which = only(&in_turn, |one| one.further_blocks == Some(count));
            sentences.push(format!(
                "About {} would decide {}, if what is seen so far stays.",
                rounds(&which, &count.to_string(), count),
                list(&which)
            ));
        }
        sentences.extend(too_many(&in_turn));
        let beyond = only(&in_turn, |one| one.beyond_repeats);
        if !beyond.is_empty() {
            let it = if beyond.len() == 1 {
                "its difference is"
            } else {
                "their differences are"
            };
            sentences.push(format!(
                "More rounds won't decide {}: {it} no larger than what repeats can't reduce{}.",
                list(&beyond),
                largest_fixed(&beyond)
            ));
        }
        let unknown = only(&in_turn, |one| {
            one.further_blocks.is_none() && !one.beyond_repeats && one.difference_db.is_some()
        });
        let (spread, no_spread): (Vec<_>, Vec<_>) =
            (unknown.into_iter()).partition(|one| one.budget.iter().any(|row| row.repeated));
        sentences.extend(self.small_so_far(&spread, open.len()));
        if !no_spread.is_empty() {
            sentences.push(format!(
                "Without repeats nothing says how many rounds would decide {}; two blocks, A B B A and B A A B, would say.",
                list(&no_spread)
            ));
        }
        sentences
    }

    /// Channels whose differences are small so far, but may turn out to be larger.
    fn small_so_far(&self, channels: &[&ChannelComparison], undecided: usize) -> Option<String> {
        let farthest_db = farthest(channels)?;
        // What would decide with repeats without end: as Holm's step-down asks of the first of so many.
        let deviate = normal_upper_quantile(self.comparison.verdict_level / (2 * undecided) as f64);
        let least_db = (channels.iter().map(|one| deviate * fixed_db(one))).fold(0.0, f64::max);
        let (it, is) = if channels.len() == 1 {
            ("the difference", "if it is")
        } else {
            ("the differences", "where they are")
        };
        Some(format!(
            "On {} {it} may still be up to {}: more rounds would narrow that, and decide {is} more than about {}.",
            list(channels),
            db(farthest_db),
            db(least_db)
        ))
    }

    fn not_comparable(&self) -> Vec<String> {
        let none = self.channels(|one| one.verdict == Verdict::NotComparable);
        let silent = |side: &Side| side.state == Some(State::Vacant);
        let (empty, other): (Vec<&ChannelComparison>, Vec<&ChannelComparison>) = none
            .into_iter()
            .partition(|one| silent(&one.a) && silent(&one.b));
        let mut sentences = Vec::new();
        if !empty.is_empty() {
            sentences.push(format!(
                "Neither antenna shows a signal on {}.",
                list(&empty)
            ));
        }
        if !other.is_empty() {
            sentences.push(format!(
                "Not comparable: {}; the reason stands with each.",
                list(&other)
            ));
        }
        sentences
    }
}

/// Whether the carrier-to-noise ratios, where both are known, point the same way.
fn by_cn_as_well(one: &ChannelComparison, sign: f64) -> bool {
    one.cn_difference_db.is_none_or(|cn_db| cn_db * sign > 0.0)
}

fn only<'c>(
    channels: &[&'c ChannelComparison],
    keep: impl Fn(&ChannelComparison) -> bool,
) -> Vec<&'c ChannelComparison> {
    channels.iter().copied().filter(|one| keep(one)).collect()
}

/// `3 more blocks`, by what these channels' takes stand in; `how_many` is the number in words.
fn rounds(channels: &[&ChannelComparison], how_many: &str, count: usize) -> String {
    let noun = match channels.first().map(|one| one.basis) {
        Some(Basis::Pairs) => "more pair",
        _ => "more block",
    };
    format!("{how_many} {noun}{}", if count == 1 { "" } else { "s" })
}

/// Channels that more rounds than anybody makes would decide: what is known of them already, or why it is so little.
fn too_many(channels: &[&ChannelComparison]) -> Vec<String> {
    let many = only(channels, |one| {
        one.further_blocks.is_some_and(|count| count > MANY)
    });
    let (far, near): (Vec<_>, Vec<_>) =
        (many.into_iter()).partition(|one| farthest(&[one]).is_none_or(|end_db| end_db > FAR_DB));
    let how_many = |which: &[&ChannelComparison]| {
        let counts = || which.iter().filter_map(|one| one.further_blocks);
        let (least, most) = (counts().min().unwrap_or(0), counts().max().unwrap_or(0));
        let number = if least == most {
            most.to_string()
        } else {
            format!("{least} to {most}")
        };
        rounds(which, &number, most)
    };
    let mut sentences = Vec::new();
    if let Some(end_db) = farthest(&near) {
        sentences.push(format!(
            "Leave {} at that: it would take about {} to decide, and whichever is better, it is by less than {}.",
            list(&near),
            how_many(&near),
            db(end_db)
        ));
    }
    if !far.is_empty() {
        sentences.push(format!(
            "Takes vary too much for {}: it would take about {} to decide. Look first for what changes between takes.",
            list(&far),
            how_many(&far)
        ));
    }
    sentences
}

/// What repeats don't reduce of a channel's uncertainty, in dB.
fn fixed_db(one: &ChannelComparison) -> f64 {
    let rows = one.budget.iter().filter(|row| !row.varies);
    rows.map(|row| row.contribution_db().powi(2))
        .sum::<f64>()
        .sqrt()
}

/// The end of these channels' intervals that lies farthest from zero, in dB; `None` where one lacks an end.
fn farthest(channels: &[&ChannelComparison]) -> Option<f64> {
    let ends = channels
        .iter()
        .map(|one| Some(one.low_db?.abs().max(one.high_db?.abs())));
    ends.collect::<Option<Vec<f64>>>()?
        .into_iter()
        .reduce(f64::max)
}

/// The source that leads among what repeats don't reduce, in brackets, where it is the same for all these channels.
fn largest_fixed(channels: &[&ChannelComparison]) -> String {
    let lead = |one: &&ChannelComparison| {
        let rows = one.budget.iter().filter(|row| !row.varies);
        rows.max_by(|p, q| p.share.total_cmp(&q.share))
            .map(|row| row.source.clone())
    };
    let first = channels.first().and_then(lead);
    match first {
        Some(source)
            if channels
                .iter()
                .all(|one| lead(one).as_ref() == Some(&source)) =>
        {
            format!(" (above all: {source})")
        }
        _ => String::new(),
    }
}

/// A difference in dB: one decimal, two below 0.1 dB.
fn db(value: f64) -> String {
    if value.abs() < 0.095 {
        format!("{value:.2} dB")
    } else {
        format!("{value:.1} dB")
    }
}

fn counted(count: usize, noun: &str) -> String {
    if count == 1 {
        format!("{count} {noun}")
    } else {
        format!("{count} {noun}s")
    }
}

/// `channel 20`, `channels 20 and 22`, `channels 20, 21 and 23`.
fn list(channels: &[&ChannelComparison]) -> String {
    let names: Vec<String> = channels.iter().map(|one| one.channel.to_string()).collect();
    match names.as_slice() {
        [] => "no channel".to_string(),
        [one] => format!("channel {one}"),
        [first @ .., last] => format!("channels {} and {last}", first.join(", ")),
    }
}
