//! A reading as columns of the table, a spectrum as bytes.

use rusqlite::types::{FromSql, FromSqlError, FromSqlResult, ToSqlOutput, Type, Value, ValueRef};
use rusqlite::{Row, Statement, ToSql, params};
use serde::de::IntoDeserializer;
use serde::de::value::StrDeserializer;
use serde::{Deserialize, Serialize};

use crate::channels::{ChannelId, PathClass, Standard};
use crate::reading::shape::{Echo, Shape};
use crate::reading::{Estimate, Health, Identity, NoiseSource, Part, PilotReading, Reading, Trace};

/// Writes one reading; [`bind`] gives the parameters.
pub(super) const INSERT: &str = "INSERT INTO readings (take_id, seq, channel, state, found, figures, rest) \
                                 VALUES (?1, ?2, ?3, ?4, ?5, ?6, ?7)";

/// Reads the readings of one take, in order, for [`Reader::read`].
pub(super) const SELECT: &str =
    "SELECT channel, state, found, figures, rest FROM readings WHERE take_id = ?1 ORDER BY seq";

/// How many figures a reading has.
///
/// They share one column: with a column each, about half the time of loading 10 000 takes of 36 channels went into
/// taking rows apart. A new figure goes at the end: what a row has not is absent, and what is absent at the end is not
/// kept.
const FIGURES: usize = 36;

/// Where the figures of the pilot begin.
const PILOT: usize = 15;

/// Where those of the shape begin.
const SHAPE: usize = 22;

/// Where those of the echo begin.
const ECHO: usize = 32;

/// Stands for a figure that is absent; a take with NaN in it is refused.
const ABSENT: f64 = f64::NAN;

/// What many readings have in common, kept as JSON, in which what isn't there costs nothing.
///
/// A new field of [`Reading`] that is no figure can go here, with a default, without changing the table; the logbook's
/// version must still go up, or an older program would drop the field.
#[derive(Debug, Clone, Default, PartialEq, Serialize, Deserialize)]
struct Rest {
    #[serde(default, skip_serializing_if = "Option::is_none")]
    noise_source: Option<NoiseSource>,
    #[serde(default, skip_serializing_if = "Option::is_none")]
    standard: Option<Standard>,
    /// The covered parts, unless there is one and it is the channel.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    parts: Option<Vec<Part>>,
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    health: Vec<Health>,
    #[serde(default, skip_serializing_if = "Option::is_none")]
    identity: Option<Identity>,
    #[serde(default, skip_serializing_if = "Option::is_none")]
    path: Option<PathClass>,
    #[serde(default, skip_serializing_if = "Option::is_none")]
    shape_class: Option<PathClass>,
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pilot_found: Option<bool>,
}

/// Binds a reading to a statement of [`INSERT`] and runs it.
pub(super) fn bind(
    statement: &mut Statement<'_>,
    take_id: i64,
    seq: usize,
    reading: &Reading,
) -> rusqlite::Result<()> {
    // Every field by name: a new one that isn't kept doesn't compile.
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
        pilot,
        identity,
        shape,
        echo,
        path,
    } = reading;
    let whole = *parts
        == [Part {
            low_hz: *low_hz,
            high_hz: *high_hz,
        }];
    let rest = Rest {
        noise_source: *noise_source,
        standard: *standard,
        parts: (!whole).then(|| parts.clone()),
        health: health.clone(),
        identity: identity.clone(),
        path: *path,
        shape_class: shape.map(|shape| shape.class),
        pilot_found: pilot.map(|pilot| pilot.found),
    };
    let rest = (rest != Rest::default())
        .then(|| lossless_json(&rest))
        .transpose()?;
    let mut figures = Vec::with_capacity(FIGURES);
    figures.extend([
        *low_hz,
        *high_hz,
        *covered,
        *noise_type_b,
        signal_upper.unwrap_or(ABSENT),
        threshold_db.unwrap_or(ABSENT),
    ]);
    figures.extend([power, noise, signal].map(split).as_flattened());
    figures.extend(
        pilot
            .as_ref()
            .map_or([ABSENT; SHAPE - PILOT], pilot_figures),
    );
    figures.extend(shape.as_ref().map_or([ABSENT; ECHO - SHAPE], shape_figures));
    figures.extend(echo.as_ref().map_or([ABSENT; FIGURES - ECHO], echo_figures));
    while figures.pop_if(|figure| figure.is_nan()).is_some() {}
    let figures: Vec<u8> = figures.into_iter().flat_map(f64::to_le_bytes).collect();
    statement.execute(params![
        take_id,
        seq as i64,
        Key(channel),
        state.map(|state| state.word()),
        found,
        figures,
        rest,
    ])?;
    Ok(())
}

fn split(estimate: &Option<Estimate>) -> [f64; 3] {
    estimate.map_or(
        [ABSENT; 3],
        |Estimate {
             value,
             standard_error,
             degrees_of_freedom,
         }| { [value, standard_error, degrees_of_freedom] },
    )
}

