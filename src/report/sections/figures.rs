//! The plots.

use super::super::block::{Block, Figure, Section};
use super::super::words::{counted, name};
use super::super::{Content, ReportError};
use super::channels;
use crate::draw;

/// More pairs than this are too many pictures.
const PAIRS_DRAWN: usize = 3;

/// Levels and differences of all channels, and the spectra where there are any.
pub(super) fn section(content: &Content) -> Result<Option<Section>, ReportError> {
    let drawn = content.compared.iter().take(PAIRS_DRAWN);
    let drawn = drawn.filter(|one| !one.comparison.channels.is_empty());
    let mut blocks = Vec::new();
    let numbers = Some((channels::ID.to_owned(), channels::TITLE.to_owned()));
    if let Some(many) = &content.several {
        blocks.push(Block::Figure(Figure {
            name: "merit".to_owned(),
            svg: draw::merit(many)?,
            caption: format!(
                "The mean difference of each antenna to {} with its interval, and the differences on each channel.",
                name(&many.reference)
            ),
            numbers: numbers.clone(),
        }));
    }
    for (place, one) in drawn.enumerate() {
        for (what, svg, caption) in [
            (
                "comparison",
                Some(draw::comparison(&one.comparison)?),
                format!(
                    "What arrives with {} (A, blue rounds) and {} (B, vermilion diamonds) on each channel, and below it the \
                     difference with its interval.",
                    name(&one.comparison.a),
                    name(&one.comparison.b)
                ),
            ),
            (
                "spectrum",
                one.spectrum.clone(),
                "The spectra of the last take of each antenna: A an unbroken line, B a dashed one."
                    .to_owned(),
            ),
        ] {
            blocks.extend(svg.map(|svg| {
                Block::Figure(Figure {
                    name: match place {
                        0 => what.to_owned(),
                        _ => format!("{what}-{}", place + 1),
                    },
                    svg,
                    caption,
                    numbers: numbers.clone(),
                })
            }));
        }
    }
    let left = content.compared.len().saturating_sub(PAIRS_DRAWN);
    if left > 0 {
        blocks.push(Block::Text(format!(
            "{} more stand in the tables alone.",
            counted(left, "pair")
        )));
    }
    Ok((!blocks.is_empty()).then(|| Section::new("plots", "Plots", blocks)))
}
