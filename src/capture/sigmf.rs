//! SigMF metadata: the fields that a measurement needs, checked once.
//!
//! Source: SigMF specification 1.2.5 (open standard): global `core:datatype`, `core:sample_rate`, `core:offset`,
//! `core:num_channels`, `core:trailing_bytes`, `core:dataset`, `core:metadata_only`, `core:sha512`, `core:hw`; capture
//! `core:sample_start`, `core:frequency`, `core:datetime`, `core:header_bytes`; the official antenna extension's
//! `antenna:model`. A capture may carry `gainsay:gain_db`, the receiver's gain, in our own namespace.

use std::fs::File;
use std::io::BufReader;
use std::path::Path;

use jiff::Timestamp;
use serde::Deserialize;

use super::CaptureError;

/// How one sample is laid out in the data file.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Datatype {
    /// Unsigned 8-bit, I then Q, zero at 127.5, full scale 127.5.
    Cu8,
    /// Signed 8-bit: the same converter codes less 128, so that zero stands at −0.5 and full scale is 127.5.
    Ci8,
    /// Signed 16-bit little endian, full scale 32 768.
    Ci16Le,
    /// 32-bit floating point little endian, full scale 1.
    Cf32Le,
}

impl Datatype {
    /// Bytes in one complex sample.
    pub const fn bytes(self) -> usize {
        match self {
            Datatype::Cu8 | Datatype::Ci8 => 2,
            Datatype::Ci16Le => 4,
            Datatype::Cf32Le => 8,
        }
    }

    /// The converter's step where full scale is 1; `None` for floating point.
    pub const fn step(self) -> Option<f64> {
        match self {
            Datatype::Cu8 | Datatype::Ci8 => Some(1.0 / 127.5),
            Datatype::Ci16Le => Some(1.0 / 32768.0),
            Datatype::Cf32Le => None,
        }
    }
}

/// One capture segment, as the file has it.
#[derive(Debug, Clone, Copy, Deserialize)]
pub(super) struct Segment {
    #[serde(rename = "core:sample_start")]
    pub start: u64,
    #[serde(rename = "core:frequency")]
    pub frequency_hz: Option<f64>,
    #[serde(rename = "core:datetime", default)]
    pub taken_at: Option<Timestamp>,
    #[serde(rename = "core:header_bytes", default)]
    pub header_bytes: u64,
    #[serde(rename = "gainsay:gain_db", default)]
    pub gain_db: Option<f64>,
}

#[derive(Debug, Deserialize)]
struct Global {
    #[serde(rename = "core:datatype")]
    datatype: String,
    #[serde(rename = "core:sample_rate")]
    sample_rate_hz: Option<f64>,
    #[serde(rename = "core:offset", default)]
    offset: u64,
    #[serde(rename = "core:num_channels", default)]
    num_channels: Option<u64>,
    #[serde(rename = "core:trailing_bytes", default)]
    trailing_bytes: u64,
    #[serde(rename = "core:dataset", default)]
    dataset: Option<String>,
    #[serde(rename = "core:metadata_only", default)]
    metadata_only: bool,
    #[serde(rename = "core:sha512", default)]
    sha512: Option<String>,
    #[serde(rename = "core:hw", default)]
    hardware: Option<String>,
    #[serde(rename = "antenna:model", default)]
    antenna: Option<String>,
}

#[derive(Debug, Deserialize)]
struct Document {
    global: Global,
    captures: Vec<Segment>,
}

/// Metadata that has been checked: rate, datatype, and segments in order with a frequency each.
#[derive(Debug)]
pub(super) struct Metadata {
    pub datatype: Datatype,
    pub sample_rate_hz: f64,
    pub offset: u64,
    pub trailing_bytes: u64,
    pub dataset: Option<String>,
    pub sha512: Option<String>,
    pub hardware: Option<String>,
    pub antenna: Option<String>,
    pub segments: Vec<Segment>,
}

/// Sample rates that any receiver could have, in samples a second.
const SAMPLE_RATES_HZ: std::ops::RangeInclusive<f64> = 1e4..=1e9;

/// Checks a sample rate, whoever gave it; the problem in words where it can't be one.
pub(super) fn check_sample_rate(rate_hz: f64) -> Result<f64, String> {
    if SAMPLE_RATES_HZ.contains(&rate_hz) {
        Ok(rate_hz)
    } else {
        Err(format!(
            "{rate_hz} samples a second can't be; expected 10 000 to 1 000 000 000, such as 2400000"
        ))
    }
}