fn pilot_figures(pilot: &PilotReading) -> [f64; SHAPE - PILOT] {
    let PilotReading {
        offset_hz,
        offset_standard_error_hz,
        power,
        snr_db,
        enbw_hz,
        found: _in_rest,
    } = *pilot;
    let [value, standard_error, degrees_of_freedom] = split(&Some(power));
    [
        offset_hz,
        offset_standard_error_hz,
        value,
        standard_error,
        degrees_of_freedom,
        snr_db.unwrap_or(ABSENT),
        enbw_hz,
    ]
}

fn shape_figures(shape: &Shape) -> [f64; ECHO - SHAPE] {
    let Shape {
        sigma_sp_db,
        sigma_sp_standard_error_db,
        class: _in_rest,
        tilt_db,
        tilt_standard_error_db,
        ripple_db,
        notch_db,
        notch_hz,
        low_hz,
        high_hz,
        resolution_hz,
    } = *shape;
    [
        sigma_sp_db,
        sigma_sp_standard_error_db,
        tilt_db,
        tilt_standard_error_db,
        ripple_db,
        notch_db,
        notch_hz,
        low_hz,
        high_hz,
        resolution_hz,
    ]
}

fn echo_figures(echo: &Echo) -> [f64; FIGURES - ECHO] {
    let Echo {
        delay_s,
        delay_standard_error_s,
        level_db,
        false_alarm,
    } = *echo;
    [delay_s, delay_standard_error_s, level_db, false_alarm]
}

/// Reads rows of [`SELECT`].
///
/// It remembers what it made of the last few texts of `rest`: most channels share theirs, and parsing each of 360 000
/// again would take longer than all else together.
#[derive(Debug, Default)]
pub(super) struct Reader {
    rests: Vec<(Vec<u8>, Rest)>,
    /// Which to forget next, once there are enough.
    oldest: usize,
}

/// How many texts a [`Reader`] remembers: few enough to be looked through one by one.
const REMEMBERED: usize = 32;

impl Reader {
    pub(super) fn read(&mut self, row: &Row<'_>) -> rusqlite::Result<Reading> {
        let Key(channel) = row.get(0)?;
        let figures = Figures::of(row.get_ref(3)?.as_blob()?);
        let (low_hz, high_hz) = (figures.always(0)?, figures.always(1)?);
        let Rest {
            noise_source,
            standard,
            parts,
            health,
            identity,
            path,
            shape_class,
            pilot_found,
        } = match row.get_ref(4)? {
            ValueRef::Null => Rest::default(),
            text => self.rest(text.as_bytes()?)?.clone(),
        };
        Ok(Reading {
            channel,
            low_hz,
            high_hz,
            covered: figures.always(2)?,
            parts: parts.unwrap_or_else(|| vec![Part { low_hz, high_hz }]),
            power: figures.estimate(6),
            noise: figures.estimate(9),
            noise_source,
            signal: figures.estimate(12),
            noise_type_b: figures.always(3)?,
            found: row.get(2)?,
            signal_upper: figures.maybe(4),
            standard,
            threshold_db: figures.maybe(5),
            state: named(row, 1)?,
            health,
            pilot: pilot_found.map(|found| figures.pilot(found)).transpose()?,
            identity,
            shape: shape_class.map(|class| figures.shape(class)).transpose()?,
            echo: figures.echo()?,
            path,
        })
    }

    fn rest(&mut self, text: &[u8]) -> rusqlite::Result<&Rest> {
        let index = match self.rests.iter().position(|(known, _)| known == text) {
            Some(index) => index,
            None => {
                let rest = serde_json::from_slice(text).map_err(|error| unreadable(4, error))?;
                let new = (text.to_vec(), rest);
                if self.rests.len() < REMEMBERED {
                    self.rests.push(new);
                    self.rests.len() - 1
                } else {
                    let index = self.oldest;
                    self.rests[index] = new;
                    self.oldest = (index + 1) % REMEMBERED;
                    index
                }
            }
        };
        Ok(&self.rests[index].1)
    }
}

/// The figures of one row.
struct Figures([f64; FIGURES]);

impl Figures {
    fn of(bytes: &[u8]) -> Figures {
        let mut figures = [ABSENT; FIGURES];
        for (figure, bytes) in figures.iter_mut().zip(bytes.as_chunks::<8>().0) {
            *figure = f64::from_le_bytes(*bytes);
        }
        Figures(figures)
    }

    fn maybe(&self, index: usize) -> Option<f64> {
        Some(self.0[index]).filter(|figure| !figure.is_nan())
    }

    fn always(&self, index: usize) -> rusqlite::Result<f64> {
        self.maybe(index).ok_or_else(|| {
            let problem = format!("a reading lacks its figure {index}");
            rusqlite::Error::FromSqlConversionFailure(3, Type::Blob, problem.into())
        })
    }

    fn estimate(&self, first: usize) -> Option<Estimate> {
        let value = self.maybe(first)?;
        Some(Estimate {
            value,
            standard_error: self.0[first + 1],
            degrees_of_freedom: self.0[first + 2],
        })
    }

