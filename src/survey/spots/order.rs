//! Which spots are surely better than which.

use std::cmp::Reverse;

use super::cell::{Cell, HalfWidths, Uncertainty};
use super::table::{Entry, Row, Table};
use super::{Options, Spot, SpotChannel, Weakest};
use crate::compare::StateCounts;
use crate::reading::State;
use crate::statistics::{holm, normal_upper_tail, student_upper_tail, welch_satterthwaite};

/// From here on a channel is firm, in dB of margin: the state's own limit.
const FIRM_FROM_DB: f64 = 3.0;

/// What a spot's figures are worth, by the levels that the order goes by.
#[derive(Debug, Clone, PartialEq)]
pub(super) struct Standing {
    /// Lower and upper ends by channel, each at 1 − confidence.
    ends: Vec<Option<(Option<f64>, f64)>>,
    /// The weakest channel, by number in the table.
    pub(super) weakest: Option<usize>,
    /// The channel with the lowest upper end, corrected for the choice.
    bottom: Option<usize>,
    /// The interval of the weakest margin.
    low_db: Option<f64>,
    high_db: f64,
    states: StateCounts,
    surely_firm: usize,
    possibly_firm: usize,
}

/// The spots' standings and who is better than whom.
#[derive(Debug, Clone, PartialEq)]
pub(super) struct Order {
    pub(super) standings: Vec<Standing>,
    /// `better[s][t]`: spot s is surely better than t.
    pub(super) better: Vec<Vec<bool>>,
    /// Spots by rank, then the number of firm channels, then the margin.
    pub(super) sequence: Vec<usize>,
    /// Level at which one of the pairs is told apart, before any correction is used up.
    pub(super) pair_level: f64,
}

impl Order {
    pub(super) fn of(table: &Table, options: &Options) -> Order {
        let standings = standings(table, options);
        // One half for margins, the other for numbers of firm channels.
        let level = (1.0 - options.confidence) / 2.0;
        let mut better = by_margin(table, &standings, level);
        close(&mut better);
        let firmer = by_firm(&standings, &better);
        for (row, firmer) in better.iter_mut().zip(firmer) {
            for (better, firmer) in row.iter_mut().zip(firmer) {
                *better |= firmer;
            }
        }
        close(&mut better);
        let count = standings.len();
        let mut sequence: Vec<usize> = (0..count).collect();
        let key = |&spot: &usize| {
            let superior = better.iter().filter(|row| row[spot]).count();
            (superior, Reverse(standings[spot].states.firm))
        };
        let margin = |spot: usize| {
            let figure = standings[spot]
                .weakest
                .and_then(|k| table.rows[spot].entries[k].figure());
            figure.map_or(f64::NEG_INFINITY, |(cell, _)| cell.margin_db)
        };
        sequence.sort_by(|a, b| key(a).cmp(&key(b)).then(margin(*b).total_cmp(&margin(*a))));
        let pairs = (count * count.saturating_sub(1)).max(1) * table.wanted.len();
        Order {
            standings,
            better,
            sequence,
            pair_level: level / pairs as f64,
        }
    }

    pub(super) fn tied(&self, s: usize, t: usize) -> bool {
        s != t && !self.better[s][t] && !self.better[t][s]
    }

    /// The spots as the ranking shows them.
    pub(super) fn spots(&self, table: &Table) -> Vec<Spot> {
        let spot = |&index: &usize| {
            let (row, standing) = (&table.rows[index], &self.standings[index]);
            let superior = self.better.iter().filter(|row| row[index]).count();
            let inferior = self.better[index].iter().filter(|&&worse| worse).count();
            let tied = self
                .sequence
                .iter()
                .filter(|&&other| self.tied(index, other));
            Spot {
                name: row.name.clone(),
                rank: 1 + superior,
                worst_rank: table.rows.len() - inferior,
                takes: row.takes,
                position: row.position,
                weakest: standing.weakest(table, row),
                states: standing.states,
                not_measured: row
                    .entries
                    .iter()
                    .filter(|one| one.figure().is_none())
                    .count(),
                surely_firm: standing.surely_firm,
                possibly_firm: standing.possibly_firm,
                weak: is_weak(row),
                tied_with: tied.map(|&other| table.rows[other].name.clone()).collect(),
                channels: standing.channels(table, row),
                remarks: Vec::new(),
            }
        };
        self.sequence.iter().map(spot).collect()
    }
}

fn is_weak(row: &Row) -> bool {
    let mut figures = row.entries.iter().filter_map(Entry::figure);
    figures.any(|(_, error)| error.degrees_of_freedom.is_infinite())
}

