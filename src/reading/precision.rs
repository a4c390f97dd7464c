//! How well a channel's level is known, and how many passes more would do.

use std::f64::consts::LN_10;

use super::Reading;
use crate::channels::ChannelId;

/// More passes than this are not worth waiting for.
pub const MOST_PASSES: f64 = 200.0;

/// What is known of a channel's precision.
#[derive(Debug, Clone, PartialEq)]
pub struct Precision {
    /// The channel.
    pub channel: ChannelId,
    /// Standard error of its level in dB, the statistical part; `None` where no signal was found.
    pub standard_error_db: Option<f64>,
    /// What it would take.
    pub outlook: Outlook,
}

/// What it takes to know a channel's level well enough.
#[derive(Debug, Clone, Copy, PartialEq)]
pub enum Outlook {
    /// Nothing: it is known.
    Met,
    /// So many passes altogether, at least one more than there were.
    Passes(u64),
    /// No number of passes, or more than [`MOST_PASSES`]: the noise is not known well enough, or the signal too weak.
    Never,
    /// Nothing was found whose level could be known.
    NotFound,
}

/// The precision of each reading after `passes` passes, for a standard error of `wanted_db`.
///
/// The power's part of the error falls with the square root of the number of passes, the noise's does not: the noise was
/// measured once.
pub fn precision(readings: &[Reading], wanted_db: f64, passes: u64) -> Vec<Precision> {
    readings
        .iter()
        .map(|reading| of_one(reading, wanted_db, passes))
        .collect()
}

fn of_one(reading: &Reading, wanted_db: f64, passes: u64) -> Precision {
    let found = (reading.found)
        .then_some((reading.signal, reading.power, reading.noise))
        .and_then(|(signal, power, noise)| Some((signal?, power?, noise?)));
    let channel = reading.channel.clone();
    let Some((signal, power, noise)) = found else {
        return Precision {
            channel,
            standard_error_db: None,
            outlook: Outlook::NotFound,
        };
    };
    let standard_error_db = signal.standard_error_db();
    let wanted = wanted_db * LN_10 / 10.0 * signal.value;
    let left = wanted * wanted - noise.standard_error * noise.standard_error;
    let needed = passes as f64 * power.standard_error * power.standard_error / left;
    let outlook = if standard_error_db.is_some_and(|error| error <= wanted_db) {
        Outlook::Met
    } else if left <= 0.0 || needed > MOST_PASSES {
        Outlook::Never
    } else {
        Outlook::Passes((needed.ceil() as u64).max(passes + 1))
    };
    Precision {
        channel,
        standard_error_db,
        outlook,
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::channels::{Channel, Plan};
    use crate::reading::Estimate;
    use crate::reading::evaluate::uncovered;

    fn reading(signal: f64, power_error: f64, noise_error: f64) -> Reading {
        let channel: Channel = Plan::find("us").unwrap().choose("20").unwrap().remove(0);
        let estimate = |value: f64, standard_error: f64| {
            Some(Estimate {
                value,
                standard_error,
                degrees_of_freedom: f64::INFINITY,
            })
        };
        Reading {
            power: estimate(signal + 1.0, power_error),
            noise: estimate(1.0, noise_error),
            signal: estimate(signal, power_error.hypot(noise_error)),
            found: signal > 0.0,
            ..uncovered(&channel)
        }
    }

    #[test]
    fn the_power_averages_down_and_the_noise_stays() {
        let outlook = |reading: Reading| precision(&[reading], 0.1, 4)[0].outlook;
        // 0.1 dB of 1 is 0.02303 (ln 10 / 100): 0.1 of power error takes (0.1/0.02303)² = 18.9 times as many passes.
        assert_eq!(outlook(reading(1.0, 0.1, 0.0)), Outlook::Passes(76));
        assert_eq!(outlook(reading(1.0, 0.02, 0.0)), Outlook::Met);
        assert_eq!(outlook(reading(1.0, 0.001, 0.024)), Outlook::Never);
        assert_eq!(outlook(reading(1.0, 1.0, 0.0)), Outlook::Never);
        assert_eq!(outlook(reading(-1.0, 1.0, 0.0)), Outlook::NotFound);
    }
}
