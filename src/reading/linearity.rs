//! Whether the receiver was linear: two passes at different gains, compared channel by channel.
//!
//! What is received falls by as many decibels as the gain; a product of intermodulation of order n falls by n times as
//! many, and a compressed signal by fewer (M. Steer, *Microwave and RF Design*, "intercept points"; from memory).

use super::{Estimate, Fall, GainCheck, Health, Reading, Take, TuningReading};
use crate::statistics::median;
use crate::units::ratio_to_db;

/// Channels are compared from this C/N in dB on in the first pass: then the noise taken off matters less than 0.1 dB. In the
/// second pass no C/N is asked for: a product of intermodulation may be gone there, and it is what is looked for.
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

/// A channel must be covered alike in both passes, to this share of its width.
const SAME_COVER: f64 = 0.01;

/// Decibels for a small relative change of a power.
const DB_PER_RATIO: f64 = 10.0 / std::f64::consts::LN_10;

/// Tunings that lie within this are the same, in hertz.
const SAME_TUNING_HZ: f64 = 1.0;

/// Steps that differ by less are the same, in dB.
const SAME_STEP_DB: f64 = 0.05;

/// From this many channels on, their median tells the step.
const ENOUGH: usize = 3;

/// Why linearity can't be told.
#[derive(Debug, Clone, PartialEq, thiserror::Error)]
pub enum GainCheckError {
    /// No channel stands well above the noise in the first pass and is read in the second.
    #[error(
        "{low}: no channel stands 10 dB above the noise in the first recording and is read in this one too, so nothing \
         shows whether levels fell by the gain step: check where a strong station is, at the same tunings"
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
    /// No tuning of one is a tuning of the other.
    #[error(
        "{low}: none of its tunings is one of the other recording's: record the same tunings at both gains"
    )]
    OtherTunings {
        /// The second pass's source.
        low: String,
    },
    /// The second pass's gain is the higher one.
    #[error(
        "{low}: its gain is {rise_db:.1} dB higher than the other's: give the recording with the higher gain to --from \
         and the one with the lower gain to --check-gain"
    )]
    Swapped {
        /// The second pass's source.
        low: String,
        /// By how much the gain was raised, in dB.
        rise_db: f64,
    },
    /// The gain was not lowered by the same step at every tuning.
    #[error(
        "{low}: its gain is {least_db:.1} dB lower at one tuning and {most_db:.1} dB at another: lower it by the same step \
         everywhere"
    )]
    StepsDiffer {
        /// The second pass's source.
        low: String,
        /// The smallest step in dB.
        least_db: f64,
        /// The largest step in dB.
        most_db: f64,
    },
}

/// By how much the gain was lowered, as the passes say it.
#[derive(Debug, Clone, Copy, PartialEq)]
enum Steps {
    /// One of them doesn't.
    Unsaid,
    /// Everywhere by so many dB.
    Same(f64),
    /// By so many dB at least and at most.
    Differ(f64, f64),
}

/// By how much a channel's level fell, in dB.
#[derive(Debug, Clone, Copy)]
struct Fell {
    db: f64,
    /// Whether it is a lower bound: the second pass shows nothing.
    at_least: bool,
    uncertainty_db: f64,
}

