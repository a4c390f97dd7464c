//! Takes as CSV.

use std::io::{Read, Write};

use csv::StringRecord;
use jiff::Timestamp;
use serde::Serialize;
use serde::de::DeserializeOwned;

use super::stopped;
use crate::channels::ChannelId;
use crate::logbook::{LogbookError, check};
use crate::reading::{Estimate, Part, Reading, Settings, Take};

/// How many of [`COLUMNS`], from the left, are the take's.
const OF_THE_TAKE: usize = 11;

/// The columns of an export, left to right: the take's, then the reading's. Powers without a unit in their name are
/// linear (mean |x|²).
pub const COLUMNS: &[&str] = &[
    "take",
    "antenna",
    "spot",
    "plan",
    "taken_at",
    "source",
    "terminated",
    "note",
    "sample_rate_hz",
    "dwell_s",
    "gains_db",
    "reading",
    "channel",
    "low_hz",
    "high_hz",
    "covered",
    "power_dbfs",
    "noise_dbfs",
    "signal_dbfs",
    "signal_upper_dbfs",
    "cn_db",
    "margin_db",
    "state",
    "health",
    "standard",
    "threshold_db",
    "found",
    "power",
    "power_standard_error",
    "power_degrees_of_freedom",
    "noise",
    "noise_standard_error",
    "noise_degrees_of_freedom",
    "noise_source",
    "noise_type_b",
    "signal",
    "signal_standard_error",
    "signal_degrees_of_freedom",
    "signal_upper",
    "parts",
];

/// Columns that an import does without: computed ones, and the numbers of takes, which are given anew.
const COMPUTED: &[&str] = &[
    "take",
    "power_dbfs",
    "noise_dbfs",
    "signal_dbfs",
    "signal_upper_dbfs",
    "cn_db",
    "margin_db",
];

/// Writes takes as CSV, a row a reading.
///
/// # Errors
/// The first error among `takes`, or [`LogbookError::Export`] where the writer fails.
pub fn export_csv(
    takes: impl IntoIterator<Item = Result<Take, LogbookError>>,
    writer: impl Write,
) -> Result<(), LogbookError> {
    let mut writer = csv::Writer::from_writer(writer);
    let failed = |error: csv::Error| LogbookError::Export(error.into());
    writer.write_record(COLUMNS).map_err(failed)?;
    for take in takes {
        let take = take?;
        let head = take_cells(&take);
        for (index, reading) in take.readings.iter().enumerate() {
            let row = head
                .iter()
                .cloned()
                .chain([(index + 1).to_string()])
                .chain(reading_cells(reading));
            writer
                .write_record(row.map(String::into_bytes))
                .map_err(failed)?;
        }
        if take.readings.is_empty() {
            let empty = std::iter::repeat_n(String::new(), COLUMNS.len() - OF_THE_TAKE - 1);
            let row = head.into_iter().chain(["0".to_owned()]).chain(empty);
            writer
                .write_record(row.map(String::into_bytes))
                .map_err(failed)?;
        }
    }
    writer.flush().map_err(LogbookError::Export)
}

