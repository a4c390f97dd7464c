//! What a report is made from.

use jiff::Timestamp;

use super::block::Section;
use super::words::{Names, counted, name};
use super::{ReportError, sections};
use crate::compare::{Comparison, ManyComparison};
use crate::draw::{Svg, clean};
use crate::reading::Take;

/// Two antennas against each other.
#[derive(Debug, Clone)]
pub struct Compared {
    /// The comparison.
    pub comparison: Comparison,
    /// The spectra of both, where takes have them.
    pub spectrum: Option<Svg>,
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
    /// The takes as they were compared, antenna by antenna; of two, A's and B's.
    pub takes: Vec<Vec<Take>>,
    /// A against B; of several antennas each against the reference.
    pub compared: Vec<Compared>,
    /// All of them together, where there are more than two.
    pub several: Option<ManyComparison>,
    /// What is to be known of the choice of takes: sentences, such as which were left out.
    pub remarks: Vec<String>,
    /// Further results, in order: they stand after the comparison's own tables.
    pub further: Vec<Section>,
    /// The takes that these rest on, where they are others: they go into the file to download too.
    pub further_takes: Vec<Take>,
}

impl Content {
    /// Of two antennas, with the takes that the comparison rests on.
    pub fn of_two(
        comparison: Comparison,
        takes_a: Vec<Take>,
        takes_b: Vec<Take>,
        made_at: Timestamp,
    ) -> Content {
        Content {
            title: None,
            by: None,
            made_at,
            takes: vec![takes_a, takes_b],
            compared: vec![Compared {
                comparison,
                spectrum: None,
            }],
            several: None,
            remarks: Vec::new(),
            further: Vec::new(),
            further_takes: Vec::new(),
        }
    }

    /// Of several antennas, with the takes that the comparison rests on, antenna by antenna.
    pub fn of_several(many: ManyComparison, takes: Vec<Vec<Take>>, made_at: Timestamp) -> Content {
        let against = (many.merits.iter()).filter_map(|merit| many.with_reference(&merit.antenna));
        let compared = against.map(|comparison| Compared {
            comparison: comparison.clone(),
            spectrum: None,
        });
        Content {
            title: None,
            by: None,
            made_at,
            takes,
            compared: compared.collect(),
            several: Some(many),
            remarks: Vec::new(),
            further: Vec::new(),
            further_takes: Vec::new(),
        }
    }

    /// The title: the one given, or what is compared.
    pub fn title(&self) -> String {
        let given = self.title.as_deref().map(clean);
        given.filter(|title| !title.is_empty()).unwrap_or_else(|| {
            match (&self.several, self.names().all.as_slice()) {
                (Some(many), all) => format!(
                    "{} against {}",
                    counted(all.len().saturating_sub(1), "antenna"),
                    name(&many.reference)
                ),
                (None, [a, b, ..]) => format!("{a} against {b}"),
                (None, _) => "A measurement".to_owned(),
            }
        })
    }

    /// Whether any of it was invented or simulated: a scene was played, or a note or a source says so.
    pub fn invented(&self) -> bool {
        self.all_takes().any(is_invented)
    }

    /// The sections, in the order in which they are read.
    ///
    /// # Errors
    /// Where a figure can't be drawn or the takes not be written as CSV.
    pub fn sections(&self) -> Result<Vec<Section>, ReportError> {
        sections::all(self)
    }

    /// All takes, those that further sections rest on too.
    pub fn all_takes(&self) -> impl Iterator<Item = &Take> {
        self.takes.iter().flatten().chain(&self.further_takes)
    }

    /// The takes compared, in order of time.
    pub(super) fn by_time(&self) -> Vec<&Take> {
        let mut takes: Vec<&Take> = self.takes.iter().flatten().collect();
        takes.sort_by_key(|take| (take.taken_at, take.id));
        takes
    }

    pub(super) fn names(&self) -> Names {
        let antennas = self.takes.iter().filter_map(|takes| takes.first());
        let spot = (self.takes.iter().flatten())
            .map(|take| take.spot.as_str())
            .find(|spot| !spot.is_empty());
        Names::of(antennas.map(|take| take.antenna.as_str()), spot)
    }

    /// The first comparison: the only one of two antennas.
    pub(super) fn first(&self) -> Option<&Comparison> {
        self.compared.first().map(|one| &one.comparison)
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
