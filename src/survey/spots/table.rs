//! Every wanted channel at every spot, with the spreads that the spots share.

use std::collections::{BTreeMap, BTreeSet};

use statrs::distribution::{ContinuousCDF, FisherSnedecor};

use super::cell::{Cell, Margin, Spread, Uncertainty};
use super::{ChannelSpread, FEW_DEGREES_OF_FREEDOM, LeftOut, Options, SpotsError, SpreadBasis};
use crate::channels::ChannelId;
use crate::reading::{Position, Reading, Take};

/// A spot's spread is its own where chance alone makes one so large among all spots more rarely than this.
const FAR_LARGER: f64 = 0.01;

/// A cell with its error, or why there is no figure.
#[derive(Debug, Clone, PartialEq)]
pub(super) enum Entry {
    Figure {
        cell: Cell,
        error: Uncertainty,
        own_spread: bool,
    },
    Nothing(String),
}

impl Entry {
    pub(super) fn figure(&self) -> Option<(&Cell, &Uncertainty)> {
        match self {
            Entry::Figure { cell, error, .. } => Some((cell, error)),
            Entry::Nothing(_) => None,
        }
    }
}

/// A spot's entries, one for each wanted channel.
#[derive(Debug, Clone, PartialEq)]
pub(super) struct Row {
    pub(super) name: String,
    pub(super) takes: usize,
    pub(super) position: Option<Position>,
    pub(super) entries: Vec<Entry>,
}

/// All spots by all channels.
#[derive(Debug, Clone, PartialEq)]
pub(super) struct Table {
    pub(super) wanted: Vec<ChannelId>,
    pub(super) left_out: Vec<LeftOut>,
    pub(super) spreads: Vec<ChannelSpread>,
    pub(super) rows: Vec<Row>,
}

type Cells = Vec<Result<Cell, String>>;

impl Table {
    pub(super) fn of(
        takes: &[Take],
        wanted: Option<&[ChannelId]>,
        options: &Options,
    ) -> Result<Table, SpotsError> {
        let channels = ordered(takes, wanted)?;
        let spots = by_spot(takes);
        // Channel by channel, spot by spot.
        let mut columns: Vec<Cells> = channels
            .iter()
            .map(|channel| spots.values().map(|takes| cell(takes, channel)).collect())
            .collect();
        let mut kept = Vec::new();
        let mut left_out = Vec::new();
        columns = channels
            .into_iter()
            .zip(columns)
            .filter_map(|(channel, column)| match nowhere(&column) {
                None => {
                    kept.push(channel);
                    Some(column)
                }
                Some(reason) => {
                    left_out.push(LeftOut { channel, reason });
                    None
                }
            })
            .collect();
        if kept.is_empty() {
            return Err(nothing_wanted(&left_out));
        }
        let mut rows: Vec<Row> = spots
            .iter()
            .map(|(name, takes)| Row {
                name: (*name).to_owned(),
                takes: takes.len(),
                position: position(takes),
                entries: Vec::with_capacity(kept.len()),
            })
            .collect();
        let mut spreads = Vec::new();
        for (channel, column) in kept.iter().zip(columns) {
            let (shared, own) = spread(&column, options);
            spreads.push(ChannelSpread {
                channel: channel.clone(),
                spread_db: shared.db,
                degrees_of_freedom: shared.degrees_of_freedom,
                basis: match shared.degrees_of_freedom {
                    Some(_) => SpreadBasis::Pooled,
                    None => SpreadBasis::Assumed,
                },
            });
            for ((row, cell), own) in rows.iter_mut().zip(column).zip(own) {
                row.entries.push(match cell {
                    Ok(cell) => Entry::Figure {
                        error: cell.error(own.unwrap_or(shared), options.unsteadiness_db),
                        own_spread: own.is_some(),
                        cell,
                    },
                    Err(reason) => Entry::Nothing(reason),
                });
            }
        }
        Ok(Table {
            wanted: kept,
            left_out,
            spreads,
            rows,
        })
    }
}

/// The takes of each spot, by name.
pub(super) fn by_spot(takes: &[Take]) -> BTreeMap<&str, Vec<&Take>> {
    let mut spots: BTreeMap<&str, Vec<&Take>> = BTreeMap::new();
    for take in takes {
        spots.entry(&take.spot).or_default().push(take);
    }
    spots
}

/// The wanted channels, or those in which any take found a signal, ascending by frequency.
fn ordered(takes: &[Take], wanted: Option<&[ChannelId]>) -> Result<Vec<ChannelId>, SpotsError> {
    let mut found: Vec<(f64, &ChannelId)> = Vec::new();
    let mut seen = BTreeSet::new();
    for reading in takes.iter().flat_map(|take| &take.readings) {
        let counts = match wanted {
            Some(wanted) => wanted.iter().any(|one| one.matches(&reading.channel)),
            None => shows_signal(reading),
        };
        if counts && seen.insert(reading.channel.to_string()) {
            found.push((reading.low_hz, &reading.channel));
        }
    }
    found.sort_by(|a, b| a.0.total_cmp(&b.0));
    let mut channels: Vec<ChannelId> = found
        .into_iter()
        .map(|(_, channel)| channel.clone())
        .collect();
    for absent in wanted.into_iter().flatten() {
        if !channels.iter().any(|one| one.matches(absent)) {
            channels.push(absent.clone());
        }
    }
    if channels.is_empty() {
        return Err(SpotsError::NothingWanted {
            what: "no channel to rank by".into(),
            why: "no take found a signal in any".into(),
        });
    }
    Ok(channels)
}

