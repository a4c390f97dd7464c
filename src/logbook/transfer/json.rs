//! Takes as JSON.

use std::fmt;
use std::io::{BufReader, Read, Write};

use jiff::Timestamp;
use serde::de::{DeserializeSeed, Error as _, IgnoredAny, MapAccess, SeqAccess, Visitor};
use serde::{Deserialize, Deserializer, Serialize};

use super::{frequency_error, stopped};
use crate::logbook::{LogbookError, check};
use crate::reading::pilot::Agreement;
use crate::reading::{
    Bearing, GainCheck, OutlyingStation, Position, Reading, Settings, Take, Trace, TuningReading,
};

/// What `format` says in an export.
pub const FORMAT: &str = "gainsay takes";

/// What `version` says in an export; a later one is refused, since an import passes over what it doesn't know.
pub const VERSION: u64 = 3;

/// A take as it is printed.
#[derive(Serialize)]
struct TakeOut<'a> {
    take: Option<i64>,
    antenna: &'a str,
    spot: &'a str,
    plan: &'a str,
    taken_at: Timestamp,
    source: &'a str,
    terminated: Option<&'a str>,
    note: &'a str,
    sample_rate_hz: f64,
    dwell_s: f64,
    gains_db: &'a [(f64, f64)],
    ppm: Option<f64>,
    ppm_low: Option<f64>,
    ppm_high: Option<f64>,
    ppm_pilots: Option<usize>,
    ppm_agreement: Option<Agreement>,
    outlying_pilots: &'a [OutlyingStation],
    position: Option<Position>,
    bearing: Option<&'a Bearing>,
    scan_count: Option<u32>,
    tunings: &'a [TuningReading],
    gain_check: Option<&'a GainCheck>,
    channels: Vec<ReadingOut<'a>>,
    spectrum: Option<&'a Trace>,
}

/// A reading as it is printed: its fields and what is computed from them.
#[derive(Serialize)]
struct ReadingOut<'a> {
    #[serde(flatten)]
    reading: &'a Reading,
    power_dbfs: Option<f64>,
    noise_dbfs: Option<f64>,
    signal_dbfs: Option<f64>,
    signal_upper_dbfs: Option<f64>,
    cn_db: Option<f64>,
    margin_db: Option<f64>,
    /// What the threshold assumes, in words.
    threshold_assumes: Option<&'static str>,
}

/// A take as it is imported; version 1 has nothing from `ppm` to `gain_check`, version 2 no position, bearing and scan count.
#[derive(Deserialize)]
struct TakeIn {
    antenna: String,
    spot: String,
    plan: String,
    taken_at: Timestamp,
    source: String,
    terminated: Option<String>,
    #[serde(default)]
    note: String,
    sample_rate_hz: f64,
    dwell_s: f64,
    gains_db: Vec<(f64, f64)>,
    ppm: Option<f64>,
    ppm_low: Option<f64>,
    ppm_high: Option<f64>,
    ppm_pilots: Option<usize>,
    ppm_agreement: Option<Agreement>,
    #[serde(default)]
    outlying_pilots: Vec<OutlyingStation>,
    position: Option<Position>,
    bearing: Option<Bearing>,
    scan_count: Option<u32>,
    #[serde(default)]
    tunings: Vec<TuningReading>,
    gain_check: Option<GainCheck>,
    channels: Vec<Reading>,
    spectrum: Option<Trace>,
}

/// A take for JSON: every field, and levels and ratios in decibels beside the powers. What is printed for machines and
/// what is exported are the same.
pub fn as_json(take: &Take) -> impl Serialize + '_ {
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
    let frequency = frequency_error.as_ref();
    TakeOut {
        take: *id,
        antenna,
        spot,
        plan,
        taken_at: *taken_at,
        source,
        terminated: terminated.as_deref(),
        note,
        sample_rate_hz: *sample_rate_hz,
        dwell_s: *dwell_s,
        gains_db,
        ppm: frequency.map(|error| error.ppm),
        ppm_low: frequency.map(|error| error.low_ppm),
        ppm_high: frequency.map(|error| error.high_ppm),
        ppm_pilots: frequency.map(|error| error.pilots),
        ppm_agreement: frequency.map(|error| error.agreement),
        outlying_pilots: frequency.map_or(&[], |error| &error.outlying),
        position: *position,
        bearing: bearing.as_ref(),
        scan_count: *scan_count,
        tunings,
        gain_check: gain_check.as_ref(),
        channels: readings
            .iter()
            .map(|reading| ReadingOut {
                reading,
                power_dbfs: reading.power_dbfs(),
                noise_dbfs: reading.noise_dbfs(),
                signal_dbfs: reading.signal_dbfs(),
                signal_upper_dbfs: reading.signal_upper_dbfs(),
                cn_db: reading.cn_db(),
                margin_db: reading.margin_db(),
                threshold_assumes: reading.threshold_assumes(),
            })
            .collect(),
        spectrum: spectrum.as_ref(),
    }
}

/// Writes takes as one JSON document, one take a line.
///
/// # Errors
/// The first error among `takes`, or [`LogbookError::Export`] where the writer fails.
pub fn export_json(
    takes: impl IntoIterator<Item = Result<Take, LogbookError>>,
    mut writer: impl Write,
) -> Result<(), LogbookError> {
    let to_io = |error: serde_json::Error| LogbookError::Export(error.into());
    write!(
        writer,
        "{{\"format\":\"{FORMAT}\",\"version\":{VERSION},\"takes\":["
    )
    .map_err(LogbookError::Export)?;
    for (index, take) in takes.into_iter().enumerate() {
        let take = take?;
        writer
            .write_all(if index == 0 { b"\n" } else { b",\n" })
            .map_err(LogbookError::Export)?;
        serde_json::to_writer(&mut writer, &as_json(&take)).map_err(to_io)?;
    }
    writer
        .write_all(b"\n]}\n")
        .and_then(|()| writer.flush())
        .map_err(LogbookError::Export)
}

