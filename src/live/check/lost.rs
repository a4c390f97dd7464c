//! Samples lost at each sample rate.
//!
//! Method: samples that come are counted against the computer's clock for some seconds. Transfers come at their least
//! lateness at the beginning and at the end of that time; where the second is larger, as many samples are missing. Computer and
//! dongle have clocks of their own, which may differ by 200 millionths: losses below that, or below one transfer, are not
//! seen.

use std::time::{Duration, Instant};

use super::{CheckProgress, CheckSettings, Step};
use crate::capture::dongle::{Choice, DongleError, Lost, Receiver, Settings};

/// Share by which the clocks may differ.
const CLOCKS_DIFFER: f64 = 2e-4;
/// Over how long the least lateness is sought, at the beginning and at the end.
const SOUGHT: Duration = Duration::from_millis(300);
/// How often to look, and to ask whether to go on.
const LOOK: Duration = Duration::from_millis(10);

/// Counts at each rate; fewer where `go_on` says no.
pub(super) fn at_rates(
    choice: &Choice,
    with: &CheckSettings,
    watched: Duration,
    go_on: &mut dyn FnMut(CheckProgress) -> bool,
) -> Result<Vec<Lost>, DongleError> {
    let mut found = Vec::new();
    for (done, &rate) in with.rates.iter().enumerate() {
        let mut asked = || {
            go_on(CheckProgress {
                step: Step::Lost,
                done,
                of: with.rates.len(),
            })
        };
        if !asked() {
            break;
        }
        let settings = Settings {
            sample_rate: rate,
            ..with.settings.clone()
        };
        match Receiver::open(choice, settings) {
            Ok(receiver) => match watch(&receiver, watched, &mut asked) {
                Some(lost) => found.push(lost),
                None => break,
            },
            Err(DongleError::RateRefused { .. }) => found.push(Lost {
                sample_rate_hz: f64::from(rate),
                watched_s: 0.0,
                share: None,
                resolution: CLOCKS_DIFFER,
            }),
            Err(error) => return Err(error),
        }
    }
    Ok(found)
}

fn watch(receiver: &Receiver, watched: Duration, go_on: &mut dyn FnMut() -> bool) -> Option<Lost> {
    let mut least = |length: Duration| {
        let until = Instant::now() + length;
        let mut least_s = f64::INFINITY;
        while Instant::now() < until {
            if !go_on() {
                return None;
            }
            std::thread::sleep(LOOK);
            least_s = least_s.min(receiver.lateness_s().unwrap_or(f64::INFINITY));
        }
        least_s.is_finite().then_some(least_s)
    };
    let first_s = least(SOUGHT)?;
    let begun = Instant::now();
    least(watched.saturating_sub(SOUGHT))?;
    let last_s = least(SOUGHT)?;
    let watched_s = begun.elapsed().as_secs_f64();
    let rate_hz = f64::from(receiver.dongle().sample_rate);
    let transfer_s = receiver.settings().transfers.samples() as f64 / rate_hz;
    let resolution = CLOCKS_DIFFER.max(transfer_s / watched_s);
    let share = (last_s - first_s) / watched_s;
    Some(Lost {
        sample_rate_hz: rate_hz,
        watched_s,
        share: Some(if share > resolution {
            share.min(1.0)
        } else {
            0.0
        }),
        resolution,
    })
}
