//! What can go wrong with a logbook, each in one line that names the file and says what to do.

use std::path::Path;

use rusqlite::ErrorCode;

/// What can be wrong with a logbook, or with what is asked of it.
#[derive(Debug, thiserror::Error)]
#[non_exhaustive]
pub enum LogbookError {
    /// The file can't be used; the message says why and what to do.
    #[error("{path}: {problem}")]
    Unusable {
        /// The file.
        path: String,
        /// What is wrong and what to do.
        problem: String,
    },
    /// There is no file.
    #[error("no logbook at {path} yet: gainsay take makes one")]
    Absent {
        /// Where it would be.
        path: String,
    },
    /// A later version of the program wrote the file.
    #[error(
        "{path}: this logbook has schema version {found}, and this gainsay knows versions up to {known}: use the newer \
         gainsay that wrote it, or another logbook"
    )]
    NewerSchema {
        /// The file.
        path: String,
        /// Version of the file.
        found: i64,
        /// Latest version that this program knows.
        known: i64,
    },
    /// No room to write.
    #[error(
        "{path}: the disk is full: free some space and try again; nothing already kept is lost"
    )]
    DiskFull {
        /// The file.
        path: String,
    },
    /// Another program holds the file.
    #[error(
        "{path}: another program is writing to this logbook: wait until it has finished and try again"
    )]
    Busy {
        /// The file.
        path: String,
    },
    /// The file can be read but not written.
    #[error(
        "{path}: this logbook can't be written to: make the file and its folder writable, or use another logbook"
    )]
    ReadOnly {
        /// The file.
        path: String,
    },
    /// No take has this number.
    #[error("{path}: there is no take {id}: {known}")]
    NoTake {
        /// The file.
        path: String,
        /// The number asked for.
        id: i64,
        /// Which numbers there are, in words.
        known: String,
    },
    /// No take bears this name.
    #[error("{path}: no take with {what} {name:?}: {hint}")]
    UnknownName {
        /// The file.
        path: String,
        /// `antenna` or `spot`.
        what: &'static str,
        /// The name asked for.
        name: String,
        /// The nearest name, or the names there are.
        hint: String,
    },
    /// The take to delete is deleted.
    #[error("{path}: take {id} is deleted already, and can be restored until a purge")]
    AlreadyDeleted {
        /// The file.
        path: String,
        /// Its number.
        id: i64,
    },
    /// The take to restore is not deleted.
    #[error("{path}: take {id} is not deleted: there is nothing to restore")]
    NotDeleted {
        /// The file.
        path: String,
        /// Its number.
        id: i64,
    },
    /// A take that makes no sense, or that couldn't be given back as it was: it is not kept.
    #[error("the take can't be kept: {place}: {problem}")]
    BadTake {
        /// The field, with its channel.
        place: String,
        /// What is wrong with it.
        problem: String,
    },
    /// A file to import that can't be read or understood. The logbook is as it was.
    #[error("{file}, {place}: {problem}; nothing was imported")]
    Import {
        /// The file.
        file: String,
        /// Where in it: line and field.
        place: String,
        /// What is wrong there.
        problem: String,
    },
    /// The export can't be written.
    #[error("the export can't be written: {0}")]
    Export(#[source] std::io::Error),
    /// No home folder, so no default place.
    #[error(
        "there is no home folder to keep the logbook in: name a file with --log or in GAINSAY_LOG"
    )]
    NoHome,
}

/// Keeps a message on one line, whatever the texts that went into it.
pub(super) fn one_line(text: impl ToString) -> String {
    let text = text.to_string();
    if text.contains(char::is_control) {
        text.chars()
            .flat_map(|c| {
                if c.is_control() {
                    c.escape_default().collect()
                } else {
                    vec![c]
                }
            })
            .collect()
    } else {
        text
    }
}

impl LogbookError {
    pub(super) fn unusable(path: &Path, problem: impl Into<String>) -> Self {
        LogbookError::Unusable {
            path: one_line(path.display()),
            problem: problem.into(),
        }
    }

    /// Says in the user's words what SQLite said in its own.
    pub(super) fn from_sqlite(path: &Path, error: rusqlite::Error) -> Self {
        let name = one_line(path.display());
        if let rusqlite::Error::ToSqlConversionFailure(problem) = &error {
            return LogbookError::BadTake {
                place: "details".into(),
                problem: one_line(problem),
            };
        }
        let Some(code) = error.sqlite_error().copied() else {
            return LogbookError::unusable(
                path,
                format!("holds something unexpected: {}", one_line(error)),
            );
        };
        match code.code {
            // Written-ahead takes are found through a small file, for which there is no room either.
            _ if code.extended_code == rusqlite::ffi::SQLITE_IOERR_SHMSIZE => {
                LogbookError::DiskFull { path: name }
            }
            ErrorCode::DiskFull => LogbookError::DiskFull { path: name },
            ErrorCode::DatabaseBusy
            | ErrorCode::DatabaseLocked
            | ErrorCode::FileLockingProtocolFailed => LogbookError::Busy { path: name },
            ErrorCode::ReadOnly => LogbookError::ReadOnly { path: name },
            ErrorCode::NotADatabase => {
                LogbookError::unusable(path, "is no logbook (no SQLite file): name another file")
            }
            ErrorCode::DatabaseCorrupt => LogbookError::unusable(
                path,
                "is damaged: keep a copy of it and of the -wal file beside it, and go on with a backup or another logbook",
            ),
            ErrorCode::CannotOpen => LogbookError::unusable(
                path,
                "can't be opened: check that the folder and the file may be read and written",
            ),
            ErrorCode::PermissionDenied => {
                LogbookError::unusable(path, "no permission to use this file")
            }
            ErrorCode::SystemIoFailure => LogbookError::unusable(
                path,
                format!(
                    "can't be read or written (input/output error {}): the disk may be full, failing or unplugged; free \
                     some space and try again; nothing already kept is lost",
                    code.extended_code
                ),
            ),
            _ => LogbookError::unusable(path, one_line(error)),
        }
    }
}
