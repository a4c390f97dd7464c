//! Takes out of a logbook and into another, as JSON or CSV.
//!
//! Both use the names under which a take is printed, and both can be imported again
//! ([`Logbook::import_json`](super::Logbook::import_json), [`Logbook::import_csv`](super::Logbook::import_csv)).
//! Deleted takes keep no trace of their deletion in an export: leave them out.
//!
//! # JSON
//!
//! One object: `format` is [`FORMAT`], `version` is [`VERSION`], `takes` is a list. It keeps everything. A take has
//!
//! - `take` (its number), `antenna`, `spot`, `plan`, `taken_at` (RFC 3339), `source`, `terminated`, `note`;
//! - `sample_rate_hz`, `dwell_s`, `gains_db` (pairs of centre in Hz and gain in dB);
//! - `channels`, a list; each has the fields of a [`Reading`](crate::reading::Reading) and, computed from them,
//!   `power_dbfs`, `noise_dbfs`, `signal_dbfs`, `signal_upper_dbfs`, `cn_db`, `margin_db` (`null` where there is none);
//! - `spectrum`, a [`Trace`](crate::reading::Trace) or `null`.
//!
//! Infinite degrees of freedom are `null`. An import doesn't read what is computed.
//!
//! # CSV
//!
//! RFC 4180 with a header; one row a reading, the take's columns repeated ([`COLUMNS`]). It keeps everything but the
//! spectrum. An empty cell is what JSON calls `null`; `gains_db`, `health` and `parts` hold JSON (`parts` is empty where
//! the one part is the whole channel); infinite degrees of freedom are `inf`. `reading` counts the rows of a take from
//! 1: an import starts a new take where it doesn't rise or the take's columns differ. A take without channels is one row
//! with `reading` 0 and empty cells after it. Columns may stand in any order; unknown ones are passed over, and so are
//! the computed ones.

mod csv;
mod json;

pub use csv::{COLUMNS, export_csv};
pub use json::{FORMAT, VERSION, as_json, export_json};

pub(super) use csv::read_csv;
pub(super) use json::read_json;

use super::LogbookError;
use super::error::one_line;

/// An import that stops at `place` of `file`.
fn stopped(file: &str, place: impl Into<String>, problem: impl ToString) -> LogbookError {
    LogbookError::Import {
        file: one_line(file),
        place: place.into(),
        problem: one_line(problem),
    }
}
