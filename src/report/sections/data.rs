//! The raw numbers, to download and to compare again.

use super::super::block::{Block, Download, Section};
use super::super::words::{Names, counted, quoted, size};
use super::super::{Compared, ReportError};
use crate::draw::clean;
use crate::logbook::transfer::export_csv;

/// A longer file would make the report unwieldy.
const LARGEST: usize = 6_000_000;
const FILE: &str = "gainsay-takes.csv";

pub(super) fn section(compared: &Compared, names: &Names) -> Result<Section, ReportError> {
    let takes = compared.takes();
    let mut bytes = Vec::new();
    export_csv(takes.iter().map(|take| Ok((*take).clone())), &mut bytes)?;
    let comparison = &compared.comparison;
    let (count, long) = (counted(takes.len(), "take"), size(bytes.len()));
    if bytes.len() > LARGEST {
        return Ok(Section::new(
            "data",
            "The raw numbers",
            vec![Block::Text(format!(
                "The {count} behind this report would make a file of {long}, too much for a page. Who measured them can hand \
                 them on with gainsay log export --format csv."
            ))],
        ));
    }
    let spot = comparison.spot.as_deref().unwrap_or_default();
    let again = format!(
        "gainsay log import {FILE} --log other.sqlite\ngainsay compare {} {} --spot {} --log other.sqlite",
        quoted(&clean(&comparison.a)),
        quoted(&clean(&comparison.b)),
        quoted(&clean(spot))
    );
    Ok(Section::new(
        "data",
        "The raw numbers",
        vec![
            Block::Text(format!(
                "The {count} that this report rests on, a row a channel, with powers and noise in linear units: a spreadsheet \
                 reads them, and {} and {} can be compared again from them.",
                names.a, names.b
            )),
            Block::Download(Download {
                file: FILE.to_owned(),
                media_type: "text/csv",
                label: format!("{FILE}, {long}"),
                bytes,
            }),
            Block::Command(again),
        ],
    ))
}
