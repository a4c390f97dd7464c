//! A take as rows of the tables.

use jiff::Timestamp;
use rusqlite::types::Type;
use rusqlite::{Connection, OptionalExtension, Row, ToSql, params};
use serde::de::DeserializeOwned;

use super::columns::{self, Reader, lossless_json};
use crate::reading::{Bearing, Position, Settings, State, Take, Trace};

const INSERT: &str = "INSERT INTO takes (antenna, spot, taken_at, source, terminated, plan, sample_rate_hz, dwell_s, \
                      gains_db, note, readings, vacant, trace, brink, firm, fingerprint, frequency_error, \
                      x_m, y_m, height_m, bearing_deg, bearing_from, scan_count) \
                      VALUES (?1, ?2, ?3, ?4, ?5, ?6, ?7, ?8, ?9, ?10, ?11, ?12, ?13, ?14, ?15, ?16, ?17, ?18, ?19, ?20, \
                      ?21, ?22, ?23)";

/// Writes a take with all that belongs to it; the caller has the transaction.
pub(super) fn insert(
    connection: &Connection,
    take: &Take,
    print: &[u8; 32],
) -> rusqlite::Result<i64> {
    // Every field by name: a new one that isn't kept doesn't compile.
    let Take {
        id: _,
        antenna,
        spot,
        taken_at,
        source,
        terminated,
        settings,
        note,
        position,
        bearing,
        scan_count,
        readings,
        spectrum,
        frequency_error,
        tunings,
        gain_check,
    } = take;
    let Settings {
        plan,
        sample_rate_hz,
        dwell_s,
        gains_db,
    } = settings;
    let [vacant, trace, brink, firm] = State::ALL.map(|state| {
        readings
            .iter()
            .filter(|reading| reading.state == Some(state))
            .count() as i64
    });
    connection.prepare_cached(INSERT)?.execute(params![
        antenna,
        spot,
        sortable(*taken_at),
        source,
        terminated,
        plan,
        sample_rate_hz,
        dwell_s,
        lossless_json(gains_db)?,
        note,
        readings.len() as i64,
        vacant,
        trace,
        brink,
        firm,
        print,
        frequency_error.as_ref().map(lossless_json).transpose()?,
        position.map(|position| position.x_m),
        position.map(|position| position.y_m),
        position.and_then(|position| position.height_m),
        bearing.as_ref().map(|bearing| bearing.degrees),
        bearing.as_ref().map(|bearing| &bearing.from),
        scan_count,
    ])?;
    let id = connection.last_insert_rowid();
    let mut statement = connection.prepare_cached(columns::INSERT)?;
    for (seq, reading) in readings.iter().enumerate() {
        columns::bind(&mut statement, id, seq, reading)?;
    }
    if let Some(trace) = spectrum {
        connection
            .prepare_cached(
                "INSERT INTO spectra (take_id, first_hz, step_hz, density) VALUES (?1, ?2, ?3, ?4)",
            )?
            .execute(params![
                id,
                trace.first_hz,
                trace.step_hz,
                columns::pack(trace)
            ])?;
    }
    if !tunings.is_empty() || gain_check.is_some() {
        connection
            .prepare_cached(
                "INSERT INTO receivers (take_id, tunings, gain_check) VALUES (?1, ?2, ?3)",
            )?
            .execute(params![
                id,
                lossless_json(tunings)?,
                gain_check.as_ref().map(lossless_json).transpose()?,
            ])?;
    }
    Ok(id)
}