fn shows_signal(reading: &Reading) -> bool {
    reading.found || reading.pilot.is_some_and(|pilot| pilot.found)
}

fn cell(takes: &[&Take], channel: &ChannelId) -> Result<Cell, String> {
    let margins: Vec<Result<Margin, String>> = takes
        .iter()
        .filter_map(|take| {
            take.readings
                .iter()
                .find(|one| one.channel.matches(channel))
        })
        .map(Margin::of)
        .collect();
    let measured: Vec<Margin> = margins
        .iter()
        .filter_map(|one| one.as_ref().ok().copied())
        .collect();
    let reason = || {
        let first = margins.into_iter().find_map(Result::err);
        first.unwrap_or_else(|| "not covered".into())
    };
    Cell::of(&measured).ok_or_else(reason)
}

/// Why a channel has no figure at any spot; `None` where it has one.
fn nowhere(column: &Cells) -> Option<String> {
    let reasons = column.iter().map(|cell| cell.as_ref().err());
    let all: Option<Vec<&String>> = reasons.collect();
    all.and_then(|reasons| {
        reasons
            .first()
            .map(|reason| format!("{reason}, at every spot"))
    })
}

fn nothing_wanted(left_out: &[LeftOut]) -> SpotsError {
    let channels: Vec<String> = left_out.iter().map(|one| one.channel.to_string()).collect();
    SpotsError::NothingWanted {
        what: format!(
            "no wanted channel ({}) has a margin at any spot",
            channels.join(", ")
        ),
        why: left_out.first().map_or_else(String::new, |one| {
            format!("channel {}: {}", one.channel, one.reason)
        }),
    }
}

/// The spread of a channel that the spots share, and the own ones of spots that go by theirs.
fn spread(column: &Cells, options: &Options) -> (Spread, Vec<Option<Spread>>) {
    // Degrees of freedom and sum of squares of each spot.
    let parts: Vec<Option<(f64, f64)>> = column
        .iter()
        .map(|cell| {
            let cell = cell.as_ref().ok()?;
            let freedom = cell.takes as f64 - 1.0;
            cell.spread_db
                .map(|spread| (freedom, freedom * spread * spread))
        })
        .collect();
    let several = parts.iter().flatten().count();
    let total = sum(parts.iter().flatten().copied());
    let own: Vec<Option<Spread>> = parts
        .iter()
        .map(|part| {
            let (freedom, squares) = (*part)?;
            let others = (total.0 - freedom, (total.1 - squares).max(0.0));
            if others.0 < FEW_DEGREES_OF_FREEDOM || others.1 == 0.0 {
                return None;
            }
            let ratio = (squares / freedom) / (others.1 / others.0);
            let chance = FisherSnedecor::new(freedom, others.0).map_or(1.0, |law| law.sf(ratio));
            (chance < FAR_LARGER / several as f64).then(|| Spread {
                db: (squares / freedom).sqrt(),
                degrees_of_freedom: Some(freedom),
            })
        })
        .collect();
    let pool = parts.iter().zip(&own).filter(|(_, own)| own.is_none());
    let (freedom, squares) = sum(pool.filter_map(|(part, _)| *part));
    let pooled = if freedom > 0.0 {
        (squares / freedom).sqrt()
    } else {
        0.0
    };
    let assumed = freedom < FEW_DEGREES_OF_FREEDOM && options.spread_db >= pooled;
    let shared = Spread {
        db: if assumed { options.spread_db } else { pooled },
        degrees_of_freedom: (!assumed).then_some(freedom),
    };
    (shared, own)
}

fn sum(parts: impl Iterator<Item = (f64, f64)>) -> (f64, f64) {
    parts.fold((0.0, 0.0), |sum, part| (sum.0 + part.0, sum.1 + part.1))
}

/// Mean of the takes' positions; the height is that of those that state one.
fn position(takes: &[&Take]) -> Option<Position> {
    let stated: Vec<Position> = takes.iter().filter_map(|take| take.position).collect();
    let mean = |values: &mut dyn Iterator<Item = f64>| {
        let (sum, count) =
            values.fold((0.0, 0.0), |(sum, count), value| (sum + value, count + 1.0));
        (count > 0.0).then(|| sum / count)
    };
    Some(Position {
        x_m: mean(&mut stated.iter().map(|at| at.x_m))?,
        y_m: mean(&mut stated.iter().map(|at| at.y_m))?,
        height_m: mean(&mut stated.iter().filter_map(|at| at.height_m)),
    })
}
