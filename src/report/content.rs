//! What a report is made from.

use jiff::Timestamp;

use super::block::Section;
use super::words::Names;
use super::{ReportError, sections};
use crate::compare::Comparison;
use crate::draw::Svg;
use crate::reading::Take;

/// A comparison with the takes that it rests on.
#[derive(Debug, Clone)]
pub struct Compared {
    /// The comparison.
    pub comparison: Comparison,
    /// A's takes, as they were compared.
    pub takes_a: Vec<Take>,
    /// B's takes, as they were compared.
    pub takes_b: Vec<Take>,
    /// The spectra of both, where takes have them.
    pub spectrum: Option<Svg>,
    /// What is to be known of the choice of takes: sentences, such as which were left out.
    pub remarks: Vec<String>,
}

/// All that a report is made from.
#[derive(Debug, Clone)]
pub struct Content {
    /// Its title; `None` for one made from the antennas' names.
    pub title: Option<String>,
    /// Who measured, where they want to be named.
    pub by: Option<String>,
    /// When the report was made.
    pub made_at: Timestamp,
    /// A against B.
    pub compared: Compared,
    /// Further results, in order: they stand after the comparison's own tables.
    pub further: Vec<Section>,
}

impl Compared {
    /// The takes of both, in order of time.
    pub fn takes(&self) -> Vec<&Take> {
        let mut takes: Vec<&Take> = self.takes_a.iter().chain(&self.takes_b).collect();
        takes.sort_by_key(|take| (take.taken_at, take.id));
        takes
    }
}

impl Content {
    /// The title: the one given, or the two antennas.
    pub fn title(&self) -> String {
        let given = self.title.as_deref().map(crate::draw::clean);
        given.filter(|title| !title.is_empty()).unwrap_or_else(|| {
            let names = Names::of(&self.compared.comparison);
            format!("{} against {}", names.a, names.b)
        })
    }

    /// Whether any of it was invented or simulated: a scene was played, or a note or a source says so.
    pub fn invented(&self) -> bool {
        self.compared.takes().into_iter().any(is_invented)
    }

    /// The sections, in the order in which they are read.
    ///
    /// # Errors
    /// Where a figure can't be drawn or the takes not be written as CSV.
    pub fn sections(&self) -> Result<Vec<Section>, ReportError> {
        sections::all(self)
    }
}

/// A scene is a TOML file; what is made from one says so in its note.
fn is_invented(take: &Take) -> bool {
    let says = |text: &str| {
        let text = text.to_lowercase();
        text.contains("invented") || text.contains("simulated")
    };
    take.source.to_lowercase().ends_with(".toml") || says(&take.source) || says(&take.note)
}
