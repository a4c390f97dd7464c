//! Takes kept in one SQLite file.

use std::path::{Path, PathBuf};

use jiff::Timestamp;
use serde::Serialize;

use crate::reading::{State, Take};

/// A take without its readings: what a list shows.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct Entry {
    /// Number of the take.
    pub id: i64,
    /// The antenna's name.
    pub antenna: String,
    /// The spot's name.
    pub spot: String,
    /// The plan's name.
    pub plan: String,
    /// When it was taken.
    pub taken_at: Timestamp,
    /// Where the samples came from.
    pub source: String,
    /// Free text.
    pub note: String,
    /// How many channels stand in each state, in the order of [`State::ALL`].
    pub states: [usize; State::ALL.len()],
    /// When it was deleted, where it was (it stays recoverable until a purge).
    pub deleted_at: Option<Timestamp>,
}

/// Which takes to list or load.
#[derive(Debug, Clone, Default, PartialEq)]
pub struct Filter {
    /// Only this antenna.
    pub antenna: Option<String>,
    /// Only this spot.
    pub spot: Option<String>,
    /// Deleted takes too.
    pub deleted: bool,
}

/// A logbook that is open.
#[derive(Debug)]
pub struct Logbook {
    path: PathBuf,
}

/// What can be wrong with a logbook.
#[derive(Debug, thiserror::Error)]
pub enum LogbookError {
    /// The file can't be used; the message says why and what to do.
    #[error("{path}: {problem}")]
    Unusable {
        /// The file.
        path: String,
        /// What is wrong and what to do.
        problem: String,
    },
}

impl Logbook {
    /// Opens the logbook at `path`, making it (and its folder) where there is none, and brings it up to date.
    ///
    /// # Errors
    /// [`LogbookError`].
    pub fn open(path: &Path) -> Result<Logbook, LogbookError> {
        Ok(Logbook {
            path: path.to_owned(),
        })
    }

    /// Where it is.
    pub fn path(&self) -> &Path {
        &self.path
    }

    /// Keeps a take in one transaction and returns its number.
    ///
    /// # Errors
    /// [`LogbookError`].
    pub fn append(&mut self, take: &Take) -> Result<i64, LogbookError> {
        let _ = take;
        todo!()
    }

    /// The takes that match, oldest first, without their readings.
    ///
    /// # Errors
    /// [`LogbookError`].
    pub fn list(&self, filter: &Filter) -> Result<Vec<Entry>, LogbookError> {
        let _ = filter;
        todo!()
    }

    /// The takes that match, oldest first, with readings, without spectra.
    ///
    /// # Errors
    /// [`LogbookError`].
    pub fn load(&self, filter: &Filter) -> Result<Vec<Take>, LogbookError> {
        let _ = filter;
        todo!()
    }

    /// One take, whole.
    ///
    /// # Errors
    /// [`LogbookError`].
    pub fn take(&self, id: i64) -> Result<Take, LogbookError> {
        let _ = id;
        todo!()
    }
}
