//! Invented rotations.

use jiff::{SignedDuration, Timestamp};

use crate::channels::{ChannelId, Standard};
use crate::reading::{Bearing, Estimate, NoiseSource, Part, Reading, Settings, State, Take};
use crate::survey::turn::{Options, Rotation, pattern};

use super::{NOISE_DBFS, THRESHOLD_DB};
use crate::units::{db_to_ratio, ratio_to_db};

/// A rotation of this many channels from 20 upwards, with an all-round one, a vacant one and weak ones among them; the same
/// every time.
pub(in crate::draw) fn rotation(
    antenna: &str,
    channels: u16,
    bearings: usize,
    seed: u32,
) -> Rotation {
    let mut state = seed;
    let mut random = move || {
        state = state.wrapping_mul(1_664_525).wrapping_add(1_013_904_223);
        f64::from(state >> 8) / f64::from(1u32 << 24) - 0.5
    };
    let takes: Vec<Take> = (0..=bearings)
        .map(|n| {
            let degrees = (n % bearings) as f64 * 360.0 / bearings as f64;
            let readings = (0..channels)
                .map(|channel| {
                    let error_db = 1.2 * random();
                    reading(20 + channel, signal_db(channel, degrees, seed) + error_db)
                })
                .collect();
            take(antenna, n, degrees, readings)
        })
        .collect();
    pattern(&takes, &Options::default()).expect("a rotation")
}

/// Signal over noise of a channel at a bearing, in dB.
fn signal_db(channel: u16, degrees: f64, seed: u32) -> f64 {
    let axis = [20.0, 35.0, 110.0, 350.0, 200.0][usize::from(channel) % 5];
    let level = [28.0, 22.0, 9.0, 17.0, -60.0, 14.0][usize::from(channel) % 6];
    let cos = (degrees - axis).to_radians().cos();
    let shape = match (usize::from(channel) + seed as usize - 1) % 4 {
        0 => ((1.0 + cos) / 2.0).powi(2) + 0.02,
        1 => cos * cos + 0.01,
        2 => 1.0,
        _ => ((1.0 + 2.0 * cos) / 3.0).powi(2) + 0.004,
    };
    level + ratio_to_db(shape)
}

fn reading(channel: u16, over_noise_db: f64) -> Reading {
    let noise = db_to_ratio(NOISE_DBFS);
    let signal = noise * db_to_ratio(over_noise_db);
    let estimate = |value: f64| Estimate {
        value,
        standard_error: 0.003 * (noise + signal),
        degrees_of_freedom: 1e5,
    };
    let found = signal > 4.0 * 0.003 * (noise + signal);
    let low_hz = (470.0 + 6.0 * (f64::from(channel) - 14.0)) * 1e6;
    Reading {
        channel: ChannelId::Number(channel),
        low_hz,
        high_hz: low_hz + 6e6,
        covered: 1.0,
        parts: vec![Part {
            low_hz,
            high_hz: low_hz + 6e6,
        }],
        power: Some(estimate(noise + signal)),
        noise: Some(estimate(noise)),
        noise_source: Some(NoiseSource::Terminated),
        signal: Some(estimate(signal)),
        noise_type_b: 0.0,
        found,
        signal_upper: (!found).then_some(signal + 0.012 * noise),
        pilot: None,
        identity: None,
        shape: None,
        echo: None,
        standard: Some(Standard::Vsb8),
        path: None,
        threshold_db: Some(THRESHOLD_DB),
        state: Some(if found {
            State::from_margin(over_noise_db - THRESHOLD_DB)
        } else {
            State::Vacant
        }),
        health: Vec::new(),
    }
}

fn take(antenna: &str, number: usize, degrees: f64, readings: Vec<Reading>) -> Take {
    Take {
        id: Some(number as i64 + 1),
        antenna: antenna.into(),
        spot: "north window".into(),
        taken_at: Timestamp::UNIX_EPOCH + SignedDuration::from_secs(20 * number as i64),
        source: "invented".into(),
        terminated: None,
        settings: Settings {
            plan: "us".into(),
            sample_rate_hz: 2.4e6,
            dwell_s: 0.02,
            gains_db: Vec::new(),
        },
        note: String::new(),
        position: None,
        bearing: Some(Bearing {
            degrees,
            from: "north".into(),
        }),
        scan_count: None,
        readings,
        frequency_error: None,
        tunings: Vec::new(),
        gain_check: None,
        spectrum: None,
    }
}
