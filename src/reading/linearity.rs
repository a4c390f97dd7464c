//! Whether the receiver was linear: two passes at different gains, compared channel by channel.
//!
//! What is received falls by as many decibels as the gain; a product of intermodulation of order n falls by n times as
//! many, and a compressed signal by fewer (M. Steer, *Microwave and RF Design*, "intercept points"; from memory).

use super::{Fall, GainCheck, Health, Reading, Take};
use crate::statistics::median;

/// Channels are compared from this C/N in dB on, in both passes: then the noise taken off matters less than 0.1 dB.
const LEAST_CN_DB: f64 = 10.0;

/// A channel may differ from the step by this many standard uncertainties …
const ALLOWED: f64 = 3.0;

/// … and by no less than this, in dB, for what changes from one pass to the next in a room.
const ALLOWED_DB: f64 = 0.5;

/// What changes from pass to pass, as a standard uncertainty in dB: the unsteadiness of compare.
const UNSTEADINESS_DB: f64 = 0.25;

/// A nominal gain step is off by no more than this, in dB (common practice, no source): where most channels fell by what
/// differs more, they are wrong and not the step.
const STEP_TOLERANCE_DB: f64 = 1.5;

/// From this many channels on, their median tells the step.
const ENOUGH: usize = 3;

/// Why linearity can't be told.
#[derive(Debug, Clone, PartialEq, thiserror::Error)]
pub enum GainCheckError {
    /// No channel stands well above the noise in both passes.
    #[error(
        "{low}: no channel stands 10 dB above the noise in both passes, so nothing shows whether levels fell by the gain \
         step: check where a strong station is"
    )]
    NothingStrong {
        /// The second pass's source.
        low: String,
    },
    /// Neither pass says its gain, and there are too few channels to tell the step from.
    #[error(
        "{low}: the recordings don't say their gains, and fewer than three strong channels can't tell the step: record \
         the gain with them"
    )]
    StepUnknown {
        /// The second pass's source.
        low: String,
    },
    /// The gain is the same in both.
    #[error(
        "{low}: its gain is the same as the other's, so nothing should fall: lower the gain by a few dB"
    )]
    SameGain {
        /// The second pass's source.
        low: String,
    },
}

/// Compares `take` with a second pass at another gain.
///
/// # Errors
/// [`GainCheckError`] where nothing can be told.
pub fn gain_check(take: &Take, second: &Take) -> Result<GainCheck, GainCheckError> {
    let low = || second.source.clone();
    let falls: Vec<(&Reading, f64, f64)> = take
        .readings
        .iter()
        .filter_map(|reading| {
            let other = second
                .readings
                .iter()
                .find(|other| other.channel == reading.channel)?;
            let strong = |reading: &Reading| reading.cn_db().is_some_and(|cn| cn >= LEAST_CN_DB);
            if !strong(reading) || !strong(other) {
                return None;
            }
            let error_db = |reading: &Reading| reading.signal?.standard_error_db();
            let fell_db = reading.signal_dbfs()? - other.signal_dbfs()?;
            let uncertainty_db = error_db(reading)?
                .hypot(error_db(other)?)
                .hypot(UNSTEADINESS_DB);
            Some((reading, fell_db, uncertainty_db))
        })
        .collect();
    if falls.is_empty() {
        return Err(GainCheckError::NothingStrong { low: low() });
    }
    let nominal_db = nominal_step(take, second);
    if nominal_db == Some(0.0) {
        return Err(GainCheckError::SameGain { low: low() });
    }
    let fallen: Vec<f64> = falls.iter().map(|&(_, fell_db, _)| fell_db).collect();
    let measured_db = median(&fallen).filter(|_| falls.len() >= ENOUGH);
    let believed = |measured: &f64| {
        nominal_db.is_none_or(|nominal| (measured - nominal).abs() <= STEP_TOLERANCE_DB)
    };
    let (step_db, step_measured) = match (measured_db.filter(believed), nominal_db) {
        (Some(measured_db), _) => (measured_db, true),
        (None, Some(nominal_db)) => (nominal_db, false),
        (None, None) => return Err(GainCheckError::StepUnknown { low: low() }),
    };
    let allowed_db = if step_measured {
        ALLOWED_DB
    } else {
        STEP_TOLERANCE_DB
    };
    Ok(GainCheck {
        step_db,
        step_measured,
        channels: falls
            .into_iter()
            .map(|(reading, fell_db, standard_uncertainty_db)| Fall {
                channel: reading.channel.clone(),
                fell_db,
                standard_uncertainty_db,
                linear: (fell_db - step_db).abs()
                    <= allowed_db.max(ALLOWED * standard_uncertainty_db),
            })
            .collect(),
    })
}

