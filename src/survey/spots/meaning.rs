//! What a ranking means, in plain words: sentences made from the numbers, none that they don't carry.

use super::order::{Order, takes_needed};
use super::table::Table;
use super::{Options, Ranking, Spot};

/// More takes than this at a spot nobody makes.
const MOST_TAKES: usize = 40;
/// How many names a sentence lists at most.
const LISTED: usize = 6;

/// The sentences, the most important first.
pub(super) fn sentences(
    ranking: &Ranking,
    table: &Table,
    order: &Order,
    options: &Options,
) -> Vec<String> {
    let words = Words {
        ranking,
        table,
        order,
        options,
    };
    let mut sentences = words.best();
    sentences.extend(words.how_sure());
    sentences.extend(words.what_would_decide());
    sentences.extend(words.limiting());
    sentences.extend(words.nowhere());
    sentences
}

struct Words<'r> {
    ranking: &'r Ranking,
    table: &'r Table,
    order: &'r Order,
    options: &'r Options,
}

impl Words<'_> {
    fn first(&self) -> Option<&Spot> {
        self.ranking.spots.first()
    }

    fn best(&self) -> Vec<String> {
        let Some(best) = self.first() else {
            return Vec::new();
        };
        let total = self.ranking.wanted.len();
        let firm = format!(
            "{} of {} firm",
            best.states.firm,
            counted(total, "wanted channel")
        );
        let lead = match (self.ranking.spots.len(), best.tied_with.len()) {
            (1, _) => format!(
                "{} is the only spot, so there is nothing to rank",
                best.name
            ),
            (_, 0) => format!("Best place: {}", best.name),
            _ => format!("Best place as it seems: {}", best.name),
        };
        let stands = match &best.weakest {
            None => "no wanted channel has a figure there".into(),
            Some(weakest) if weakest.is_bound => format!(
                "channel {} shows nothing there (margin at most {}), {firm}",
                weakest.channel,
                db(weakest.margin_db)
            ),
            Some(weakest) => {
                let interval = weakest.low_db.map_or_else(String::new, |low_db| {
                    format!(" ({} to {})", db(low_db), db(weakest.high_db))
                });
                format!(
                    "its weakest wanted channel, {}, stands {}{interval}; {firm}",
                    weakest.channel,
                    above(weakest.margin_db)
                )
            }
        };
        vec![format!("{lead}; {stands}.")]
    }

    fn how_sure(&self) -> Vec<String> {
        let Some(best) = self.first().filter(|_| self.ranking.spots.len() > 1) else {
            return Vec::new();
        };
        let mut sentences = Vec::new();
        let risk = (1.0 - self.ranking.confidence) * 100.0;
        if best.tied_with.is_empty() {
            sentences.push(format!(
                "That is sure: over all spots together the chance of a spot falsely called better is at most {risk:.0} %."
            ));
            if let Some(by) = self.lead_over(1) {
                sentences.push(by);
            }
        } else {
            sentences.push(format!(
                "That is not sure: {} can't be told apart from {}.",
                best.name,
                names(&best.tied_with)
            ));
        }
        let shared = self
            .ranking
            .spots
            .iter()
            .filter(|spot| !spot.tied_with.is_empty());
        if shared.clone().any(|spot| spot.rank != best.rank) {
            sentences.push(
                "Elsewhere too spots can't be told apart: a rank is the best that a spot may truly have, and the worst is \
                 given beside it."
                    .into(),
            );
        }
        sentences
    }

    /// By how much the first spot leads over another, in the weakest channel.
    fn lead_over(&self, place: usize) -> Option<String> {
        let (best, other) = (self.first()?, self.ranking.spots.get(place)?);
        let (one, two) = (best.weakest.as_ref()?, other.weakest.as_ref()?);
        let gap = one.margin_db - two.margin_db;
        if one.is_bound || gap <= 0.0 {
            return Some(format!(
                "{} has {} firm, {} (next) {}.",
                best.name, best.states.firm, other.name, other.states.firm
            ));
        }
        let least = if two.is_bound { "at least " } else { "" };
        Some(format!(
            "Next is {}: its weakest channel, {}, lies {least}{} lower.",
            other.name,
            two.channel,
            db(gap)
        ))
    }

    fn what_would_decide(&self) -> Vec<String> {
        let Some(rival) = self.rival() else {
            return Vec::new();
        };
        let (first, other) = (self.order.sequence[0], self.order.sequence[rival]);
        let [a, b] = [first, other].map(|spot| {
            let weakest = self.order.standings[spot].weakest?;
            let figure = self.table.rows[spot].entries[weakest].figure()?;
            Some((weakest, figure))
        });
        let [best, next] = [first, other].map(|spot| self.table.rows[spot].name.as_str());
        let (Some((one, a)), Some((two, b))) = (a, b) else {
            return vec![format!(
                "To decide between {best} and {next}, take them again so that every wanted channel is covered."
            )];
        };
        if let Some(spot) = [first, other].iter().find(|&&spot| self.incomplete(spot)) {
            return vec![format!(
                "To decide between {best} and {next}, take {} again so that every wanted channel has a figure.",
                self.table.rows[*spot].name
            )];
        }
        if a.0.is_bound || b.0.is_bound {
            return vec![format!(
                "More takes alone will hardly decide between {best} and {next}: a wanted channel shows nothing at one of \
                 them or at both."
            )];
        }
        let spread = |index: usize| self.table.spreads[index].spread_db;
        let spread_db = spread(one).max(spread(two));
        let gap = (a.0.margin_db - b.0.margin_db).abs();
        vec![
            match takes_needed([a, b], spread_db, self.order.pair_level, MOST_TAKES) {
                Some(takes) => format!(
                    "If the {} between {best} and {next} are real, about {takes} takes at either, a few centimetres apart, will \
                 show it.",
                    db(gap)
                ),
                None => format!(
                    "More takes will hardly decide between {best} and {next}: the {} between their weakest channels are too little \
                 beside what changes between visits ({} dB) and the spread from place to place ({spread_db:.1} dB).",
                    db(gap),
                    self.options.unsteadiness_db
                ),
            },
        ]
    }

    /// The spot that most needs to be told from the first: the tied one next in order.
    fn rival(&self) -> Option<usize> {
        let first = *self.order.sequence.first()?;
        (1..self.order.sequence.len())
            .find(|&place| self.order.tied(first, self.order.sequence[place]))
    }

    fn incomplete(&self, spot: usize) -> bool {
        self.table.rows[spot]
            .entries
            .iter()
            .any(|entry| entry.figure().is_none())
    }

    /// The channel that is weakest at most spots.
    fn limiting(&self) -> Option<String> {
        let count = |index: usize| {
            let weakest = self
                .order
                .standings
                .iter()
                .filter(|one| one.weakest == Some(index));
            weakest.count()
        };
        let (index, spots) = (0..self.table.wanted.len())
            .map(|index| (index, count(index)))
            .max_by_key(|&(index, spots)| (spots, std::cmp::Reverse(index)))?;
        let all = self.ranking.spots.len();
        (all > 1 && self.table.wanted.len() > 1 && 2 * spots > all).then(|| {
            format!(
                "Channel {} limits: it is the weakest at {spots} of {all} spots.",
                self.table.wanted[index]
            )
        })
    }

    /// Channels that are above their threshold at no spot.
    fn nowhere(&self) -> Option<String> {
        let lacking: Vec<String> = (0..self.table.wanted.len())
            .filter(|&index| {
                let mut figures = self
                    .table
                    .rows
                    .iter()
                    .filter_map(|row| row.entries[index].figure());
                figures.all(|(cell, _)| cell.is_bound || cell.margin_db < 0.0)
            })
            .map(|index| self.table.wanted[index].to_string())
            .collect();
        let (channels, stays) = match lacking.as_slice() {
            [] => return None,
            [one] => (format!("Channel {one}"), "stays below its threshold"),
            _ => (
                format!("Channels {}", names(&lacking)),
                "stay below their thresholds",
            ),
        };
        Some(format!(
            "{channels} {stays} at every spot: as long as they count as wanted, the ranking goes by what can't be received \
             anywhere."
        ))
    }
}

/// A difference or margin in dB, with a true minus sign.
pub(crate) fn db(value: f64) -> String {
    let text = format!("{value:.1} dB");
    let zero = !text.bytes().any(|byte| (b'1'..=b'9').contains(&byte));
    match (zero, text.strip_prefix('-')) {
        (true, Some(rest)) => rest.to_owned(),
        (false, Some(rest)) => format!("\u{2212}{rest}"),
        _ => text,
    }
}

fn above(margin_db: f64) -> String {
    if margin_db >= 0.0 {
        format!("{} above its threshold", db(margin_db))
    } else {
        format!("{} below its threshold", db(-margin_db))
    }
}

pub(super) fn counted(count: usize, noun: &str) -> String {
    let plural = if count == 1 { "" } else { "s" };
    format!("{count} {noun}{plural}")
}

/// Names in a row; of a long list the first ones.
pub(super) fn names(all: &[String]) -> String {
    match all {
        [] => String::new(),
        [one] => one.clone(),
        [start @ .., last] if all.len() <= LISTED => format!("{} and {last}", start.join(", ")),
        _ => format!(
            "{} and {} more",
            all[..LISTED - 1].join(", "),
            all.len() + 1 - LISTED
        ),
    }
}
