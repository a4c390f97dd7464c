//! Out: a row a reading.

use std::io::Write;

use serde::Serialize;

use super::{COLUMNS, OF_THE_TAKE, OF_THE_TAKE_AT_THE_END};
use crate::logbook::LogbookError;
use crate::reading::shape::{Echo, Shape};
use crate::reading::{
    Estimate, FrequencyReading, Identity, Part, PilotReading, Reading, Settings, Take,
};

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
        let (head, tail) = take_cells(&take);
        let mut row = |index: usize, cells: Vec<String>| {
            let index = [index.to_string()];
            let row = head.iter().chain(&index).chain(&cells).chain(&tail);
            writer
                .write_record(row.map(String::as_bytes))
                .map_err(failed)
        };
        for (index, reading) in take.readings.iter().enumerate() {
            row(index + 1, reading_cells(reading))?;
        }
        if take.readings.is_empty() {
            let cells = COLUMNS.len() - OF_THE_TAKE - 1 - OF_THE_TAKE_AT_THE_END;
            row(0, empty(cells))?;
        }
    }
    writer.flush().map_err(LogbookError::Export)
}

fn empty(cells: usize) -> Vec<String> {
    vec![String::new(); cells]
}

/// The cells at the left and those at the right.
fn take_cells(take: &Take) -> ([String; OF_THE_TAKE], [String; OF_THE_TAKE_AT_THE_END]) {
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
        frequency_error,
        position,
        bearing,
        scan_count,
        // Too much for a cell that each row repeats.
        spectrum: _,
        tunings: _,
        gain_check: _,
    } = take;
    let Settings {
        plan,
        sample_rate_hz,
        dwell_s,
        gains_db,
    } = settings;
    let head = [
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
    ];
    let [ppm, low, high, pilots, agreement, outlying] = frequency_cells(frequency_error);
    let tail = [
        ppm,
        low,
        high,
        pilots,
        agreement,
        outlying,
        maybe(position.map(|position| position.x_m)),
        maybe(position.map(|position| position.y_m)),
        maybe(position.and_then(|position| position.height_m)),
        maybe(bearing.as_ref().map(|bearing| bearing.degrees)),
        bearing
            .as_ref()
            .map_or_else(String::new, |bearing| bearing.from.clone()),
        scan_count.map_or_else(String::new, |count| count.to_string()),
    ];
    (head, tail)
}

fn frequency_cells(error: &Option<FrequencyReading>) -> [String; 6] {
    let Some(FrequencyReading {
        ppm,
        low_ppm,
        high_ppm,
        pilots,
        agreement,
        outlying,
    }) = error
    else {
        return Default::default();
    };
    [
        number(*ppm),
        number(*low_ppm),
        number(*high_ppm),
        pilots.to_string(),
        name(&Some(agreement)),
        list(outlying),
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
        list(health),
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
    cells.extend(pilot_cells(pilot));
    cells.extend(identity_cells(identity));
    cells.extend(shape_cells(shape));
    cells.extend(echo_cells(echo));
    cells.push(name(path));
    cells.push(reading.threshold_assumes().unwrap_or_default().to_owned());
    cells
}

fn pilot_cells(pilot: &Option<PilotReading>) -> Vec<String> {
    let Some(pilot) = pilot else {
        return empty(9);
    };
    let PilotReading {
        offset_hz,
        offset_standard_error_hz,
        power,
        snr_db,
        enbw_hz,
        found,
    } = pilot;
    let mut cells = vec![
        number(*offset_hz),
        number(*offset_standard_error_hz),
        maybe(pilot.dbfs()),
        maybe(*snr_db),
        number(*enbw_hz),
        found.to_string(),
    ];
    cells.extend(estimate_cells(&Some(*power)));
    cells
}

fn identity_cells(identity: &Option<Identity>) -> [String; 4] {
    let (kind, system, guard, standards) = match identity {
        None => return Default::default(),
        Some(Identity::Vsb8) => ("8vsb", None, None, None),
        Some(Identity::Unidentified) => ("unidentified", None, None, None),
        Some(Identity::Ofdm {
            system,
            guard,
            standards,
        }) => ("ofdm", Some(system), guard.as_ref(), Some(standards)),
    };
    [
        kind.to_owned(),
        system.cloned().unwrap_or_default(),
        guard.cloned().unwrap_or_default(),
        standards.map_or_else(String::new, json),
    ]
}

fn shape_cells(shape: &Option<Shape>) -> Vec<String> {
    let Some(Shape {
        sigma_sp_db,
        sigma_sp_standard_error_db,
        class,
        tilt_db,
        tilt_standard_error_db,
        ripple_db,
        notch_db,
        notch_hz,
        low_hz,
        high_hz,
        resolution_hz,
    }) = *shape
    else {
        return empty(11);
    };
    let mut cells = vec![
        number(sigma_sp_db),
        number(sigma_sp_standard_error_db),
        name(&Some(class)),
    ];
    cells.extend(
        [
            tilt_db,
            tilt_standard_error_db,
            ripple_db,
            notch_db,
            notch_hz,
            low_hz,
            high_hz,
            resolution_hz,
        ]
        .map(number),
    );
    cells
}

fn echo_cells(echo: &Option<Echo>) -> [String; 4] {
    echo.map_or_else(
        Default::default,
        |Echo {
             delay_s,
             delay_standard_error_s,
             level_db,
             false_alarm,
         }| { [delay_s, delay_standard_error_s, level_db, false_alarm].map(number) },
    )
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
fn json<T: Serialize + ?Sized>(value: &T) -> String {
    serde_json::to_string(value).unwrap_or_default()
}

/// JSON of a list; empty for an empty one.
fn list<T: Serialize>(list: &[T]) -> String {
    if list.is_empty() {
        String::new()
    } else {
        json(list)
    }
}