/// Puts what a check showed into its take: a remark on each channel that was not linear.
pub fn remark(take: &mut Take, check: GainCheck) {
    for fall in check.channels.iter().filter(|fall| !fall.linear) {
        if let Some(reading) = take
            .readings
            .iter_mut()
            .find(|reading| reading.channel == fall.channel)
        {
            reading.health.push(Health::Overloaded {
                fell_db: fall.fell_db,
                step_db: check.step_db,
            });
        }
    }
    take.gain_check = Some(check);
}

/// By how much the gain was lowered, where both passes say it and it is the same at every tuning.
fn nominal_step(take: &Take, second: &Take) -> Option<f64> {
    let gains = &take.settings.gains_db;
    let steps: Vec<f64> = gains
        .iter()
        .filter_map(|(hz, db)| {
            let (_, other) = second
                .settings
                .gains_db
                .iter()
                .find(|(other, _)| (other - hz).abs() < 1.0)?;
            Some(db - other)
        })
        .collect();
    let &first = steps.first()?;
    steps
        .iter()
        .all(|step| (step - first).abs() < 0.05)
        .then_some(first)
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::channels::ChannelId;
    use crate::reading::{Estimate, Settings};

    fn take(source: &str, gain_db: Option<f64>, levels_dbfs: &[f64]) -> Take {
        let readings = (20..).zip(levels_dbfs).map(|(number, &dbfs)| {
            let estimate = |value: f64| {
                Some(Estimate {
                    value,
                    standard_error: value * 0.003,
                    degrees_of_freedom: 30.0,
                })
            };
            Reading {
                channel: ChannelId::Number(number),
                low_hz: 0.0,
                high_hz: 6e6,
                covered: 1.0,
                parts: Vec::new(),
                power: estimate(10f64.powf(dbfs / 10.0) + 1e-6),
                noise: estimate(1e-6),
                noise_source: None,
                signal: estimate(10f64.powf(dbfs / 10.0)),
                noise_type_b: 0.0,
                found: true,
                signal_upper: None,
                pilot: None,
                identity: None,
                shape: None,
                echo: None,
                standard: None,
                path: None,
                threshold_db: None,
                state: None,
                health: Vec::new(),
            }
        });
        Take {
            id: None,
            antenna: String::new(),
            spot: String::new(),
            taken_at: jiff::Timestamp::UNIX_EPOCH,
            source: source.to_owned(),
            terminated: None,
            settings: Settings {
                plan: "us".to_owned(),
                sample_rate_hz: 2.4e6,
                dwell_s: 0.02,
                gains_db: gain_db.map(|gain| (507e6, gain)).into_iter().collect(),
            },
            note: String::new(),
            position: None,
            bearing: None,
            scan_count: None,
            readings: readings.collect(),
            frequency_error: None,
            tunings: Vec::new(),
            gain_check: None,
            spectrum: None,
        }
    }

    #[test]
    fn a_product_of_third_order_falls_by_three_times_the_step() {
        // Third order: 3 dB for each dB; its definition, whatever the receiver.
        let high = take("high", Some(30.0), &[-20.0, -25.0, -22.0, -35.0]);
        let low = take("low", Some(27.0), &[-23.1, -28.1, -25.1, -44.0]);
        let check = gain_check(&high, &low).unwrap();
        assert!(
            check.step_measured && (check.step_db - 3.1).abs() < 0.06,
            "{check:?}"
        );
        let linear: Vec<bool> = check.channels.iter().map(|fall| fall.linear).collect();
        assert_eq!(linear, [true, true, true, false]);
        let mut take = high;
        remark(&mut take, check);
        assert!(
            matches!(take.readings[3].health[..], [Health::Overloaded { fell_db, .. }] if (fell_db - 9.0).abs() < 0.01)
        );
    }

    #[test]
    fn where_most_channels_are_overloaded_the_gains_set_tell() {
        let high = take("high", Some(30.0), &[-20.0, -25.0, -22.0]);
        let low = take("low", Some(27.0), &[-29.0, -34.0, -31.0]);
        let check = gain_check(&high, &low).unwrap();
        assert!(!check.step_measured && check.step_db == 3.0);
        assert!(check.channels.iter().all(|fall| !fall.linear));
    }

    #[test]
    fn what_can_not_be_told_is_said() {
        let high = take("high", None, &[-20.0, -25.0]);
        let low = take("low", None, &[-23.0, -28.0]);
        assert!(matches!(
            gain_check(&high, &low),
            Err(GainCheckError::StepUnknown { .. })
        ));
        let weak = take("weak", Some(3.0), &[-59.0]);
        assert!(matches!(
            gain_check(&weak, &weak),
            Err(GainCheckError::NothingStrong { .. })
        ));
        let same = take("same", Some(3.0), &[-20.0]);
        assert!(matches!(
            gain_check(&same, &same),
            Err(GainCheckError::SameGain { .. })
        ));
    }
}