fn take_cells(take: &Take) -> [String; OF_THE_TAKE] {
    // Every field by name: a new one that isn't exported doesn't compile.
    let Take {
        id,
        antenna,
        spot,
        taken_at,
        source,
        terminated,
        settings,
        note,
        readings: _,
        spectrum: _,
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
    [
        id.map_or_else(String::new, |id| id.to_string()),
        antenna.clone(),
        spot.clone(),
        plan.clone(),
        taken_at.to_string(),
        source.clone(),
        terminated.clone().unwrap_or_default(),
        note.clone(),
        number(*sample_rate_hz),
        number(*dwell_s),
        json(gains_db),
    ]
}

fn reading_cells(reading: &Reading) -> Vec<String> {
    let Reading {
        channel,
        low_hz,
        high_hz,
        covered,
        parts,
        power,
        noise,
        noise_source,
        signal,
        noise_type_b,
        found,
        signal_upper,
        standard,
        threshold_db,
        state,
        health,
        pilot: _,
        identity: _,
        shape: _,
        echo: _,
        path: _,
    } = reading;
    let whole = *parts
        == [Part {
            low_hz: *low_hz,
            high_hz: *high_hz,
        }];
    let [power_cells, noise_cells, signal_cells] = [power, noise, signal].map(estimate_cells);
    let mut cells = vec![
        channel.to_string(),
        number(*low_hz),
        number(*high_hz),
        number(*covered),
        maybe(reading.power_dbfs()),
        maybe(reading.noise_dbfs()),
        maybe(reading.signal_dbfs()),
        maybe(reading.signal_upper_dbfs()),
        maybe(reading.cn_db()),
        maybe(reading.margin_db()),
        name(state),
        if health.is_empty() {
            String::new()
        } else {
            json(health)
        },
        name(standard),
        maybe(*threshold_db),
        found.to_string(),
    ];
    cells.extend(power_cells);
    cells.extend(noise_cells);
    cells.extend([name(noise_source), number(*noise_type_b)]);
    cells.extend(signal_cells);
    cells.extend([
        maybe(*signal_upper),
        if whole { String::new() } else { json(parts) },
    ]);
    cells
}

fn estimate_cells(estimate: &Option<Estimate>) -> [String; 3] {
    estimate.map_or_else(
        Default::default,
        |Estimate {
             value,
             standard_error,
             degrees_of_freedom,
         }| { [value, standard_error, degrees_of_freedom].map(number) },
    )
}

/// The shortest text that reads back as the same number, with an exponent where it would be long without.
fn number(value: f64) -> String {
    let size = value.abs();
    if size == 0.0 || (1e-5..1e15).contains(&size) || !value.is_finite() {
        value.to_string()
    } else {
        format!("{value:e}")
    }
}

fn maybe(value: Option<f64>) -> String {
    value
        .filter(|value| value.is_finite())
        .map_or_else(String::new, number)
}

/// The name that serde gives a value; empty for none.
fn name<T: Serialize>(value: &Option<T>) -> String {
    match serde_json::to_value(value) {
        Ok(serde_json::Value::String(name)) => name,
        _ => String::new(),
    }
}

/// JSON of plain data, which can't fail: a take is checked before it is kept.
fn json<T: Serialize>(value: &T) -> String {
    serde_json::to_string(value).unwrap_or_default()
}

/// Hands each take of an export to `keep`, one at a time.
pub(in crate::logbook) fn read_csv(
    file: &str,
    reader: impl Read,
    keep: &mut dyn FnMut(Take) -> Result<(), LogbookError>,
) -> Result<(), LogbookError> {
    let mut rows = csv::Reader::from_reader(reader);
    let header = rows
        .headers()
        .map_err(|error| unreadable(file, &error))?
        .clone();
    let columns = Columns::of(file, &header)?;
    let mut under_way: Option<UnderWay> = None;
    let mut record = StringRecord::new();
    loop {
        let more = rows
            .read_record(&mut record)
            .map_err(|error| unreadable(file, &error))?;
        if !more {
            break;
        }
        let row = Row {
            file,
            line: record.position().map_or(0, csv::Position::line),
            columns: &columns,
            record: &record,
        };
        let index: u64 = row.parse("reading")?;
        let cells = row.take_cells();
        match under_way.take() {
            Some(take) if take.cells == cells && take.index < index => {
                under_way = Some(UnderWay { index, ..take })
            }
            other => {
                if let Some(finished) = other {
                    finished.hand_over(file, keep)?;
                }
                under_way = Some(UnderWay {
                    line: row.line,
                    index,
                    cells,
                    take: row.take()?,
                });
            }
        }
        if let Some(current) = &mut under_way
            && index > 0
        {
            current.take.readings.push(row.reading()?);
        }
    }
    under_way.map_or(Ok(()), |last| last.hand_over(file, keep))
}

/// A take whose rows are being read.
struct UnderWay {
    /// Where it began.
    line: u64,
    /// Number of the last row.
    index: u64,
    /// The take's cells, the same in each of its rows.
    cells: Vec<String>,
    take: Take,
}

impl UnderWay {
    fn hand_over(
        self,
        file: &str,
        keep: &mut dyn FnMut(Take) -> Result<(), LogbookError>,
    ) -> Result<(), LogbookError> {
        check::inspect(&self.take).map_err(|(place, problem)| {
            stopped(
                file,
                format!("the take that begins in line {}, {place}", self.line),
                problem,
            )
        })?;
        keep(self.take)
    }
}

/// Where each column stands in the file.
struct Columns(Vec<Option<usize>>);

impl Columns {
    fn of(file: &str, header: &StringRecord) -> Result<Columns, LogbookError> {
        let place = |name: &&str| header.iter().position(|there| there == *name);
        let columns: Vec<Option<usize>> = COLUMNS.iter().map(place).collect();
        let missing = COLUMNS
            .iter()
            .zip(&columns)
            .find(|(name, at)| at.is_none() && !COMPUTED.contains(name));
        match missing {
            Some((name, _)) => Err(stopped(
                file,
                "line 1",
                format!(
                    "there is no column {name:?}: the header must be that of an export, with commas between"
                ),
            )),
            None => Ok(Columns(columns)),
        }
    }
}

/// One row, read cell by cell.
struct Row<'a> {
    file: &'a str,
    line: u64,
    columns: &'a Columns,
    record: &'a StringRecord,
}

