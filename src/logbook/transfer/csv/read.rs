//! In: cell by cell.

use std::io::Read;

use csv::StringRecord;
use jiff::Timestamp;
use serde::de::DeserializeOwned;

use super::{BY_VERSION, COLUMNS, COMPUTED, OF_THE_TAKE, OF_THE_TAKE_AT_THE_END};
use crate::channels::ChannelId;
use crate::logbook::transfer::{frequency_error, stopped};
use crate::logbook::{LogbookError, check};
use crate::reading::shape::{Echo, Shape};
use crate::reading::{
    Bearing, Estimate, FrequencyReading, Identity, Part, PilotReading, Position, Reading, Settings,
    Take,
};

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
        // Of a version's columns all are wanted where there is one: a slip in a name would lose what it holds.
        let ends_here = |&end: &usize| columns[end..].iter().all(Option::is_none);
        let wanted = BY_VERSION
            .into_iter()
            .find(ends_here)
            .unwrap_or(COLUMNS.len());
        let missing = (COLUMNS[..wanted].iter())
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

    fn maybe<T: std::str::FromStr>(&self, column: &str) -> Result<Option<T>, LogbookError>
    where
        T::Err: std::fmt::Display,
    {
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

    fn json_or_empty<T: DeserializeOwned>(&self, column: &str) -> Result<Option<T>, LogbookError> {
        if self.text(column).is_empty() {
            Ok(None)
        } else {
            self.json(column).map(Some)
        }
    }

    fn list<T: DeserializeOwned>(&self, column: &str) -> Result<Vec<T>, LogbookError> {
        self.json_or_empty(column).map(Option::unwrap_or_default)
    }

    fn take_cells(&self) -> Vec<String> {
        let at_the_end = COLUMNS.len() - OF_THE_TAKE_AT_THE_END;
        [&COLUMNS[..OF_THE_TAKE], &COLUMNS[at_the_end..]]
            .into_iter()
            .flatten()
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
            position: self.position()?,
            bearing: self.bearing()?,
            scan_count: self.maybe("scan_count")?,
            readings: Vec::new(),
            spectrum: None,
            frequency_error: self.frequency_error()?,
            tunings: Vec::new(),
            gain_check: None,
        })
    }

    fn position(&self) -> Result<Option<Position>, LogbookError> {
        let height_m = self.maybe("height_m")?;
        match (self.maybe("x_m")?, self.maybe("y_m")?) {
            (Some(x_m), Some(y_m)) => Ok(Some(Position { x_m, y_m, height_m })),
            (None, None) if height_m.is_none() => Ok(None),
            _ => Err(self.wrong(
                "x_m",
                "x_m and y_m must both be there, or neither and no height_m",
            )),
        }
    }

    fn bearing(&self) -> Result<Option<Bearing>, LogbookError> {
        let from = self.text("bearing_from").to_owned();
        match self.maybe("bearing_deg")? {
            Some(degrees) => Ok(Some(Bearing { degrees, from })),
            None if from.is_empty() => Ok(None),
            None => Err(self.wrong("bearing_deg", "is empty where bearing_from is not")),
        }
    }

    fn frequency_error(&self) -> Result<Option<FrequencyReading>, LogbookError> {
        frequency_error(
            [
                self.maybe("ppm")?,
                self.maybe("ppm_low")?,
                self.maybe("ppm_high")?,
            ],
            self.maybe("ppm_pilots")?,
            self.named("ppm_agreement")?,
            self.list("outlying_pilots")?,
        )
        .map_err(|(column, problem)| self.wrong(&column, problem))
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
            parts: self
                .json_or_empty("parts")?
                .unwrap_or_else(|| vec![Part { low_hz, high_hz }]),
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
            health: self.list("health")?,
            pilot: self.pilot()?,
            identity: self.identity()?,
            shape: self.shape()?,
            echo: self.echo()?,
            path: self.named("path")?,
        })
    }

    fn pilot(&self) -> Result<Option<PilotReading>, LogbookError> {
        let Some(offset_hz) = self.maybe("pilot_offset_hz")? else {
            return Ok(None);
        };
        Ok(Some(PilotReading {
            offset_hz,
            offset_standard_error_hz: self.parse("pilot_offset_standard_error_hz")?,
            power: Estimate {
                value: self.parse("pilot_power")?,
                standard_error: self.parse("pilot_power_standard_error")?,
                degrees_of_freedom: self.parse("pilot_power_degrees_of_freedom")?,
            },
            snr_db: self.maybe("pilot_snr_db")?,
            enbw_hz: self.parse("pilot_enbw_hz")?,
            found: self.parse("pilot_found")?,
        }))
    }

    fn identity(&self) -> Result<Option<Identity>, LogbookError> {
        Ok(Some(match self.text("identity") {
            "" => return Ok(None),
            "8vsb" => Identity::Vsb8,
            "unidentified" => Identity::Unidentified,
            "ofdm" => Identity::Ofdm {
                system: self.text("identity_system").to_owned(),
                guard: Some(self.text("identity_guard").to_owned())
                    .filter(|guard| !guard.is_empty()),
                standards: self.json("identity_standards")?,
            },
            other => {
                return Err(self.wrong(
                    "identity",
                    format!("{other:?} is none of 8vsb, ofdm and unidentified"),
                ));
            }
        }))
    }

    fn shape(&self) -> Result<Option<Shape>, LogbookError> {
        let Some(sigma_sp_db) = self.maybe("sigma_sp_db")? else {
            return Ok(None);
        };
        Ok(Some(Shape {
            sigma_sp_db,
            sigma_sp_standard_error_db: self.parse("sigma_sp_standard_error_db")?,
            class: self
                .named("shape_class")?
                .ok_or_else(|| self.wrong("shape_class", "is empty"))?,
            tilt_db: self.parse("tilt_db")?,
            tilt_standard_error_db: self.parse("tilt_standard_error_db")?,
            ripple_db: self.parse("ripple_db")?,
            notch_db: self.parse("notch_db")?,
            notch_hz: self.parse("notch_hz")?,
            low_hz: self.parse("shape_low_hz")?,
            high_hz: self.parse("shape_high_hz")?,
            resolution_hz: self.parse("shape_resolution_hz")?,
        }))
    }

    fn echo(&self) -> Result<Option<Echo>, LogbookError> {
        let Some(delay_s) = self.maybe("echo_delay_s")? else {
            return Ok(None);
        };
        Ok(Some(Echo {
            delay_s,
            delay_standard_error_s: self.parse("echo_delay_standard_error_s")?,
            level_db: self.parse("echo_level_db")?,
            false_alarm: self.parse("echo_false_alarm")?,
        }))
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
