//! What can be wrong with a source of samples.

/// What can be wrong with a source of samples; each message names the source, what was found and what to do.
#[derive(Debug, thiserror::Error)]
pub enum CaptureError {
    /// A file that can't be opened or read.
    #[error("{path}: {problem}")]
    Unreadable {
        /// The file.
        path: String,
        /// What is wrong and what to do.
        problem: String,
    },
    /// A field of a recording's metadata or of a scene that can't be used.
    #[error("{path}: {field}: {problem}")]
    Field {
        /// The file, or the scene's name.
        path: String,
        /// The field at fault.
        field: String,
        /// What was found, what was expected, and what to do.
        problem: String,
    },
    /// A file that can't be written.
    #[error("{path}: {problem}")]
    Unwritable {
        /// The file.
        path: String,
        /// What is wrong and what to do.
        problem: String,
    },
}
