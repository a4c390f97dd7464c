//! What a dongle is like: what comes after tuning, true gain steps, frequency error, lost samples.
//!
//! The dongle is opened once for each sample rate; an antenna must be connected for gain steps and frequency error. What
//! can't be measured is left out, and the rest stands.

mod lost;
mod pilots;
mod retuning;
mod steps;

use std::time::Duration;

use jiff::Timestamp;

use crate::capture::dongle::{
    Begin, Choice, DongleError, DongleFigures, Receiver, Retuning, Setting, Settings,
};
use crate::capture::tuning::tile;
use crate::channels::{Channel, Standard};
use crate::reading::amplitude::AmplitudeStats;
use crate::units::{Hertz, ratio_to_db};

use super::gain_plan::{Outcome, Planned, plan_gains};

pub use retuning::measure_retuning;

/// Sample rates at which lost samples are counted, unless others are asked for. Source: handbook of the driver's rates; all
/// are exact.
pub const RATES: [u32; 6] = [
    1_024_000, 2_048_000, 2_400_000, 2_560_000, 2_880_000, 3_200_000,
];

/// How long samples are counted at each rate.
const WATCHED: Duration = Duration::from_secs(3);

/// Length of the capture by which a tuning is known.
const GLANCE: Duration = Duration::from_millis(10);

/// How often to tune to and fro.
const TRIALS: usize = 40;

/// A part of the check.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Step {
    /// Looking for a gain for each channel.
    Gains,
    /// Listening for pilots.
    Pilots,
    /// Tuning to and fro.
    Retuning,
    /// Comparing neighbouring gains.
    GainSteps,
    /// Counting samples.
    Lost,
}

/// How far the check is.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct CheckProgress {
    /// The part under way.
    pub step: Step,
    /// How many of it are done.
    pub done: usize,
    /// Of how many.
    pub of: usize,
}

/// What to check with.
#[derive(Debug, Clone)]
pub struct CheckSettings {
    /// How the dongle is used.
    pub settings: Settings,
    /// Channels to listen to; pilots are sought in those in which 8-VSB is in use.
    pub channels: Vec<Channel>,
    /// Sample rates at which lost samples are counted.
    pub rates: Vec<u32>,
}

/// A tuning with what was seen there.
#[derive(Debug, Clone)]
struct Glanced {
    setting: Setting,
    /// Power on the converter's scale, mean taken off, in dBFS.
    level_dbfs: f64,
}

/// Checks the dongle that is chosen. `go_on` hears of each step and is asked whether to take it: where it says no, what
/// was measured so far is returned.
///
/// # Errors
/// Where the dongle can't be opened, or fails while it is used.
pub fn check(
    choice: &Choice,
    with: &CheckSettings,
    go_on: &mut dyn FnMut(CheckProgress) -> bool,
) -> Result<DongleFigures, DongleError> {
    let mut receiver = Receiver::open(choice, with.settings.clone())?;
    let mut figures = DongleFigures {
        serial: receiver.dongle().name(),
        tuner: receiver.dongle().tuner.name.into(),
        measured_at: Timestamp::now(),
        retuning: None,
        frequency: None,
        gain_steps: Vec::new(),
        lost: Vec::new(),
    };
    measure(&mut receiver, with, &mut figures, go_on)?;
    drop(receiver);
    figures.lost = lost::at_rates(choice, with, WATCHED, go_on)?;
    Ok(figures)
}

/// What one receiver can tell.
fn measure(
    receiver: &mut Receiver,
    with: &CheckSettings,
    figures: &mut DongleFigures,
    go_on: &mut dyn FnMut(CheckProgress) -> bool,
) -> Result<(), DongleError> {
    let rate = Hertz(f64::from(receiver.dongle().sample_rate));
    let centres: Vec<Hertz> = with
        .channels
        .iter()
        .filter_map(|channel| tile(&[(channel.low, channel.high)], rate).first().copied())
        .collect();
    let of = centres.len();
    let planned = plan_gains(receiver, &centres, &mut |done| {
        go_on(CheckProgress {
            step: Step::Gains,
            done,
            of,
        })
    })?;
    let failed = |planned: &Planned| match &planned.outcome {
        Outcome::Failed(error) => Some(error.clone()),
        Outcome::Fits | Outcome::TooStrong => None,
    };
    if let Some(errors) = planned.iter().map(failed).collect::<Option<Vec<_>>>()
        && let Some(first) = errors.into_iter().next()
    {
        // Figures without anything in them would take the place of those kept.
        return Err(first);
    }
    let mut glanced = Vec::new();
    for planned in planned
        .iter()
        .filter(|planned| planned.outcome == Outcome::Fits)
    {
        match glance(receiver, planned.setting) {
            Ok(seen) => glanced.push(seen),
            Err(error) if error.ends_it() => return Err(error),
            Err(_) => {}
        }
    }
    let pilots: Vec<pilots::Place> = with
        .channels
        .iter()
        .filter(|channel| channel.standards.contains(&Standard::Vsb8))
        .filter_map(|channel| {
            let seen = glanced.iter().find(|seen| {
                channel.low.0 < seen.setting.centre.0 && seen.setting.centre.0 < channel.high.0
            })?;
            Some(pilots::Place::of(channel, seen.setting))
        })
        .collect();
    figures.frequency = pilots::frequency(receiver, &pilots, go_on)?;
    let tunings: Vec<Setting> = glanced.iter().map(|seen| seen.setting).collect();
    figures.retuning = measure_retuning(receiver, &tunings, TRIALS, go_on)?;
    if let Some(Retuning {
        stale_samples,
        settling_samples: Some(settling),
        ..
    }) = figures.retuning
    {
        receiver.set_discards(Some(stale_samples), Some(settling));
    }
    figures.gain_steps = steps::measure(receiver, &glanced, go_on)?;
    Ok(())
}

/// Looks at a tuning.
fn glance(receiver: &mut Receiver, setting: Setting) -> Result<Glanced, DongleError> {
    let stats = amplitude(receiver, setting, GLANCE)?;
    Ok(Glanced {
        setting,
        level_dbfs: ratio_to_db(power(&stats)),
    })
}

fn amplitude(
    receiver: &mut Receiver,
    setting: Setting,
    length: Duration,
) -> Result<AmplitudeStats, DongleError> {
    let samples = samples_in(receiver, length);
    let capture = receiver.capture(setting, Begin::Good, samples)?;
    let mut stats = AmplitudeStats::new(receiver.dongle().about().step);
    stats.push(&capture.samples());
    Ok(stats)
}

/// Mean |x|² without the spike in the middle and without what rounding adds, step²/12 on each rail.
fn power(stats: &AmplitudeStats) -> f64 {
    let step = 1.0 / 127.5;
    match (stats.mean_square(), stats.mean()) {
        (Some(square), Some([i, q])) => {
            (square - i * i - q * q - step * step / 6.0).max(step * step * 1e-3)
        }
        _ => step * step * 1e-3,
    }
}

fn samples_in(receiver: &Receiver, length: Duration) -> usize {
    (length.as_secs_f64() * f64::from(receiver.dongle().sample_rate)) as usize
}