impl Standing {
    fn of(row: &Row, spots: usize, confidence: f64, known: &mut HalfWidths) -> Standing {
        let outside = 1.0 - confidence;
        let channels = row.entries.len() as f64;
        let corrected = 1.0 - outside / channels;
        let together = 1.0 - outside / 2.0 / (channels * spots as f64);
        let mut standing = Standing {
            ends: Vec::with_capacity(row.entries.len()),
            weakest: None,
            bottom: None,
            low_db: Some(f64::INFINITY),
            high_db: f64::INFINITY,
            states: StateCounts::default(),
            surely_firm: 0,
            possibly_firm: 0,
        };
        let mut least_db = f64::INFINITY;
        for (index, entry) in row.entries.iter().enumerate() {
            let Some((cell, error)) = entry.figure() else {
                standing.ends.push(None);
                standing.low_db = None;
                standing.possibly_firm += 1;
                continue;
            };
            let mut end = |confidence| error.half_width(confidence, known);
            let (half, high, wide) = (end(confidence), end(corrected), end(together));
            let low = (!cell.is_bound).then_some(cell.margin_db - half);
            standing.ends.push(Some((low, cell.margin_db + half)));
            standing.low_db = standing.low_db.zip(low).map(|(least, low)| least.min(low));
            if cell.margin_db < least_db {
                (least_db, standing.weakest) = (cell.margin_db, Some(index));
            }
            if cell.margin_db + high < standing.high_db {
                (standing.high_db, standing.bottom) = (cell.margin_db + high, Some(index));
            }
            let firm = !cell.is_bound && cell.margin_db - wide >= FIRM_FROM_DB;
            standing.surely_firm += usize::from(firm);
            standing.possibly_firm += usize::from(cell.margin_db + wide >= FIRM_FROM_DB);
            let states = &mut standing.states;
            *(match cell.state {
                State::Vacant => &mut states.vacant,
                State::Trace => &mut states.trace,
                State::Brink => &mut states.brink,
                State::Firm => &mut states.firm,
            }) += 1;
        }
        standing
    }

    fn weakest(&self, table: &Table, row: &Row) -> Option<Weakest> {
        let index = self.weakest?;
        let (cell, _) = row.entries[index].figure()?;
        Some(Weakest {
            channel: table.wanted[index].clone(),
            margin_db: cell.margin_db,
            is_bound: cell.is_bound,
            low_db: self.low_db,
            high_db: self.high_db,
            spread_db: cell.spread_db,
        })
    }

    fn channels(&self, table: &Table, row: &Row) -> Vec<SpotChannel> {
        let channel = |((channel, entry), ends): ((_, &Entry), &Option<(Option<f64>, f64)>)| {
            let nothing = SpotChannel {
                channel: Clone::clone(channel),
                takes: 0,
                margin_db: None,
                is_bound: false,
                low_db: None,
                high_db: None,
                standard_uncertainty_db: None,
                spread_db: None,
                own_spread: false,
                state: None,
                reason: None,
            };
            match entry {
                Entry::Nothing(reason) => SpotChannel {
                    reason: Some(reason.clone()),
                    ..nothing
                },
                Entry::Figure {
                    cell,
                    error,
                    own_spread,
                } => SpotChannel {
                    takes: cell.takes,
                    margin_db: Some(cell.margin_db),
                    is_bound: cell.is_bound,
                    low_db: ends.and_then(|(low, _)| low),
                    high_db: ends.map(|(_, high)| high),
                    standard_uncertainty_db: Some(error.standard_db()),
                    spread_db: cell.spread_db,
                    own_spread: *own_spread,
                    state: Some(cell.state),
                    ..nothing
                },
            }
        };
        let entries = table.wanted.iter().zip(&row.entries);
        entries.zip(&self.ends).map(channel).collect()
    }
}

fn standings(table: &Table, options: &Options) -> Vec<Standing> {
    let mut known = HalfWidths::default();
    let standing = |row| Standing::of(row, table.rows.len(), options.confidence, &mut known);
    table.rows.iter().map(standing).collect()
}

/// Spots whose weakest channel is surely the stronger, by Holm's step-down over all ordered pairs.
fn by_margin(table: &Table, standings: &[Standing], level: f64) -> Vec<Vec<bool>> {
    let count = table.rows.len();
    let channels = table.wanted.len() as f64;
    let mut probabilities = Vec::with_capacity(count * count.saturating_sub(1));
    for (s, row) in table.rows.iter().enumerate() {
        for (t, other) in table.rows.iter().enumerate().filter(|(t, _)| *t != s) {
            let chance = standings[t].bottom.map_or(1.0, |bottom| {
                all_above(row, other, bottom, level / channels)
            });
            probabilities.push((chance * channels).min(1.0));
        }
    }
    let mut adjusted = holm(&probabilities).into_iter();
    let mut better = vec![vec![false; count]; count];
    for (s, row) in better.iter_mut().enumerate() {
        for (t, better) in row.iter_mut().enumerate() {
            *better = t != s && adjusted.next().is_some_and(|p| p <= level);
        }
    }
    better
}

