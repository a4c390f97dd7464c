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
//! - the receiver's frequency error, `ppm` with `ppm_low`, `ppm_high`, `ppm_pilots` and `ppm_agreement` (all `null` where
//!   no pilot tells it), and `outlying_pilots`, a list of [`OutlyingStation`];
//! - `position` (`x_m`, `y_m`, `height_m`), `bearing` (`degrees` clockwise, `from`) and `scan_count`, each or `null`;
//! - `tunings`, a list of [`TuningReading`](crate::reading::TuningReading), and `gain_check`, a
//!   [`GainCheck`](crate::reading::GainCheck) or `null`;
//! - `channels`, a list; each has the fields of a [`Reading`](crate::reading::Reading) and, computed from them,
//!   `power_dbfs`, `noise_dbfs`, `signal_dbfs`, `signal_upper_dbfs`, `cn_db`, `margin_db` (`null` where there is none);
//! - `spectrum`, a [`Trace`](crate::reading::Trace) or `null`.
//!
//! Infinite degrees of freedom are `null`. An import doesn't read what is computed. Version 1 had no frequency error,
//! tunings and gain check, and no `pilot`, `identity`, `shape`, `echo` and `path` in a channel: an import takes it too, and
//! a program that knows version 1 alone refuses version 2, of which it would lose these. Version 2 had no position, bearing
//! and scan count.
//!
//! # CSV
//!
//! RFC 4180 with a header; one row a reading, the take's columns repeated ([`COLUMNS`]). It keeps everything but the
//! spectrum, `tunings` and `gain_check`. An empty cell is what JSON calls `null`; `gains_db`, `health`, `parts`,
//! `identity_standards` and `outlying_pilots` hold JSON (`parts` is empty where the one part is the whole channel); infinite degrees of freedom are `inf`. `identity` is the `kind` of JSON's, `pilot_found` says
//! whether a pilot was found where one was looked for. `reading` counts the rows of a take from 1: an import starts a new
//! take where it doesn't rise or the take's columns differ. A take without channels is one row with `reading` 0 and empty
//! cells in place of a channel's. Columns may stand in any order; unknown ones are passed over, and so are the computed
//! ones. An export of an older program lacks all columns from `pilot_offset_hz` on, or all from `x_m` on, and an older program
//! passes over them.

mod csv;
mod json;

pub use csv::{COLUMNS, export_csv};
pub use json::{FORMAT, VERSION, as_json, export_json};

pub(super) use csv::read_csv;
pub(super) use json::read_json;

use super::error::one_line;
use super::{LogbookError, check};
use crate::reading::pilot::Agreement;
use crate::reading::{FrequencyReading, OutlyingStation};

/// An import that stops at `place` of `file`.
fn stopped(file: &str, place: impl Into<String>, problem: impl ToString) -> LogbookError {
    LogbookError::Import {
        file: one_line(file),
        place: place.into(),
        problem: one_line(problem),
    }
}

/// A take's frequency error as the fields of an export have it (`ppm`, `ppm_low`, `ppm_high`): all are there, or none.
fn frequency_error(
    ppm: [Option<f64>; 3],
    pilots: Option<usize>,
    agreement: Option<Agreement>,
    outlying: Vec<OutlyingStation>,
) -> Result<Option<FrequencyReading>, check::Fault> {
    match (ppm, pilots, agreement) {
        ([Some(ppm), Some(low_ppm), Some(high_ppm)], Some(pilots), Some(agreement)) => {
            Ok(Some(FrequencyReading {
                ppm,
                low_ppm,
                high_ppm,
                pilots,
                agreement,
                outlying,
            }))
        }
        ([None, None, None], None, None) if outlying.is_empty() => Ok(None),
        _ => Err((
            "ppm".into(),
            "ppm, ppm_low, ppm_high, ppm_pilots and ppm_agreement must all be there, or none of them and no \
             outlying_pilots"
                .into(),
        )),
    }
}
