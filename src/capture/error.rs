//! What can be wrong with a source of samples.

use std::io;
use std::path::Path;

use super::dongle::DongleError;

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
    /// A dongle that failed, or a tuning of it.
    #[error(transparent)]
    Dongle(#[from] DongleError),
}

impl CaptureError {
    /// Whether it is one tuning's alone, so that the source can go on with the next.
    pub fn is_of_one_tuning(&self) -> bool {
        matches!(self, CaptureError::Dongle(error) if !error.ends_it())
    }

    /// A file that can't be used, with the problem in words.
    pub(super) fn unreadable(path: &Path, problem: impl Into<String>) -> Self {
        CaptureError::Unreadable {
            path: path.display().to_string(),
            problem: problem.into(),
        }
    }

    /// A file that the system would not open or read, with what to do.
    pub(super) fn io(path: &Path, error: &io::Error) -> Self {
        let problem = match error.kind() {
            io::ErrorKind::NotFound => "there is no such file; check the name".into(),
            io::ErrorKind::PermissionDenied => {
                "may not be read; check the file's permissions".into()
            }
            io::ErrorKind::IsADirectory => "is a folder; name the recording in it".into(),
            _ => format!("can't be read: {error}"),
        };
        CaptureError::unreadable(path, problem)
    }
}
