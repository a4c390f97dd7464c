//! What can go wrong with a report.

use std::path::Path;

use crate::draw::DrawError;
use crate::logbook::LogbookError;

/// What can go wrong with a report.
#[derive(Debug, thiserror::Error)]
pub enum ReportError {
    /// The file's ending is not the format's.
    #[error("{path}: the name must end in {wanted}")]
    Ending {
        /// The file asked for.
        path: String,
        /// The endings that it may have.
        wanted: &'static str,
    },
    /// The file can't be written.
    #[error("{path}: the report can't be written: {source}")]
    Write {
        /// The file asked for.
        path: String,
        /// What the system says.
        source: std::io::Error,
    },
    /// A figure can't be drawn, or its picture not be written.
    #[error(transparent)]
    Draw(#[from] DrawError),
    /// The takes can't be written as CSV.
    #[error("the takes of the report can't be written as CSV: {0}")]
    Export(#[from] LogbookError),
}

impl ReportError {
    /// The system's refusal to write this file.
    pub(super) fn write(path: &Path, source: std::io::Error) -> Self {
        ReportError::Write {
            path: path.display().to_string(),
            source,
        }
    }
}
