//! What can go wrong with a figure.

/// What can go wrong with a figure.
#[derive(Debug, thiserror::Error)]
pub enum DrawError {
    /// The file's ending names no format that can be written.
    #[error("{path}: a plot's name must end in .svg or .png")]
    Ending {
        /// The file asked for.
        path: String,
    },
    /// The file can't be written.
    #[error("{path}: the plot can't be written: {source}")]
    Write {
        /// The file asked for.
        path: String,
        /// What the system says.
        source: std::io::Error,
    },
    /// The figure can't be drawn; a fault of the program, not of its input.
    #[error("the plot can't be drawn: {problem}")]
    Render {
        /// What the drawing library says.
        problem: String,
    },
}

impl DrawError {
    /// A fault of the drawing library.
    pub(super) fn render(problem: impl std::fmt::Display) -> Self {
        DrawError::Render {
            problem: problem.to_string(),
        }
    }
}
