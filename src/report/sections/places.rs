//! Where to put the antenna: its spots, ranked.

use super::super::block::{Block, Cell, Figure, Section, Set, Table};
use super::super::words::{list, name, percent, tidy};
use crate::compare::Verdict;
use crate::draw::{Shown, Strip, Svg, clean, signed};
use crate::survey::spots::{Ranking, Spot};

/// A section on where to put the antenna, with the floor plan where one was drawn.
pub fn spots(ranking: &Ranking, floor: Option<Svg>) -> Section {
    let mut blocks = vec![Block::Sentences(tidy(&ranking.meaning))];
    if !ranking.remarks.is_empty() {
        blocks.push(Block::Remarks(
            "To bear in mind".to_owned(),
            tidy(&ranking.remarks),
        ));
    }
    blocks.extend(floor.map(|svg| {
        Block::Figure(Figure {
            name: "spots".to_owned(),
            svg,
            caption: format!(
                "Where {} stood, and what the weakest wanted channel has to spare there.",
                name(&ranking.antenna)
            ),
            numbers: Some(("spots".to_owned(), "the table below".to_owned())),
        })
    }));
    blocks.push(Block::Table(table(ranking)));
    let spoken = ranking.spots.iter().filter(|spot| !spot.remarks.is_empty());
    let remarks: Vec<String> = spoken
        .map(|spot| format!("{}: {}.", name(&spot.name), list(&tidy(&spot.remarks))))
        .collect();
    if !remarks.is_empty() {
        blocks.push(Block::Sentences(remarks));
    }
    Section::new("spots", "Where to put it", blocks)
}

fn table(ranking: &Ranking) -> Table {
    let shown: Vec<Shown> = ranking.spots.iter().map(margin).collect();
    let strip = Strip::of(&shown);
    let wanted: Vec<String> = ranking
        .wanted
        .iter()
        .map(|channel| clean(&channel.to_string()))
        .collect();
    let row = |(spot, shown): (&Spot, &Shown)| {
        let (spare, channel) = spot.weakest.as_ref().map_or_else(
            || (Cell::new("–"), Cell::new("–")),
            |weakest| {
                let bound = if weakest.is_bound { "≤ " } else { "" };
                let ends = weakest.low_db.map_or_else(
                    || format!("at most {}", signed(weakest.high_db, 1)),
                    |low| format!("{} … {}", signed(low, 1), signed(weakest.high_db, 1)),
                );
                (
                    Cell::with(format!("{bound}{}", signed(weakest.margin_db, 1)), ends),
                    Cell::new(clean(&weakest.channel.to_string())),
                )
            },
        );
        let rank = match spot.worst_rank == spot.rank {
            true => spot.rank.to_string(),
            false => format!("{}–{}", spot.rank, spot.worst_rank),
        };
        let states = spot.states;
        vec![
            Cell::new(name(&spot.name)),
            Cell::new(rank),
            Cell::drawing(strip.row(shown)),
            spare,
            channel,
            Cell::new(states.firm.to_string()),
            Cell::new(states.brink.to_string()),
            Cell::new(states.trace.to_string()),
            Cell::new(states.vacant.to_string()),
            Cell::new(spot.takes.to_string()),
        ]
    };
    Table {
        caption: format!(
            "What the weakest of the wanted channels ({}) has to spare above its threshold, in dB; a rank such as 1–3 may truly \
             be any of these",
            wanted.join(", ")
        ),
        head: vec![
            (Cell::new("Spot"), Set::Words),
            (Cell::new("Rank"), Set::Number),
            (Cell::drawing(strip.axis()), Set::Drawing),
            (
                Cell::with(
                    "To spare, dB",
                    format!("{} interval", percent(ranking.confidence)),
                ),
                Set::Number,
            ),
            (Cell::new("Channel"), Set::Number),
            (Cell::new("firm"), Set::Number),
            (Cell::new("brink"), Set::Number),
            (Cell::new("trace"), Set::Number),
            (Cell::new("vacant"), Set::Number),
            (Cell::new("Takes"), Set::Number),
        ],
        rows: ranking.spots.iter().zip(&shown).map(row).collect(),
    }
}

/// A full round where the weakest channel is surely above its threshold, a hollow square elsewhere.
fn margin(spot: &Spot) -> Shown {
    let weakest = spot.weakest.as_ref();
    let low_db = weakest.and_then(|one| one.low_db);
    Shown {
        difference_db: weakest.filter(|one| !one.is_bound).map(|one| one.margin_db),
        low_db,
        high_db: weakest.map(|one| one.high_db),
        verdict: match low_db {
            Some(low) if low > 0.0 => Verdict::A,
            _ => Verdict::Undecided,
        },
    }
}