impl Row<'_> {
    fn text(&self, column: &str) -> &str {
        let at = COLUMNS
            .iter()
            .position(|name| *name == column)
            .and_then(|index| self.columns.0[index]);
        at.and_then(|at| self.record.get(at)).unwrap_or_default()
    }

    fn wrong(&self, column: &str, problem: impl ToString) -> LogbookError {
        stopped(
            self.file,
            format!("line {}, column {column}", self.line),
            problem,
        )
    }

    fn parse<T: std::str::FromStr>(&self, column: &str) -> Result<T, LogbookError>
    where
        T::Err: std::fmt::Display,
    {
        let text = self.text(column);
        text.trim()
            .parse()
            .map_err(|error| self.wrong(column, format!("{text:?} can't be read: {error}")))
    }

    fn maybe(&self, column: &str) -> Result<Option<f64>, LogbookError> {
        if self.text(column).trim().is_empty() {
            Ok(None)
        } else {
            self.parse(column).map(Some)
        }
    }

    fn estimate(
        &self,
        [value, error, freedom]: [&str; 3],
    ) -> Result<Option<Estimate>, LogbookError> {
        let Some(value) = self.maybe(value)? else {
            return Ok(None);
        };
        Ok(Some(Estimate {
            value,
            standard_error: self.parse(error)?,
            degrees_of_freedom: self.parse(freedom)?,
        }))
    }

    /// The value that serde gives this name.
    fn named<T: DeserializeOwned>(&self, column: &str) -> Result<Option<T>, LogbookError> {
        let text = self.text(column);
        if text.is_empty() {
            return Ok(None);
        }
        let name = serde_json::Value::String(text.to_owned());
        T::deserialize(name)
            .map(Some)
            .map_err(|error| self.wrong(column, error))
    }

    fn json<T: DeserializeOwned>(&self, column: &str) -> Result<T, LogbookError> {
        let text = self.text(column);
        serde_json::from_str(text)
            .map_err(|error| self.wrong(column, format!("{text:?} can't be read: {error}")))
    }

    fn take_cells(&self) -> Vec<String> {
        COLUMNS[..OF_THE_TAKE]
            .iter()
            .map(|column| self.text(column).to_owned())
            .collect()
    }

    fn take(&self) -> Result<Take, LogbookError> {
        let text = |column| self.text(column).to_owned();
        Ok(Take {
            id: None,
            antenna: text("antenna"),
            spot: text("spot"),
            taken_at: self.parse::<Timestamp>("taken_at")?,
            source: text("source"),
            terminated: Some(text("terminated")).filter(|source| !source.is_empty()),
            settings: Settings {
                plan: text("plan"),
                sample_rate_hz: self.parse("sample_rate_hz")?,
                dwell_s: self.parse("dwell_s")?,
                gains_db: self.json("gains_db")?,
            },
            note: text("note"),
            readings: Vec::new(),
            spectrum: None,
            frequency_error: None,
            tunings: Vec::new(),
            gain_check: None,
        })
    }

    fn reading(&self) -> Result<Reading, LogbookError> {
        let channel = self.text("channel");
        if channel.is_empty() {
            return Err(self.wrong("channel", "is empty"));
        }
        let (low_hz, high_hz) = (self.parse("low_hz")?, self.parse("high_hz")?);
        Ok(Reading {
            channel: channel
                .parse()
                .map_or_else(|_| ChannelId::Name(channel.to_owned()), ChannelId::Number),
            low_hz,
            high_hz,
            covered: self.parse("covered")?,
            parts: if self.text("parts").is_empty() {
                vec![Part { low_hz, high_hz }]
            } else {
                self.json("parts")?
            },
            power: self.estimate(["power", "power_standard_error", "power_degrees_of_freedom"])?,
            noise: self.estimate(["noise", "noise_standard_error", "noise_degrees_of_freedom"])?,
            noise_source: self.named("noise_source")?,
            signal: self.estimate([
                "signal",
                "signal_standard_error",
                "signal_degrees_of_freedom",
            ])?,
            noise_type_b: self.parse("noise_type_b")?,
            found: self.parse("found")?,
            signal_upper: self.maybe("signal_upper")?,
            standard: self.named("standard")?,
            threshold_db: self.maybe("threshold_db")?,
            state: self.named("state")?,
            health: if self.text("health").is_empty() {
                Vec::new()
            } else {
                self.json("health")?
            },
            pilot: None,
            identity: None,
            shape: None,
            echo: None,
            path: None,
        })
    }
}

/// What the reader of CSV says, with its line.
fn unreadable(file: &str, error: &csv::Error) -> LogbookError {
    let line = |position: &Option<csv::Position>| {
        position.as_ref().map_or_else(
            || "line 1".into(),
            |position| format!("line {}", position.line()),
        )
    };
    match error.kind() {
        csv::ErrorKind::Utf8 { pos, err } => {
            stopped(file, line(pos), format!("is no UTF-8 text ({err})"))
        }
        csv::ErrorKind::UnequalLengths {
            pos,
            expected_len,
            len,
        } => stopped(
            file,
            line(pos),
            format!("has {len} cells, and the header has {expected_len}"),
        ),
        csv::ErrorKind::Io(error) => stopped(file, "reading", format!("can't be read: {error}")),
        _ => stopped(file, "reading", error),
    }
}
