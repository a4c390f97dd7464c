//! What a take must be to be kept: numbers that are numbers, names that are names.

use super::LogbookError;
use crate::reading::{Estimate, Reading, Settings, Take};

/// The field at fault and what is wrong with it.
pub(super) type Fault = (String, String);

/// Room for rounding where a share adds up to 1.
const ROUNDING: f64 = 1e-6;

/// Refuses a take that couldn't be given back as it was (no file keeps NaN), or that can't have been measured.
///
/// # Errors
/// [`LogbookError::BadTake`].
pub(super) fn take(take: &Take) -> Result<(), LogbookError> {
    inspect(take).map_err(|(place, problem)| LogbookError::BadTake { place, problem })
}

pub(super) fn inspect(take: &Take) -> Result<(), Fault> {
    for (field, name) in [("antenna", &take.antenna), ("spot", &take.spot)] {
        if name.trim().is_empty() {
            return Err((field.into(), "has no name".into()));
        }
    }
    settings(&take.settings)?;
    take.readings.iter().try_for_each(|one| {
        reading(one)
            .map_err(|(field, problem)| (format!("channel {}, {field}", one.channel), problem))
    })?;
    if let Some(trace) = &take.spectrum {
        finite("spectrum.first_hz", trace.first_hz)?;
        finite("spectrum.step_hz", trace.step_hz)?;
        if let Some(index) = trace
            .dbfs_per_mhz
            .iter()
            .flatten()
            .position(|level| level.is_nan())
        {
            return Err((
                "spectrum.dbfs_per_mhz".into(),
                format!("value {} of those covered is NaN", index + 1),
            ));
        }
    }
    Ok(())
}

fn settings(settings: &Settings) -> Result<(), Fault> {
    let Settings {
        plan: _,
        sample_rate_hz,
        dwell_s,
        gains_db,
    } = settings;
    finite("sample_rate_hz", *sample_rate_hz)?;
    finite("dwell_s", *dwell_s)?;
    gains_db.iter().try_for_each(|&(centre_hz, gain_db)| {
        finite("gains_db", centre_hz)?;
        finite("gains_db", gain_db)
    })
}

fn reading(reading: &Reading) -> Result<(), Fault> {
    finite("low_hz", reading.low_hz)?;
    finite("high_hz", reading.high_hz)?;
    if reading.low_hz >= reading.high_hz {
        return Err((
            "high_hz".into(),
            format!(
                "{} is not above low_hz, {}",
                reading.high_hz, reading.low_hz
            ),
        ));
    }
    finite("covered", reading.covered)?;
    if !(-ROUNDING..=1.0 + ROUNDING).contains(&reading.covered) {
        return Err((
            "covered".into(),
            format!("{} is no share from 0 to 1", reading.covered),
        ));
    }
    for (field, value) in [
        ("power", &reading.power),
        ("noise", &reading.noise),
        ("signal", &reading.signal),
    ] {
        if let Some(value) = value {
            estimate(field, value)?;
        }
    }
    finite("noise_type_b", reading.noise_type_b)?;
    for (field, value) in [
        ("signal_upper", reading.signal_upper),
        ("threshold_db", reading.threshold_db),
    ] {
        value.map_or(Ok(()), |value| finite(field, value))?;
    }
    Ok(())
}

fn estimate(field: &str, estimate: &Estimate) -> Result<(), Fault> {
    let &Estimate {
        value,
        standard_error,
        degrees_of_freedom,
    } = estimate;
    finite(field, value)?;
    finite(&format!("{field}.standard_error"), standard_error)?;
    if standard_error < 0.0 {
        return Err((
            format!("{field}.standard_error"),
            format!("{standard_error} is below zero"),
        ));
    }
    // Infinite is meant; the comparison is false for NaN.
    if degrees_of_freedom >= 0.0 {
        Ok(())
    } else {
        Err((
            format!("{field}.degrees_of_freedom"),
            format!("{degrees_of_freedom} is no number from zero up"),
        ))
    }
}

fn finite(field: &str, value: f64) -> Result<(), Fault> {
    if value.is_finite() {
        Ok(())
    } else {
        Err((field.into(), format!("{value} is no finite number")))
    }
}
