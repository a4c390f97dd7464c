//! What a take must be to be kept: numbers that are numbers, names that are names.

use super::LogbookError;
use crate::reading::shape::{Echo, Shape};
use crate::reading::{
    Estimate, Fall, FrequencyReading, GainCheck, Identity, OutlyingStation, PilotReading, Position,
    Reading, Settings, SpurReading, Take, TuningReading,
};

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

/// Refuses a position whose lengths are none.
///
/// # Errors
/// [`LogbookError::BadTake`].
pub(super) fn position(position: Option<Position>) -> Result<(), LogbookError> {
    let outcome = position.as_ref().map_or(Ok(()), place);
    outcome.map_err(|(place, problem)| LogbookError::BadTake { place, problem })
}

pub(super) fn inspect(take: &Take) -> Result<(), Fault> {
    for (field, name) in [("antenna", &take.antenna), ("spot", &take.spot)] {
        if name.trim().is_empty() {
            return Err((field.into(), "has no name".into()));
        }
    }
    settings(&take.settings)?;
    take.position.as_ref().map_or(Ok(()), place)?;
    if let Some(bearing) = &take.bearing {
        if !(0.0..360.0).contains(&bearing.degrees) {
            return Err((
                "bearing_deg".into(),
                format!("{} is not from 0 to under 360", bearing.degrees),
            ));
        }
        if bearing.from.trim().is_empty() {
            return Err((
                "bearing_from".into(),
                "doesn't say where 0 degrees is".into(),
            ));
        }
    }
    take.readings.iter().try_for_each(|one| {
        reading(one)
            .map_err(|(field, problem)| (format!("channel {}, {field}", one.channel), problem))
    })?;
    take.frequency_error.as_ref().map_or(Ok(()), frequency)?;
    take.tunings
        .iter()
        .enumerate()
        .try_for_each(|(index, one)| {
            tuning(one)
                .map_err(|(field, problem)| (format!("tuning {}, {field}", index + 1), problem))
        })?;
    take.gain_check.as_ref().map_or(Ok(()), gain_check)?;
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

fn place(position: &Position) -> Result<(), Fault> {
    let Position { x_m, y_m, height_m } = *position;
    finite("x_m", x_m)?;
    finite("y_m", y_m)?;
    maybe("height_m", height_m)
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
    rising(("low_hz", reading.low_hz), ("high_hz", reading.high_hz))?;
    share("covered", reading.covered)?;
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
        maybe(field, value)?;
    }
    reading.pilot.as_ref().map_or(Ok(()), pilot)?;
    reading.identity.as_ref().map_or(Ok(()), identity)?;
    reading.shape.as_ref().map_or(Ok(()), shape)?;
    reading.echo.as_ref().map_or(Ok(()), echo)
}

fn pilot(pilot: &PilotReading) -> Result<(), Fault> {
    finite("pilot.offset_hz", pilot.offset_hz)?;
    not_negative(
        "pilot.offset_standard_error_hz",
        pilot.offset_standard_error_hz,
    )?;
    estimate("pilot.power", &pilot.power)?;
    maybe("pilot.snr_db", pilot.snr_db)?;
    positive("pilot.enbw_hz", pilot.enbw_hz)
}

fn identity(identity: &Identity) -> Result<(), Fault> {
    let Identity::Ofdm { system, guard, .. } = identity else {
        return Ok(());
    };
    for (field, text) in [
        ("identity.system", Some(system)),
        ("identity.guard", guard.as_ref()),
    ] {
        if text.is_some_and(|text| text.trim().is_empty()) {
            return Err((field.into(), "is empty".into()));
        }
    }
    Ok(())
}

fn shape(shape: &Shape) -> Result<(), Fault> {
    for (field, value) in [
        ("shape.sigma_sp_db", shape.sigma_sp_db),
        (
            "shape.sigma_sp_standard_error_db",
            shape.sigma_sp_standard_error_db,
        ),
        ("shape.tilt_standard_error_db", shape.tilt_standard_error_db),
        ("shape.ripple_db", shape.ripple_db),
    ] {
        not_negative(field, value)?;
    }
    finite("shape.tilt_db", shape.tilt_db)?;
    not_positive("shape.notch_db", shape.notch_db)?;
    finite("shape.notch_hz", shape.notch_hz)?;
    rising(
        ("shape.low_hz", shape.low_hz),
        ("shape.high_hz", shape.high_hz),
    )?;
    positive("shape.resolution_hz", shape.resolution_hz)
}

