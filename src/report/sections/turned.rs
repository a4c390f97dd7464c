//! Which way to turn the antenna: a rotation's patterns.

use super::super::block::{Block, Cell, Figure, Section, Set, Table};
use super::super::words::{counted, name, percent, tidy};
use super::channels::mhz_between;
use crate::draw::{Svg, clean};
use crate::survey::turn::{BearingFigure, Figures, Pattern, Rotation};

/// A section on the patterns of one antenna turned round, or of two, as drawn over each other.
pub fn rotations(rotations: &[Rotation], patterns: Svg) -> Section {
    let mut blocks = vec![Block::Figure(Figure {
        name: "patterns".to_owned(),
        svg: patterns,
        caption: "What arrives with the antenna turned to each bearing, clockwise as seen from above; indoors it is the pattern \
                  with the room. The outer ring is the strongest."
            .to_owned(),
        numbers: Some(("turn".to_owned(), "the tables below".to_owned())),
    })];
    for rotation in rotations {
        blocks.push(Block::Heading(name(&rotation.antenna)));
        blocks.push(Block::Sentences(tidy(&rotation.meaning)));
        blocks.push(Block::Table(table(rotation)));
        let reasons: Vec<String> = (rotation.channels.iter())
            .filter_map(|one| {
                Some(format!(
                    "Channel {}: {}.",
                    clean(&one.channel.to_string()),
                    clean(one.reason.as_deref()?)
                ))
            })
            .collect();
        if !reasons.is_empty() {
            blocks.push(Block::Folded(
                "Channels without a pattern".to_owned(),
                vec![Block::Sentences(reasons)],
            ));
        }
        if !rotation.remarks.is_empty() {
            blocks.push(Block::Remarks(
                "To bear in mind".to_owned(),
                tidy(&rotation.remarks),
            ));
        }
    }
    Section::new("turn", "Which way to turn it", blocks)
}

fn table(rotation: &Rotation) -> Table {
    let of_channel = |one: &Pattern| {
        let figures = one.figures.as_ref()?;
        let head = Cell::with(
            clean(&one.channel.to_string()),
            mhz_between(one.low_hz, one.high_hz),
        );
        Some(row(head, one.points.len(), figures))
    };
    let band = rotation
        .band
        .as_ref()
        .filter(|band| band.channels.len() > 1)
        .map(|band| {
            let head = Cell::with("all", counted(band.channels.len(), "channel"));
            row(head, band.points.len(), &band.figures)
        });
    Table {
        caption: format!(
            "Patterns of {} at {}, bearings clockwise from {}: with {} intervals; beamwidth at half power, front over exactly \
             behind, roundness as strongest over weakest bearing",
            name(&rotation.antenna),
            name(&rotation.spot),
            name(&rotation.zero),
            percent(rotation.confidence)
        ),
        head: vec![
            (Cell::with("Channel", "MHz"), Set::Words),
            (Cell::new("Bearings"), Set::Number),
            (Cell::with("Best bearing", "degrees"), Set::Number),
            (Cell::with("Beamwidth", "degrees"), Set::Number),
            (Cell::with("Front-to-back", "dB"), Set::Number),
            (Cell::with("Roundness", "dB"), Set::Number),
        ],
        rows: rotation
            .channels
            .iter()
            .filter_map(of_channel)
            .chain(band)
            .collect(),
    }
}

fn row(head: Cell, bearings: usize, figures: &Figures) -> Vec<Cell> {
    vec![
        head,
        Cell::new(bearings.to_string()),
        bearing(&figures.best_bearing_deg),
        Cell::new(match figures.half_power_beamwidth_deg.value {
            Some(_) => figures.half_power_beamwidth_deg.words(0),
            None => "all round".to_owned(),
        }),
        Cell::new(figures.front_to_back_db.words(1)),
        Cell::new(figures.roundness_db.words(1)),
    ]
}

fn bearing(figure: &BearingFigure) -> Cell {
    match (figure.value, figure.low, figure.high) {
        (Some(value), Some(low), Some(high)) => {
            Cell::with(format!("{value:.0}"), format!("{low:.0} to {high:.0}"))
        }
        _ => Cell::new("none"),
    }
}