/// The takes that match without readings, spectrum and the receiver's health: each with its number and how many readings it has.
pub(super) fn heads(
    connection: &Connection,
    which: &str,
    parameters: &[&dyn ToSql],
) -> rusqlite::Result<Vec<(i64, usize, Take)>> {
    let sql = format!(
        "SELECT id, antenna, spot, taken_at, source, terminated, plan, sample_rate_hz, dwell_s, gains_db, note, \
         readings, frequency_error, {PLACED} FROM takes {which}"
    );
    let mut statement = connection.prepare_cached(&sql)?;
    // Takes of one trial share their gains: the last text is not parsed again.
    let mut gains = (String::new(), Vec::new());
    let head = |row: &Row<'_>| {
        let id = row.get(0)?;
        let text = row.get_ref(9)?.as_str()?;
        if gains.0 != text {
            gains = (text.to_owned(), json(row, 9)?.unwrap_or_default());
        }
        let take = Take {
            id: Some(id),
            antenna: row.get(1)?,
            spot: row.get(2)?,
            taken_at: timestamp(row, 3)?,
            source: row.get(4)?,
            terminated: row.get(5)?,
            settings: Settings {
                plan: row.get(6)?,
                sample_rate_hz: row.get(7)?,
                dwell_s: row.get(8)?,
                gains_db: gains.1.clone(),
            },
            note: row.get(10)?,
            position: position(row, 13)?,
            bearing: bearing(row, 16)?,
            scan_count: row.get(18)?,
            readings: Vec::new(),
            spectrum: None,
            frequency_error: json(row, 12)?,
            tunings: Vec::new(),
            gain_check: None,
        };
        Ok((id, row.get::<_, u16>(11)?.into(), take))
    };
    statement.query_map(parameters, head)?.collect()
}

/// The columns for [`position`] (three), [`bearing`] (two) and the scan count.
pub(super) const PLACED: &str = "x_m, y_m, height_m, bearing_deg, bearing_from, scan_count";

/// The position in three columns from `first` on.
pub(super) fn position(row: &Row<'_>, first: usize) -> rusqlite::Result<Option<Position>> {
    let (x_m, y_m): (Option<f64>, Option<f64>) = (row.get(first)?, row.get(first + 1)?);
    let height_m = row.get(first + 2)?;
    Ok(x_m
        .zip(y_m)
        .map(|(x_m, y_m)| Position { x_m, y_m, height_m }))
}

/// The bearing in two columns from `first` on.
pub(super) fn bearing(row: &Row<'_>, first: usize) -> rusqlite::Result<Option<Bearing>> {
    let (degrees, from): (Option<f64>, Option<String>) = (row.get(first)?, row.get(first + 1)?);
    Ok(degrees
        .zip(from)
        .map(|(degrees, from)| Bearing { degrees, from }))
}

/// One take with all that belongs to it.
pub(super) fn whole(connection: &Connection, id: i64) -> rusqlite::Result<Option<Take>> {
    let Some((_, _, mut take)) = heads(connection, "WHERE id = ?1", params![id])?.pop() else {
        return Ok(None);
    };
    let mut reader = Reader::default();
    take.readings = connection
        .prepare_cached(columns::SELECT)?
        .query_map([id], |row| reader.read(row))?
        .collect::<rusqlite::Result<_>>()?;
    take.spectrum = connection
        .prepare_cached("SELECT first_hz, step_hz, density FROM spectra WHERE take_id = ?1")?
        .query_row([id], |row| {
            Ok(Trace {
                first_hz: row.get(0)?,
                step_hz: row.get(1)?,
                dbfs_per_mhz: columns::unpack(row.get_ref(2)?.as_blob()?),
            })
        })
        .optional()?;
    let receiver = connection
        .prepare_cached("SELECT tunings, gain_check FROM receivers WHERE take_id = ?1")?
        .query_row([id], |row| {
            Ok((json(row, 0)?.unwrap_or_default(), json(row, 1)?))
        })
        .optional()?;
    (take.tunings, take.gain_check) = receiver.unwrap_or_default();
    Ok(Some(take))
}

/// What a column holds as JSON; `None` where it holds nothing.
fn json<T: DeserializeOwned>(row: &Row<'_>, column: usize) -> rusqlite::Result<Option<T>> {
    row.get_ref(column)?
        .as_str_or_null()?
        .map(|text| serde_json::from_str(text).map_err(|error| columns::unreadable(column, error)))
        .transpose()
}

/// A moment as text in which the order of letters is the order in time: always nine digits after the point.
pub(super) fn sortable(at: Timestamp) -> String {
    format!("{at:.9}")
}

pub(super) fn timestamp(row: &Row<'_>, column: usize) -> rusqlite::Result<Timestamp> {
    row.get_ref(column)?
        .as_str()?
        .parse()
        .map_err(|error: jiff::Error| {
            rusqlite::Error::FromSqlConversionFailure(column, Type::Text, Box::new(error))
        })
}
