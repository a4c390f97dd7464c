//! True gain steps, on the air.
//!
//! Each pair of neighbouring gains is compared at one tuning, in blocks A B B A within a fraction of a second, so that what
//! fades meanwhile cancels. The tuning is the strongest that the higher gain leaves unclipped: the more signal there is,
//! the less of the power is the receiver's own noise, which does not step with the gain. A step whose samples clipped, or were
//! below [`WEAK_LSB`] rms, is not given.

use std::time::Duration;

use super::{CheckProgress, Glanced, Step, amplitude, power};
use crate::capture::dongle::{DongleError, GainStep, Receiver, Setting};
use crate::statistics::Moments;
use crate::units::{Decibels, ratio_to_db};

/// Length of one capture.
const LENGTH: Duration = Duration::from_millis(10);
/// Blocks A B B A.
const BLOCKS: usize = 3;
/// Below so many converter steps rms rounding is no longer a small part.
const WEAK_LSB: f64 = 2.0;
/// Level at the higher gain, by the nominal gains, that should not be exceeded: noise-like signals clip above it.
const STRONGEST_DBFS: f64 = -12.0;

/// Measures all steps, ascending; fewer where `go_on` says no.
pub(super) fn measure(
    receiver: &mut Receiver,
    glanced: &[Glanced],
    go_on: &mut dyn FnMut(CheckProgress) -> bool,
) -> Result<Vec<GainStep>, DongleError> {
    let gains: Vec<Decibels> = receiver.dongle().tuner.gains.iter().collect();
    let of = gains.len().saturating_sub(1);
    let mut steps = Vec::new();
    for (done, pair) in gains.windows(2).enumerate() {
        let progress = CheckProgress {
            step: Step::GainSteps,
            done,
            of,
        };
        if !go_on(progress) {
            break;
        }
        let Some(best) = strongest(glanced, pair[1]) else {
            break;
        };
        let mut step = GainStep {
            from_db: pair[0].0,
            to_db: pair[1].0,
            centre_hz: best.setting.centre.0,
            step_db: None,
            standard_error_db: None,
        };
        match blocks(receiver, best.setting, [pair[0], pair[1]]) {
            Ok(Some(found)) => {
                step.step_db = Some(found.mean);
                step.standard_error_db = Some(found.standard_error());
            }
            Ok(None) => {}
            Err(error) if error.ends_it() => return Err(error),
            Err(_) => {}
        }
        steps.push(step);
    }
    Ok(steps)
}

/// The tuning with the most power of those that don't clip at `gain`, by their nominal gains; the weakest where all do.
fn strongest(glanced: &[Glanced], gain: Decibels) -> Option<&Glanced> {
    let level_dbfs = |seen: &Glanced| seen.level_dbfs + gain.0 - seen.setting.gain.0;
    glanced
        .iter()
        .filter(|seen| level_dbfs(seen) <= STRONGEST_DBFS)
        .max_by(|a, b| level_dbfs(a).total_cmp(&level_dbfs(b)))
        .or_else(|| {
            glanced
                .iter()
                .min_by(|a, b| level_dbfs(a).total_cmp(&level_dbfs(b)))
        })
}

/// The step from the first gain to the second, by block, in dB; `None` where it clipped or was weak.
fn blocks(
    receiver: &mut Receiver,
    setting: Setting,
    gains: [Decibels; 2],
) -> Result<Option<Moments>, DongleError> {
    let mut differences = Vec::with_capacity(BLOCKS);
    for _ in 0..BLOCKS {
        let mut sum_db = 0.0;
        for (which, sign) in [(0, -0.5), (1, 0.5), (1, 0.5), (0, -0.5)] {
            let stats = amplitude(
                receiver,
                Setting {
                    gain: gains[which],
                    ..setting
                },
                LENGTH,
            )?;
            let weak = stats.drive_lsb_rms().is_none_or(|drive| drive < WEAK_LSB);
            if weak || stats.clipping().clipped {
                return Ok(None);
            }
            sum_db += sign * ratio_to_db(power(&stats));
        }
        differences.push(sum_db);
    }
    Ok(Moments::of(&differences))
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::units::Hertz;

    fn seen(mhz: f64, gain_db: f64, level_dbfs: f64) -> Glanced {
        Glanced {
            setting: Setting {
                centre: Hertz::from_mhz(mhz),
                gain: Decibels(gain_db),
            },
            level_dbfs,
        }
    }

    #[test]
    fn the_strongest_tuning_that_does_not_clip_is_taken() {
        let glanced = [
            seen(500.0, 10.0, -20.0),
            seen(510.0, 30.0, -20.0),
            seen(520.0, 30.0, -30.0),
        ];
        let at = |gain| strongest(&glanced, Decibels(gain)).map(|seen| seen.setting.centre.mhz());
        assert_eq!(at(0.0), Some(500.0));
        assert_eq!(at(18.0), Some(500.0));
        assert_eq!(at(20.0), Some(510.0));
        assert_eq!(at(40.0), Some(520.0));
        assert_eq!(at(49.6), Some(520.0));
        assert!(strongest(&[], Decibels(0.0)).is_none());
    }
}
