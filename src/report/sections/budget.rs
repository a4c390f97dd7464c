//! The uncertainty budget: what the intervals are made of.

use super::super::Content;
use super::super::block::{Block, Cell, Section, Set, Table};
use super::super::words::{Names, difference, interval, or_dash, percent};
use super::channels::pair;
use crate::compare::{BudgetRow, ChannelComparison, Comparison};
use crate::draw::{clean, number};

/// A typical and the widest channel in full, of two antennas all others folded away; nothing where nothing was compared.
pub(super) fn section(content: &Content, names: &Names) -> Option<Section> {
    let mut blocks = vec![Block::Text(
        "What makes each interval as wide as it is. An input's standard uncertainty, times its sensitivity, is what it adds to \
         the difference of the antennas; these add as squares. Type A was found from the spread of repeats, type B is known or \
         assumed otherwise."
            .to_owned(),
    )];
    if content.several.is_none() {
        blocks.extend(of_pair(content.first()?, names, Rest::Folded)?);
    } else {
        blocks.extend(content.compared.iter().filter_map(|one| {
            let budgets = of_pair(&one.comparison, names, Rest::LeftOut)?;
            Some(Block::Folded(pair(&one.comparison), budgets))
        }));
    }
    Some(Section::new("uncertainty", "How sure it is", blocks))
}

/// What becomes of the budgets of channels that are neither typical nor widest.
#[derive(PartialEq)]
enum Rest {
    Folded,
    LeftOut,
}

fn of_pair(comparison: &Comparison, names: &Names, rest: Rest) -> Option<Vec<Block>> {
    let mut known: Vec<&ChannelComparison> = (comparison.channels.iter())
        .filter(|one| one.standard_uncertainty_db.is_some() && !one.budget.is_empty())
        .collect();
    let in_order = known.clone();
    known.sort_by(|one, other| {
        let width = |one: &ChannelComparison| one.standard_uncertainty_db.unwrap_or_default();
        width(one).total_cmp(&width(other))
    });
    let (typical, widest) = (*known.get((known.len().max(1) - 1) / 2)?, *known.last()?);
    let mut blocks = Vec::new();
    if typical.channel == widest.channel {
        blocks.extend(of("Channel", typical, names));
    } else {
        blocks.extend(of("A typical channel:", typical, names));
        blocks.extend(of("The widest interval: channel", widest, names));
    }
    let others: Vec<Block> = (in_order.iter())
        .filter(|one| one.channel != typical.channel && one.channel != widest.channel)
        .flat_map(|one| of("Channel", one, names))
        .collect();
    if !others.is_empty() && rest == Rest::Folded {
        blocks.push(Block::Folded(
            "The budgets of all other channels".to_owned(),
            others,
        ));
    }
    Some(blocks)
}

fn of(what: &str, one: &ChannelComparison, names: &Names) -> [Block; 3] {
    let degrees = |degrees: f64| match degrees < 1e4 {
        true => number(degrees, 1),
        false => "∞".to_owned(),
    };
    let row = |row: &BudgetRow| {
        vec![
            Cell::new(names.sentence(&row.source)),
            Cell::new(number(row.standard_uncertainty_db, 3)),
            Cell::new(number(row.sensitivity, 3)),
            Cell::new(number(row.contribution_db(), 3)),
            Cell::new(percent(row.share)),
            Cell::new(row.evaluation.to_string()),
            Cell::new(degrees(row.degrees_of_freedom)),
        ]
    };
    let channel = clean(&one.channel.to_string());
    let table = Table {
        caption: format!("Uncertainty budget of channel {channel}"),
        head: vec![
            (Cell::new("Source"), Set::Words),
            (Cell::with("Standard uncertainty", "dB"), Set::Number),
            (Cell::new("Sensitivity"), Set::Number),
            (Cell::with("Contribution", "dB"), Set::Number),
            (Cell::with("Share", "of the variance"), Set::Number),
            (Cell::new("Type"), Set::Words),
            (Cell::new("Degrees of freedom"), Set::Number),
        ],
        rows: one.budget.iter().map(row).collect(),
    };
    let sum = format!(
        "Together {} dB{}: A − B is {} dB ({}).",
        or_dash(one.standard_uncertainty_db, 3),
        one.degrees_of_freedom.map_or_else(String::new, |freedom| {
            format!(", with {} effective degrees of freedom", degrees(freedom))
        }),
        one.difference_db
            .map_or_else(|| "bounded".to_owned(), |db| difference(one, db)),
        interval(one)
    );
    [
        Block::Heading(format!("{what} {channel}")),
        Block::Table(table),
        Block::Text(sum),
    ]
}