/// Hands each take of an export to `keep`, one at a time.
pub(in crate::logbook) fn read_json(
    file: &str,
    reader: impl Read,
    keep: &mut dyn FnMut(Take) -> Result<(), LogbookError>,
) -> Result<(), LogbookError> {
    let mut json = serde_json::Deserializer::from_reader(BufReader::new(reader));
    let mut track = serde_path_to_error::Track::new();
    let mut refused = None;
    let document = Document {
        keep,
        refused: &mut refused,
    };
    let outcome = document.deserialize(serde_path_to_error::Deserializer::new(
        &mut json, &mut track,
    ));
    if let Some(refused) = refused {
        return Err(refused);
    }
    let at = |error: serde_json::Error, field: Option<String>| {
        let mut place = format!("line {} column {}", error.line(), error.column());
        if let Some(field) = field.filter(|field| field != ".") {
            place += &format!(", {field}");
        }
        let text = error.to_string();
        let text = text
            .rsplit_once(" at line ")
            .map_or(text.as_str(), |(problem, _)| problem);
        stopped(
            file,
            place,
            if error.is_io() {
                format!("can't be read: {text}")
            } else {
                text.to_owned()
            },
        )
    };
    outcome.map_err(|error| at(error, Some(track.path().to_string())))?;
    json.end().map_err(|error| at(error, None))
}

/// The whole export.
struct Document<'a> {
    keep: &'a mut dyn FnMut(Take) -> Result<(), LogbookError>,
    /// Why `keep` refused a take, where it did.
    refused: &'a mut Option<LogbookError>,
}

impl<'de> DeserializeSeed<'de> for Document<'_> {
    type Value = ();

    fn deserialize<D: Deserializer<'de>>(self, deserializer: D) -> Result<(), D::Error> {
        deserializer.deserialize_map(self)
    }
}

impl<'de> Visitor<'de> for Document<'_> {
    type Value = ();

    fn expecting(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        write!(
            f,
            "an export of takes, an object with \"format\":\"{FORMAT}\""
        )
    }

    fn visit_map<A: MapAccess<'de>>(self, mut map: A) -> Result<(), A::Error> {
        let (mut format, mut version, mut takes) = (false, false, false);
        while let Some(key) = map.next_key::<String>()? {
            match key.as_str() {
                "format" => {
                    let found: String = map.next_value()?;
                    if found != FORMAT {
                        return Err(A::Error::custom(format_args!(
                            "format is {found:?}, not {FORMAT:?}"
                        )));
                    }
                    format = true;
                }
                "version" => {
                    let found: u64 = map.next_value()?;
                    if found == 0 || found > VERSION {
                        return Err(A::Error::custom(format_args!(
                            "version {found} of the format is not known here (up to {VERSION} are): use the newer gainsay \
                             that wrote it"
                        )));
                    }
                    version = true;
                }
                "takes" => {
                    map.next_value_seed(Takes {
                        keep: &mut *self.keep,
                        refused: &mut *self.refused,
                    })?;
                    takes = true;
                }
                _ => {
                    map.next_value::<IgnoredAny>()?;
                }
            }
        }
        for (there, field) in [(format, "format"), (version, "version"), (takes, "takes")] {
            if !there {
                return Err(A::Error::missing_field(field));
            }
        }
        Ok(())
    }
}

/// The list of takes.
struct Takes<'a> {
    keep: &'a mut dyn FnMut(Take) -> Result<(), LogbookError>,
    refused: &'a mut Option<LogbookError>,
}

impl<'de> DeserializeSeed<'de> for Takes<'_> {
    type Value = ();

    fn deserialize<D: Deserializer<'de>>(self, deserializer: D) -> Result<(), D::Error> {
        deserializer.deserialize_seq(self)
    }
}

impl<'de> Visitor<'de> for Takes<'_> {
    type Value = ();

    fn expecting(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str("a list of takes")
    }

    fn visit_seq<A: SeqAccess<'de>>(self, mut sequence: A) -> Result<(), A::Error> {
        let mut number = 0;
        while let Some(read) = sequence.next_element::<TakeIn>()? {
            number += 1;
            let take = read
                .into_take()
                .and_then(|take| check::inspect(&take).map(|()| take))
                .map_err(|(place, problem)| {
                    A::Error::custom(format_args!(
                        "take {number} of the list, {place}: {problem}"
                    ))
                })?;
            if let Err(error) = (self.keep)(take) {
                *self.refused = Some(error);
                return Err(A::Error::custom("not kept"));
            }
        }
        Ok(())
    }
}

impl TakeIn {
    fn into_take(self) -> Result<Take, check::Fault> {
        Ok(Take {
            id: None,
            frequency_error: frequency_error(
                [self.ppm, self.ppm_low, self.ppm_high],
                self.ppm_pilots,
                self.ppm_agreement,
                self.outlying_pilots,
            )?,
            antenna: self.antenna,
            spot: self.spot,
            taken_at: self.taken_at,
            source: self.source,
            terminated: self.terminated,
            settings: Settings {
                plan: self.plan,
                sample_rate_hz: self.sample_rate_hz,
                dwell_s: self.dwell_s,
                gains_db: self.gains_db,
            },
            note: self.note,
            position: self.position,
            bearing: self.bearing,
            scan_count: self.scan_count,
            readings: self.channels,
            spectrum: self.spectrum,
            tunings: self.tunings,
            gain_check: self.gain_check,
        })
    }
}