    fn pilot(&self, found: bool) -> rusqlite::Result<PilotReading> {
        Ok(PilotReading {
            offset_hz: self.always(PILOT)?,
            offset_standard_error_hz: self.always(PILOT + 1)?,
            power: Estimate {
                value: self.always(PILOT + 2)?,
                standard_error: self.always(PILOT + 3)?,
                degrees_of_freedom: self.always(PILOT + 4)?,
            },
            snr_db: self.maybe(PILOT + 5),
            enbw_hz: self.always(PILOT + 6)?,
            found,
        })
    }

    fn shape(&self, class: PathClass) -> rusqlite::Result<Shape> {
        Ok(Shape {
            sigma_sp_db: self.always(SHAPE)?,
            sigma_sp_standard_error_db: self.always(SHAPE + 1)?,
            class,
            tilt_db: self.always(SHAPE + 2)?,
            tilt_standard_error_db: self.always(SHAPE + 3)?,
            ripple_db: self.always(SHAPE + 4)?,
            notch_db: self.always(SHAPE + 5)?,
            notch_hz: self.always(SHAPE + 6)?,
            low_hz: self.always(SHAPE + 7)?,
            high_hz: self.always(SHAPE + 8)?,
            resolution_hz: self.always(SHAPE + 9)?,
        })
    }

    fn echo(&self) -> rusqlite::Result<Option<Echo>> {
        let Some(delay_s) = self.maybe(ECHO) else {
            return Ok(None);
        };
        Ok(Some(Echo {
            delay_s,
            delay_standard_error_s: self.always(ECHO + 1)?,
            level_db: self.always(ECHO + 2)?,
            false_alarm: self.always(ECHO + 3)?,
        }))
    }
}

/// The value that serde gives this name.
fn named<'de, T: Deserialize<'de>>(
    row: &'de Row<'_>,
    column: usize,
) -> rusqlite::Result<Option<T>> {
    let Some(name) = row.get_ref(column)?.as_str_or_null()? else {
        return Ok(None);
    };
    let name: StrDeserializer<'_, serde::de::value::Error> = name.into_deserializer();
    T::deserialize(name)
        .map(Some)
        .map_err(|error| unreadable(column, error))
}

/// JSON that reads back as the same value; an error where it wouldn't (it has no NaN and no infinity).
pub(super) fn lossless_json<T>(value: &T) -> rusqlite::Result<String>
where
    T: Serialize + for<'de> Deserialize<'de> + PartialEq,
{
    let failure = |error: String| rusqlite::Error::ToSqlConversionFailure(error.into());
    let text = serde_json::to_string(value).map_err(|error| failure(error.to_string()))?;
    match serde_json::from_str::<T>(&text) {
        Ok(back) if back == *value => Ok(text),
        _ => Err(failure(format!("{text} can't be read back"))),
    }
}

pub(super) fn unreadable(
    column: usize,
    error: impl std::error::Error + Send + Sync + 'static,
) -> rusqlite::Error {
    rusqlite::Error::FromSqlConversionFailure(column, Type::Text, Box::new(error))
}

/// A channel's name in its column: an integer or a text, as in the plan.
struct Key<T>(T);

impl ToSql for Key<&ChannelId> {
    fn to_sql(&self) -> rusqlite::Result<ToSqlOutput<'_>> {
        Ok(match self.0 {
            ChannelId::Number(number) => ToSqlOutput::Owned(Value::Integer(i64::from(*number))),
            ChannelId::Name(name) => ToSqlOutput::Borrowed(ValueRef::Text(name.as_bytes())),
        })
    }
}

impl FromSql for Key<ChannelId> {
    fn column_result(value: ValueRef<'_>) -> FromSqlResult<Self> {
        match value {
            ValueRef::Integer(number) => u16::try_from(number)
                .map(|n| Key(ChannelId::Number(n)))
                .map_err(|_| FromSqlError::OutOfRange(number)),
            text => Ok(Key(ChannelId::Name(text.as_str()?.to_owned()))),
        }
    }
}

/// Stands for "not covered" among the hundredths of a decibel.
const NOTHING: i16 = i16::MIN;

/// A spectrum's densities as bytes: hundredths of a dB, rounded, kept within ±327.67 dB.
pub(super) fn pack(trace: &Trace) -> Vec<u8> {
    let hundredths = |level: Option<f32>| match level {
        None => NOTHING,
        // `as` keeps to the range of i16, whose lower end means something else.
        Some(level) => ((f64::from(level) * 100.0).round() as i16).max(-i16::MAX),
    };
    trace
        .dbfs_per_mhz
        .iter()
        .flat_map(|&level| hundredths(level).to_le_bytes())
        .collect()
}

/// The densities again.
pub(super) fn unpack(bytes: &[u8]) -> Vec<Option<f32>> {
    let pairs = bytes.as_chunks::<2>().0;
    pairs
        .iter()
        .map(|&pair| match i16::from_le_bytes(pair) {
            NOTHING => None,
            hundredths => Some((f64::from(hundredths) / 100.0) as f32),
        })
        .collect()
}