/// Checks the frequency that a receiver was tuned to, whoever gave it; the problem in words where it can't be one.
pub(super) fn check_frequency(frequency_hz: f64) -> Result<f64, String> {
    if (1e6..=1e11).contains(&frequency_hz) {
        Ok(frequency_hz)
    } else {
        Err(format!(
            "{frequency_hz} Hz can't be a tuning; expected 1 MHz to 100 GHz, such as 515000000"
        ))
    }
}

impl Metadata {
    /// Reads and checks the metadata file at `path`.
    ///
    /// # Errors
    /// When it can't be read, is no SigMF JSON, or a field that is needed is absent or impossible.
    pub fn read(path: &Path) -> Result<Metadata, CaptureError> {
        let name = path.display().to_string();
        let field = |field: &str, problem: String| CaptureError::Field {
            path: name.clone(),
            field: field.to_owned(),
            problem,
        };
        let file = File::open(path).map_err(|error| CaptureError::io(path, &error))?;
        let mut json = serde_json::Deserializer::from_reader(BufReader::new(file));
        let document: Document = serde_path_to_error::deserialize(&mut json).map_err(|error| {
            let at = error.path().to_string();
            let inner = error.into_inner();
            if inner.is_io() {
                return CaptureError::unreadable(
                    path,
                    format!("{inner}: is it a file, and may you read it?"),
                );
            }
            let problem = format!("is no usable SigMF metadata: {inner}");
            if at == "." {
                CaptureError::unreadable(path, problem)
            } else {
                field(&at, problem)
            }
        })?;
        json.end().map_err(|error| {
            CaptureError::unreadable(path, format!("has something after the metadata: {error}"))
        })?;
        let Document { global, captures } = document;

        let datatype = match global.datatype.as_str() {
            "cu8" => Datatype::Cu8,
            "ci8" => Datatype::Ci8,
            "ci16_le" => Datatype::Ci16Le,
            "cf32_le" => Datatype::Cf32Le,
            other => {
                return Err(field(
                    "core:datatype",
                    format!(
                        "{other:?} can't be read; convert the recording to cu8, ci8, ci16_le or cf32_le"
                    ),
                ));
            }
        };
        let Some(sample_rate_hz) = global.sample_rate_hz else {
            return Err(field(
                "core:sample_rate",
                "is missing; add the samples a second, such as 2400000".into(),
            ));
        };
        check_sample_rate(sample_rate_hz).map_err(|problem| field("core:sample_rate", problem))?;
        if global.metadata_only {
            return Err(field(
                "core:metadata_only",
                "is true: there are no samples to measure".into(),
            ));
        }
        if let Some(count) = global.num_channels.filter(|&count| count != 1) {
            return Err(field(
                "core:num_channels",
                format!("is {count}; only recordings of one receiver can be read"),
            ));
        }
        if captures.is_empty() {
            return Err(field(
                "captures",
                "is empty; a capture with core:frequency says what was tuned to".into(),
            ));
        }
        for (index, segment) in captures.iter().enumerate() {
            let at = |name: &str| format!("captures[{index}].{name}");
            match segment.frequency_hz {
                None => {
                    return Err(field(
                        &at("core:frequency"),
                        "is missing; add the tuning in hertz".into(),
                    ));
                }
                Some(hz) => {
                    check_frequency(hz).map_err(|problem| field(&at("core:frequency"), problem))?
                }
            };
            if segment.gain_db.is_some_and(|gain| !gain.is_finite()) {
                return Err(field(
                    &at("gainsay:gain_db"),
                    "is not a number of decibels".into(),
                ));
            }
            if segment.start < global.offset {
                return Err(field(
                    &at("core:sample_start"),
                    format!(
                        "{} lies before core:offset {}",
                        segment.start, global.offset
                    ),
                ));
            }
            if index > 0 && segment.start <= captures[index - 1].start {
                return Err(field(
                    &at("core:sample_start"),
                    format!(
                        "{} does not come after the capture before it ({}); captures must be in order",
                        segment.start,
                        captures[index - 1].start
                    ),
                ));
            }
        }
        Ok(Metadata {
            datatype,
            sample_rate_hz,
            offset: global.offset,
            trailing_bytes: global.trailing_bytes,
            dataset: global.dataset,
            sha512: global.sha512,
            hardware: global.hardware,
            antenna: global.antenna.filter(|name| !name.trim().is_empty()),
            segments: captures,
        })
    }
}
