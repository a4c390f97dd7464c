//! The raw numbers, to download and to compare again.

use super::super::block::{Block, Download, Section};
use super::super::words::{Names, counted, list, quoted, size};
use super::super::{Content, ReportError};
use crate::draw::clean;
use crate::logbook::transfer::export_csv;

/// A longer file would make the report unwieldy.
const LARGEST: usize = 6_000_000;
const FILE: &str = "gainsay-takes.csv";

pub(super) fn section(content: &Content, names: &Names) -> Result<Section, ReportError> {
    let mut takes = content.by_time();
    takes.extend(&content.further_takes);
    let mut bytes = Vec::new();
    export_csv(takes.iter().map(|take| Ok((*take).clone())), &mut bytes)?;
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
    let antennas = content.takes.iter().filter_map(|takes| takes.first());
    let mut again: Vec<String> = antennas.map(|take| quoted(&clean(&take.antenna))).collect();
    if let Some(spot) = &names.spot {
        again.push(format!("--spot {}", quoted(spot)));
    }
    if let Some(many) = &content.several {
        again.push(format!("--reference {}", quoted(&clean(&many.reference))));
        again.extend(many.all_pairs.then(|| "--all-pairs".to_owned()));
    }
    let again = format!(
        "gainsay log import {FILE} --log other.sqlite\ngainsay compare {} --log other.sqlite",
        again.join(" ")
    );
    Ok(Section::new(
        "data",
        "The raw numbers",
        vec![
            Block::Text(format!(
                "The {count} that this report rests on, a row a channel, with powers and noise in linear units: a spreadsheet \
                 reads them, and {} can be compared again from them.",
                list(&names.all)
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
