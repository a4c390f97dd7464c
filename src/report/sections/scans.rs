//! What a television's scan said, beside what was measured.

use super::super::block::{Block, Cell, Section, Set, Table};
use super::super::words::{name, tidy};
use crate::compare::{Comparison, ScanComparison};
use crate::reading::scan::ScanCheck;

/// A section on the scan counts that were noted with the takes.
pub fn scans(scans: &ScanComparison, comparison: &Comparison) -> Section {
    let sides = [(&comparison.a, &scans.a), (&comparison.b, &scans.b)];
    let row = |(antenna, scan): (&String, &ScanCheck)| {
        vec![
            Cell::new(name(antenna)),
            Cell::new(scan.count.to_string()),
            Cell::new(scan.surely.to_string()),
            Cell::new(scan.possibly.to_string()),
            Cell::new(scan.shown.to_string()),
        ]
    };
    let rows = sides
        .into_iter()
        .filter_map(|(antenna, scan)| Some((antenna, scan.as_ref()?)));
    let table = Table {
        caption: "What a scan found, and on how many channels a set should find something by the measurement".to_owned(),
        head: vec![
            (Cell::new("Antenna"), Set::Words),
            (Cell::new("Scan found"), Set::Number),
            (Cell::with("Surely", "firm"), Set::Number),
            (Cell::with("At most", "with the doubtful"), Set::Number),
            (Cell::with("Show a signal", "too weak ones too"), Set::Number),
        ],
        rows: rows.map(row).collect(),
    };
    Section::new(
        "scan",
        "What a scan found",
        vec![
            Block::Sentences(tidy(&scans.sentences)),
            Block::Table(table),
        ],
    )
}
