//! With what the report was made, and what it doesn't tell.

use super::super::Content;
use super::super::block::{Block, Section};
use super::super::words::{clock, day};

pub(super) fn section(content: &Content) -> Section {
    let not = [
        "Field strength and absolute power: levels are relative to the receiver's full scale at its gain.",
        "The gain that a data sheet would give: this is A over B at one spot, in one room, towards these stations.",
        "Other spots, directions, heights, days and weathers.",
        "What a certain television decodes: thresholds are assumed.",
        "Polarisation, impedance match, and the cable by itself.",
    ];
    Section::new(
        "about",
        "What was not measured",
        vec![
            Block::Sentences(not.map(str::to_owned).to_vec()),
            Block::Text(made_with(content)),
        ],
    )
}

/// `Made with gainsay 0.1.0 on 9 May 2026, 10:00 UTC.`
pub(in crate::report) fn made_with(content: &Content) -> String {
    format!(
        "Made with gainsay {} on {}, {} UTC.",
        env!("CARGO_PKG_VERSION"),
        day(content.made_at),
        clock(content.made_at)
    )
}