/// Compares `take` with a second pass at another gain.
///
/// # Errors
/// [`GainCheckError`] where nothing can be told.
pub fn gain_check(take: &Take, second: &Take) -> Result<GainCheck, GainCheckError> {
    let low = || second.source.clone();
    let shared = |centre_hz: f64| {
        let same = |other: &TuningReading| (other.centre_hz - centre_hz).abs() < SAME_TUNING_HZ;
        second.tunings.iter().any(same)
    };
    if !take.tunings.is_empty() && !take.tunings.iter().any(|tuning| shared(tuning.centre_hz)) {
        return Err(GainCheckError::OtherTunings { low: low() });
    }
    let nominal_db = match steps(take, second) {
        Steps::Unsaid => None,
        Steps::Same(0.0) => return Err(GainCheckError::SameGain { low: low() }),
        Steps::Same(step_db) if step_db < 0.0 => {
            return Err(GainCheckError::Swapped {
                low: low(),
                rise_db: -step_db,
            });
        }
        Steps::Same(step_db) => Some(step_db),
        Steps::Differ(least_db, most_db) => {
            return Err(GainCheckError::StepsDiffer {
                low: low(),
                least_db,
                most_db,
            });
        }
    };
    let falls: Vec<(&Reading, Fell)> = take
        .readings
        .iter()
        .filter_map(|reading| {
            let other = second
                .readings
                .iter()
                .find(|other| other.channel == reading.channel)?;
            Some((reading, fell(reading, other)?))
        })
        .collect();
    if falls.is_empty() {
        return Err(GainCheckError::NothingStrong { low: low() });
    }
    let known = falls.iter().filter(|(_, fell)| !fell.at_least);
    let fallen: Vec<f64> = known.map(|(_, fell)| fell.db).collect();
    let measured_db = median(&fallen).filter(|_| fallen.len() >= ENOUGH);
    let believed = |measured: &f64| {
        nominal_db.is_none_or(|nominal| (measured - nominal).abs() <= STEP_TOLERANCE_DB)
    };
    let (step_db, step_measured) = match (measured_db.filter(believed), nominal_db) {
        (Some(measured_db), _) => (measured_db, true),
        (None, Some(nominal_db)) => (nominal_db, false),
        (None, None) => return Err(GainCheckError::StepUnknown { low: low() }),
    };
    // Where the gains aren't said, the levels tell: an unchanged gain and a raised one show nothing.
    if step_db < -ALLOWED_DB {
        return Err(GainCheckError::Swapped {
            low: low(),
            rise_db: -step_db,
        });
    }
    if step_db < ALLOWED_DB {
        return Err(GainCheckError::SameGain { low: low() });
    }
    let allowed_db = if step_measured {
        ALLOWED_DB
    } else {
        STEP_TOLERANCE_DB
    };
    let channels: Vec<Fall> = falls
        .into_iter()
        .filter_map(|(reading, fell)| {
            let beyond_db = fell.db - step_db;
            let allowed_db = allowed_db.max(ALLOWED * fell.uncertainty_db);
            // A bound that lies below the step tells nothing.
            (!fell.at_least || beyond_db > allowed_db).then(|| Fall {
                channel: reading.channel.clone(),
                fell_db: fell.db,
                at_least: fell.at_least,
                standard_uncertainty_db: fell.uncertainty_db,
                linear: beyond_db.abs() <= allowed_db,
            })
        })
        .collect();
    if channels.is_empty() {
        return Err(GainCheckError::NothingStrong { low: low() });
    }
    Ok(GainCheck {
        step_db,
        step_measured,
        channels,
    })
}

/// By how much a channel that is strong in the first pass fell; `None` where it isn't, or the second has no figure for it.
fn fell(reading: &Reading, other: &Reading) -> Option<Fell> {
    if reading.cn_db().is_none_or(|cn| cn < LEAST_CN_DB)
        || (reading.covered - other.covered).abs() > SAME_COVER
    {
        return None;
    }
    let error =
        |reading: &Reading, signal: Estimate| signal.standard_error.hypot(reading.noise_type_b);
    let (before, after) = (reading.signal?, other.signal?);
    let before_dbfs = before.dbfs()?.0;
    let before_error_db = DB_PER_RATIO * error(reading, before) / before.value;
    let after_error = error(other, after);
    let at_least = after.value <= ALLOWED * after_error;
    let (after, after_error_db) = if at_least {
        (after.value.max(0.0) + ALLOWED * after_error, 0.0)
    } else {
        (after.value, DB_PER_RATIO * after_error / after.value)
    };
    (after > 0.0).then(|| Fell {
        db: before_dbfs - ratio_to_db(after),
        at_least,
        uncertainty_db: before_error_db.hypot(after_error_db).hypot(UNSTEADINESS_DB),
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
                at_least: fall.at_least,
                step_db: check.step_db,
            });
        }
    }
    take.gain_check = Some(check);
}