/// The largest probability, over the channels of `row`, that a difference so large to the channel `bottom` of `other` comes
/// by chance. Once that is above `enough`, which rules the pair out, the search ends.
fn all_above(row: &Row, other: &Row, bottom: usize, enough: f64) -> f64 {
    let Some((below, error_below)) = other.entries[bottom].figure() else {
        return 1.0;
    };
    let mut differences = Vec::with_capacity(row.entries.len());
    for (index, entry) in row.entries.iter().enumerate() {
        let Some((cell, error)) = entry.figure().filter(|(cell, _)| !cell.is_bound) else {
            return 1.0;
        };
        let difference = cell.margin_db - below.margin_db;
        let error = between(error, error_below, index == bottom);
        let z = difference / error.standard_db();
        // The normal law's tail is the thinnest: where already that is too much, the true one is.
        if difference <= 0.0 || normal_upper_tail(z) > enough {
            return 1.0;
        }
        differences.push((z, difference, error));
    }
    differences.sort_by(|a, b| a.0.total_cmp(&b.0));
    let freedoms = differences
        .iter()
        .map(|(_, _, error)| error.degrees_of_freedom);
    let fewest = freedoms.fold(f64::INFINITY, f64::min);
    let mut largest: f64 = 0.0;
    for (z, difference, error) in differences {
        // No tail from here on is thicker than that of the repeats' law alone with the fewest degrees of freedom.
        if largest > enough || student_upper_tail(z, fewest) <= largest {
            break;
        }
        largest = largest.max(error.upper_tail(difference));
    }
    largest
}

/// The error of a difference between two spots' figures. Those of one channel share one pooled spread, whose degrees of
/// freedom are then the difference's; else by Welch–Satterthwaite, JCGM 100:2008, G.2b.
pub(super) fn between(one: &Uncertainty, other: &Uncertainty, same_channel: bool) -> Uncertainty {
    let parts = [one, other].map(|error| (error.repeated_db, error.degrees_of_freedom));
    let shared = same_channel && one.degrees_of_freedom == other.degrees_of_freedom;
    Uncertainty {
        repeated_db: one.repeated_db.hypot(other.repeated_db),
        degrees_of_freedom: if shared {
            one.degrees_of_freedom
        } else {
            welch_satterthwaite(parts)
        },
        known_db: one.known_db.hypot(other.known_db),
    }
}

/// Of spots that are equal so far: those of which surely more channels are firm than possibly are at the other.
fn by_firm(standings: &[Standing], better: &[Vec<bool>]) -> Vec<Vec<bool>> {
    let superior: Vec<usize> = (0..standings.len())
        .map(|spot| better.iter().filter(|row| row[spot]).count())
        .collect();
    let firmer = |s: usize, t: usize| {
        superior[s] == superior[t]
            && !better[s][t]
            && !better[t][s]
            && standings[s].surely_firm > standings[t].possibly_firm
    };
    (0..standings.len())
        .map(|s| (0..standings.len()).map(|t| firmer(s, t)).collect())
        .collect()
}

/// Adds what follows: s better than t and t better than u make s better than u.
fn close(better: &mut [Vec<bool>]) {
    for through in 0..better.len() {
        let reached = better[through].clone();
        for row in better.iter_mut().filter(|row| row[through]) {
            for (better, reached) in row.iter_mut().zip(&reached) {
                *better |= reached;
            }
        }
    }
}

/// How many takes at either spot would tell two figures of one channel apart at `level`, if the difference is as it seems;
/// `None` where no number up to `most` would.
pub(super) fn takes_needed(
    figures: [(&Cell, &Uncertainty); 2],
    spread_db: f64,
    level: f64,
    most: usize,
) -> Option<usize> {
    let [one, other] = figures;
    let difference = (one.0.margin_db - other.0.margin_db).abs();
    let floor = [one, other].map(|(cell, error)| {
        // What an assumed spread adds is in the known part: it is taken off again.
        let assumed = if error.degrees_of_freedom.is_infinite() {
            super::cell::median_error(cell.takes) * spread_db
        } else {
            0.0
        };
        (error.known_db.powi(2) - assumed.powi(2)).max(0.0)
    });
    (2..=most).find(|&takes| {
        let spatial = super::cell::median_error(takes) * spread_db;
        let u = (floor[0] + floor[1] + 2.0 * spatial * spatial).sqrt();
        normal_upper_tail(difference / u) <= level
    })
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn what_follows_from_two_is_added_and_nothing_else() {
        let mut better = vec![vec![false; 4]; 4];
        (better[0][1], better[1][2]) = (true, true);
        close(&mut better);
        let pairs: Vec<_> = (0..4)
            .flat_map(|s| (0..4).map(move |t| (s, t)))
            .filter(|&(s, t)| better[s][t])
            .collect();
        assert_eq!(pairs, [(0, 1), (0, 2), (1, 2)]);
    }

    #[test]
    fn a_difference_of_one_channel_keeps_the_pool_s_degrees_of_freedom() {
        let error = Uncertainty {
            repeated_db: 3.0,
            degrees_of_freedom: 12.0,
            known_db: 0.3,
        };
        let same = between(&error, &error, true);
        assert!((same.repeated_db - 18f64.sqrt()).abs() < 1e-12);
        assert_eq!(same.degrees_of_freedom, 12.0);
        // Two independent equal parts have twice the degrees of freedom (Welch–Satterthwaite).
        let apart = between(&error, &error, false);
        assert!((apart.degrees_of_freedom - 24.0).abs() < 1e-9);
    }
}
