//! The plots.

use super::super::block::{Block, Figure, Section};
use super::super::words::Names;
use super::super::{Compared, ReportError};
use super::channels;
use crate::draw;

/// Levels and differences of all channels, and the spectra where there are any.
pub(super) fn section(compared: &Compared, names: &Names) -> Result<Option<Section>, ReportError> {
    if compared.comparison.channels.is_empty() {
        return Ok(None);
    }
    let numbers = Some((channels::ID.to_owned(), channels::TITLE.to_owned()));
    let mut blocks = vec![Block::Figure(Figure {
        name: "comparison".to_owned(),
        svg: draw::comparison(&compared.comparison)?,
        caption: format!(
            "What arrives with {} (A, blue rounds) and {} (B, vermilion diamonds) on each channel, and below it the \
             difference with its interval.",
            names.a, names.b
        ),
        numbers: numbers.clone(),
    })];
    if let Some(spectrum) = &compared.spectrum {
        blocks.push(Block::Figure(Figure {
            name: "spectrum".to_owned(),
            svg: spectrum.clone(),
            caption:
                "The spectra of the last take of each antenna: A an unbroken line, B a dashed one."
                    .to_owned(),
            numbers,
        }));
    }
    Ok(Some(Section::new("plots", "Plots", blocks)))
}
