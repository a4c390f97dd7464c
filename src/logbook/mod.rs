//! Takes kept in one SQLite file.
//!
//! A take is appended in one transaction and is on the disk when [`Logbook::append`] returns: a program killed, or a
//! power cut, at any moment loses at most the take under way. Deleted takes stay, hidden, until [`Logbook::purge`].
//! The file's schema has a version; an older file is brought up to date when it is opened, a newer one is refused.
//!
//! Numbers come back as they were, bit for bit, infinite degrees of freedom included (only −0 becomes 0); a take with
//! NaN in it is refused. Spectra, which are for drawing, are kept in hundredths of a decibel within ±327.67.
//!
//! [`transfer`] has the formats for export and import. Source of the durability claims: SQLite, "Write-Ahead Logging"
//! and "PRAGMA synchronous".

mod check;
mod columns;
mod error;
mod fingerprint;
mod names;
mod open;
mod place;
mod rows;
mod schema;
mod store;
pub mod transfer;

use std::path::{Path, PathBuf};
use std::time::Duration;

use jiff::Timestamp;
use rusqlite::Connection;
use serde::Serialize;

pub use error::LogbookError;
pub use place::{PATH_VARIABLE, default_path, resolve};

use crate::reading::{Bearing, Position, State};
use open::Need;

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
    /// Where in the room, where stated.
    pub position: Option<Position>,
    /// Where it was turned to, in a rotation.
    pub bearing: Option<Bearing>,
    /// What a television's scan found, where noted.
    pub scan_count: Option<u32>,
    /// How many channels it has.
    pub channels: usize,
    /// How many channels stand in each state, in the order of [`State::ALL`]; the rest of them were not measured.
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

/// The name of an antenna or a spot, and how many takes bear it (deleted ones not counted).
#[derive(Debug, Clone, PartialEq, Eq, Serialize)]
pub struct Named {
    /// The name.
    pub name: String,
    /// How many takes.
    pub takes: usize,
}

/// What an import did.
#[derive(Debug, Clone, Copy, Default, PartialEq, Eq, Serialize)]
pub struct Imported {
    /// Takes that were new and are kept now.
    pub new: usize,
    /// Takes that were there already and were passed over.
    pub known: usize,
    /// How many of the known ones are deleted here.
    pub deleted: usize,
}

/// A logbook that is open.
#[derive(Debug)]
pub struct Logbook {
    path: PathBuf,
    connection: Connection,
}

/// How long to wait while another program writes.
const PATIENCE: Duration = Duration::from_secs(5);

impl Logbook {
    /// Opens the logbook at `path`, making it (and its folder) where there is none, and brings it up to date.
    ///
    /// # Errors
    /// What can't be used as a logbook is refused and not touched: a folder, a file of another kind or program, one
    /// with a newer schema, a damaged one, one that can't be written to, one that another program holds for more than
    /// 5 s.
    pub fn open(path: &Path) -> Result<Logbook, LogbookError> {
        Logbook::open_waiting(path, PATIENCE)
    }

    /// As [`Logbook::open`], but waits for another program for `patience`, here and in all that follows.
    ///
    /// # Errors
    /// As [`Logbook::open`].
    pub fn open_waiting(path: &Path, patience: Duration) -> Result<Logbook, LogbookError> {
        let (path, connection) = open::open(path, Need::Write, patience)?;
        Ok(Logbook { path, connection })
    }

    /// Opens a logbook that is there already, and never makes one. Where it can't be written to it can still be read.
    ///
    /// # Errors
    /// [`LogbookError::Absent`] where there is no file; else as [`Logbook::open`], except for files and folders that
    /// can be read only.
    pub fn open_existing(path: &Path) -> Result<Logbook, LogbookError> {
        let (path, connection) = open::open(path, Need::Read, PATIENCE)?;
        Ok(Logbook { path, connection })
    }

    /// Where it is, as an absolute path.
    pub fn path(&self) -> &Path {
        &self.path
    }

    fn fault(&self, error: rusqlite::Error) -> LogbookError {
        LogbookError::from_sqlite(&self.path, error)
    }
}