/// By how much the gain was lowered at the tunings that both passes have.
fn steps(take: &Take, second: &Take) -> Steps {
    let steps = take.settings.gains_db.iter().filter_map(|(hz, db)| {
        let same = |(other, _): &&(f64, f64)| (other - hz).abs() < SAME_TUNING_HZ;
        let (_, other) = second.settings.gains_db.iter().find(same)?;
        Some(db - other)
    });
    let (least, most) = steps.fold((f64::INFINITY, f64::NEG_INFINITY), |(least, most), step| {
        (least.min(step), most.max(step))
    });
    match most - least {
        spread if !spread.is_finite() => Steps::Unsaid,
        spread if spread >= SAME_STEP_DB => Steps::Differ(least, most),
        _ if most.abs() < SAME_STEP_DB => Steps::Same(0.0),
        _ => Steps::Same(least),
    }
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
    fn a_product_that_is_gone_at_the_lower_gain_is_marked_all_the_same() {
        // 15 dB of C/N, 8 dB less gain: a product of third order falls by 24 dB (3 dB a dB), under a noise that falls by 8.
        let high = take("high", Some(30.0), &[-20.0, -25.0, -22.0, -45.0]);
        let mut low = take("low", Some(22.0), &[-28.0, -33.0, -30.0, -69.0]);
        let gone = &mut low.readings[3];
        gone.found = false;
        gone.noise_type_b = 2e-7;
        let check = gain_check(&high, &low).unwrap();
        assert!(
            check.step_measured && (check.step_db - 8.0).abs() < 0.06,
            "{check:?}"
        );
        let last = &check.channels[3];
        // What is left is under 10^(−6.9) + 3 · 2·10⁻⁷, so −61.4 dBFS: 16.4 dB down at least.
        assert!(
            last.at_least && !last.linear && (last.fell_db - 16.4).abs() < 0.1,
            "{last:?}"
        );
        // Weaker, so that even its absence says nothing: left out.
        let high = take("high", Some(30.0), &[-20.0, -25.0, -22.0, -49.5]);
        low.readings[3].noise_type_b = 2e-6;
        assert_eq!(gain_check(&high, &low).unwrap().channels.len(), 3);
    }

    #[test]
    fn recordings_the_wrong_way_round_and_uneven_steps_are_refused() {
        let levels = [-20.0, -25.0, -22.0];
        let high = take("high", Some(30.0), &levels);
        let low = take("low", Some(27.0), &levels.map(|dbfs| dbfs - 3.0));
        let swapped = gain_check(&low, &high).unwrap_err();
        assert_eq!(
            swapped,
            GainCheckError::Swapped {
                low: "high".into(),
                rise_db: 3.0
            }
        );
        // The same where the recordings don't say their gains.
        let unsaid = |mut take: Take| {
            take.settings.gains_db.clear();
            take
        };
        let (high, low) = (unsaid(high), unsaid(low));
        assert!(matches!(
            gain_check(&low, &high),
            Err(GainCheckError::Swapped { rise_db, .. }) if (rise_db - 3.0).abs() < 0.01
        ));
        assert!(matches!(
            gain_check(&high, &high),
            Err(GainCheckError::SameGain { .. })
        ));
        let mut high = take("high", Some(30.0), &levels);
        let mut low = take("low", Some(27.0), &levels);
        high.settings.gains_db.push((513e6, 30.0));
        low.settings.gains_db.push((513e6, 20.0));
        assert!(matches!(
            gain_check(&high, &low),
            Err(GainCheckError::StepsDiffer {
                least_db: 3.0,
                most_db: 10.0,
                ..
            })
        ));
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
        let weaker = take("weaker", Some(0.0), &[-62.0]);
        assert!(matches!(
            gain_check(&weak, &weaker),
            Err(GainCheckError::NothingStrong { .. })
        ));
        let same = take("same", Some(3.0), &[-20.0]);
        assert!(matches!(
            gain_check(&same, &same),
            Err(GainCheckError::SameGain { .. })
        ));
    }
}