fn echo(echo: &Echo) -> Result<(), Fault> {
    positive("echo.delay_s", echo.delay_s)?;
    not_negative("echo.delay_standard_error_s", echo.delay_standard_error_s)?;
    not_positive("echo.level_db", echo.level_db)?;
    share("echo.false_alarm", echo.false_alarm)
}

/// The fields are called as in exports.
fn frequency(error: &FrequencyReading) -> Result<(), Fault> {
    finite("ppm", error.ppm)?;
    finite("ppm_low", error.low_ppm)?;
    finite("ppm_high", error.high_ppm)?;
    if error.low_ppm > error.high_ppm {
        return Err((
            "ppm_high".into(),
            format!("{} is under ppm_low, {}", error.high_ppm, error.low_ppm),
        ));
    }
    if error.pilots == 0 {
        return Err((
            "ppm_pilots".into(),
            "an error in ppm rests on 1 pilot at least, not on 0".into(),
        ));
    }
    error.outlying.iter().try_for_each(
        |OutlyingStation {
             channel,
             residual_hz,
             ..
         }| {
            finite(
                &format!("outlying_pilots, channel {channel}, residual_hz"),
                *residual_hz,
            )
        },
    )
}

fn tuning(tuning: &TuningReading) -> Result<(), Fault> {
    finite("centre_hz", tuning.centre_hz)?;
    for (field, value) in [
        ("gain_db", tuning.gain_db),
        ("spike_dbfs", tuning.spike_dbfs),
        ("image_db", tuning.image_db),
    ] {
        maybe(field, value)?;
    }
    for (field, value) in [
        ("lsb_rms", tuning.lsb_rms),
        // An estimate: where rounding is nearly all, it may come out above 1.
        ("rounding_share", tuning.rounding_share),
    ] {
        value.map_or(Ok(()), |value| not_negative(field, value))?;
    }
    share("end_fraction", tuning.end_fraction)?;
    share("expected_end_fraction", tuning.expected_end_fraction)?;
    tuning
        .spurs
        .iter()
        .enumerate()
        .try_for_each(|(index, one)| {
            let &SpurReading {
                hz,
                excess_db,
                power_dbfs,
            } = one;
            for (field, value) in [
                ("hz", hz),
                ("excess_db", excess_db),
                ("power_dbfs", power_dbfs),
            ] {
                finite(&format!("spur {}, {field}", index + 1), value)?;
            }
            Ok(())
        })
}

fn gain_check(check: &GainCheck) -> Result<(), Fault> {
    finite("gain_check.step_db", check.step_db)?;
    check.channels.iter().try_for_each(
        |Fall {
             channel,
             fell_db,
             standard_uncertainty_db,
             ..
         }| {
            let field = |name| format!("gain_check, channel {channel}, {name}");
            finite(&field("fell_db"), *fell_db)?;
            not_negative(&field("standard_uncertainty_db"), *standard_uncertainty_db)
        },
    )
}

fn estimate(field: &str, estimate: &Estimate) -> Result<(), Fault> {
    let &Estimate {
        value,
        standard_error,
        degrees_of_freedom,
    } = estimate;
    finite(field, value)?;
    not_negative(&format!("{field}.standard_error"), standard_error)?;
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

fn maybe(field: &str, value: Option<f64>) -> Result<(), Fault> {
    value.map_or(Ok(()), |value| finite(field, value))
}

fn finite(field: &str, value: f64) -> Result<(), Fault> {
    sensible(field, value, true, "")
}

fn not_negative(field: &str, value: f64) -> Result<(), Fault> {
    sensible(field, value, value >= 0.0, "is below zero")
}

fn not_positive(field: &str, value: f64) -> Result<(), Fault> {
    sensible(field, value, value <= 0.0, "is above zero")
}

fn positive(field: &str, value: f64) -> Result<(), Fault> {
    sensible(field, value, value > 0.0, "is not above zero")
}

fn share(field: &str, value: f64) -> Result<(), Fault> {
    let within = (-ROUNDING..=1.0 + ROUNDING).contains(&value);
    sensible(field, value, within, "is no share from 0 to 1")
}

fn sensible(field: &str, value: f64, holds: bool, fault: &str) -> Result<(), Fault> {
    let fault = match value.is_finite() {
        false => "is no finite number",
        true if holds => return Ok(()),
        true => fault,
    };
    Err((field.into(), format!("{value} {fault}")))
}

fn rising((low, low_hz): (&str, f64), (high, high_hz): (&str, f64)) -> Result<(), Fault> {
    finite(low, low_hz)?;
    finite(high, high_hz)?;
    let fault = format!("is not above {low}, {low_hz}");
    sensible(high, high_hz, high_hz > low_hz, &fault)
}
