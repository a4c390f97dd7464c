//! The sections of a report, a file each, in the order in which they are read.

mod about;
mod answer;
mod budget;
mod cautions;
mod channels;
mod data;
mod facts;
mod figures;
mod merit;
mod method;
mod places;
mod scans;
mod turned;

pub use places::spots;
pub use scans::scans;
pub use turned::rotations;

pub(super) use about::made_with;
pub(super) use answer::{answer_in_words, to_bear_in_mind};
pub(super) use cautions::IN_ONE_LINE;
pub(super) use channels::{difference_table, reasons};
pub(super) use facts::where_and_when;
pub(super) use merit::{channels as merit_channels, table as merit_table};
pub(super) use method::in_two_sentences;

use super::block::Section;
use super::{Content, ReportError};

/// All sections.
pub(super) fn all(content: &Content) -> Result<Vec<Section>, ReportError> {
    let names = content.names();
    let mut sections = vec![
        facts::section(content, &names),
        answer::section(content, &names),
    ];
    sections.extend(figures::section(content)?);
    sections.extend(channels::section(content, &names));
    sections.extend(content.further.iter().cloned());
    sections.extend(budget::section(content, &names));
    sections.push(method::section(content));
    sections.push(data::section(content, &names)?);
    sections.push(cautions::section());
    sections.push(about::section(content));
    Ok(sections)
}
