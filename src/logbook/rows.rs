//! A take as rows of the tables.

use jiff::Timestamp;
use rusqlite::types::Type;
use rusqlite::{Connection, OptionalExtension, Row, ToSql, params};

use super::columns::{self, Reader, lossless_json};
use crate::reading::{Settings, State, Take, Trace};

const INSERT: &str = "INSERT INTO takes (antenna, spot, taken_at, source, terminated, plan, sample_rate_hz, dwell_s, \
                      gains_db, note, readings, vacant, trace, brink, firm, fingerprint) \
                      VALUES (?1, ?2, ?3, ?4, ?5, ?6, ?7, ?8, ?9, ?10, ?11, ?12, ?13, ?14, ?15, ?16)";

/// Writes a take, its readings and its spectrum; the caller has the transaction.
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
        readings,
        spectrum,
        frequency_error: _,
        tunings: _,
        gain_check: _,
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
    Ok(id)
}

/// The takes that match without readings: each with its number and how many readings it has.
pub(super) fn heads(
    connection: &Connection,
    which: &str,
    parameters: &[&dyn ToSql],
) -> rusqlite::Result<Vec<(i64, usize, Take)>> {
    let sql = format!(
        "SELECT id, antenna, spot, taken_at, source, terminated, plan, sample_rate_hz, dwell_s, gains_db, note, \
         readings FROM takes {which}"
    );
    let mut statement = connection.prepare_cached(&sql)?;
    // Takes of one trial share their gains: the last text is not parsed again.
    let mut gains = (String::new(), Vec::new());
    let head = |row: &Row<'_>| {
        let id = row.get(0)?;
        let text = row.get_ref(9)?.as_str()?;
        if gains.0 != text {
            gains = (
                text.to_owned(),
                serde_json::from_str(text).map_err(|error| columns::unreadable(9, error))?,
            );
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
            readings: Vec::new(),
            spectrum: None,
            frequency_error: None,
            tunings: Vec::new(),
            gain_check: None,
        };
        Ok((id, row.get::<_, u16>(11)?.into(), take))
    };
    statement.query_map(parameters, head)?.collect()
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
    Ok(Some(take))
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
