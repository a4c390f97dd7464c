//! Takes made up for tests: readings from levels, without samples.

// Each test file uses its own part of this.
#![allow(dead_code)]

pub mod world;

use gainsay::channels::{ChannelId, Standard};
use gainsay::reading::pilot::PILOT_OVER_TOTAL_DB;
use gainsay::reading::{Estimate, NoiseSource, Part, PilotReading, Reading, Settings, State, Take};
use jiff::{SignedDuration, Timestamp};

/// Noise in a channel, linear.
pub const NOISE: f64 = 1e-4;
/// Relative standard error of a channel's power: 6 MHz for 20 ms, 1/√(B·T).
pub const RELATIVE_ERROR: f64 = 0.0029;
/// Threshold of 8-VSB in dB, for states.
pub const THRESHOLD_DB: f64 = 15.2;

pub fn ratio(db: f64) -> f64 {
    10f64.powf(db / 10.0)
}

/// A reading of a power and the noise to subtract, with the statistical error of both.
pub fn reading(channel: u16, power: f64, noise: f64, noise_type_b: f64) -> Reading {
    let estimate = |value: f64| Estimate {
        value,
        standard_error: RELATIVE_ERROR * value,
        degrees_of_freedom: 2.0 / (RELATIVE_ERROR * RELATIVE_ERROR),
    };
    let (power, noise) = (estimate(power), estimate(noise));
    let signal = power.value - noise.value;
    let standard_error = power.standard_error.hypot(noise.standard_error);
    let doubt = standard_error.hypot(noise_type_b);
    let found = signal > 3.0902 * doubt;
    let low_hz = 470e6 + 6e6 * (f64::from(channel) - 14.0);
    let state = if found {
        State::from_margin(10.0 * (signal / noise.value).log10() - THRESHOLD_DB)
    } else {
        State::Vacant
    };
    Reading {
        channel: ChannelId::Number(channel),
        low_hz,
        high_hz: low_hz + 6e6,
        covered: 1.0,
        parts: vec![Part {
            low_hz,
            high_hz: low_hz + 6e6,
        }],
        power: Some(power),
        noise: Some(noise),
        noise_source: Some(NoiseSource::Terminated),
        signal: Some(Estimate {
            value: signal,
            standard_error,
            degrees_of_freedom: power.degrees_of_freedom,
        }),
        noise_type_b,
        found,
        signal_upper: (!found).then(|| signal.max(0.0) + 3.0902 * doubt),
        pilot: None,
        identity: None,
        shape: None,
        echo: None,
        path: None,
        standard: Some(Standard::Vsb8),
        threshold_db: Some(THRESHOLD_DB),
        state: Some(state),
        health: Vec::new(),
    }
}

/// The pilot of a channel at this C/N, found where it should stand, known to so much of its power.
pub fn pilot(cn_db: f64, relative_error: f64) -> PilotReading {
    let value = NOISE * ratio(cn_db + PILOT_OVER_TOTAL_DB);
    PilotReading {
        offset_hz: 0.0,
        offset_standard_error_hz: 5.0,
        power: Estimate {
            value,
            standard_error: relative_error * value,
            degrees_of_freedom: f64::INFINITY,
        },
        snr_db: None,
        enbw_hz: 167.0,
        found: true,
    }
}

/// A take made so many minutes after the first.
pub fn take(antenna: &str, minute: f64, readings: Vec<Reading>) -> Take {
    let start: Timestamp = "2024-05-01T12:00:00Z".parse().expect("a time");
    Take {
        id: None,
        antenna: antenna.to_string(),
        spot: "north window".to_string(),
        taken_at: start + SignedDuration::from_secs_f64(minute * 60.0),
        source: format!("minute-{minute}"),
        terminated: Some("terminator".to_string()),
        settings: Settings {
            plan: "us".to_string(),
            sample_rate_hz: 2.4e6,
            dwell_s: 0.02,
            gains_db: Vec::new(),
        },
        note: String::new(),
        position: None,
        bearing: None,
        scan_count: None,
        readings,
        spectrum: None,
        frequency_error: None,
        tunings: Vec::new(),
        gain_check: None,
    }
}

/// Takes of A and B whose channels have these C/N in dB, at minutes 0, 1, 2 … in the order given (`"ABBA"`).
///
/// `cn_db(antenna, minute, channel)`; channels are 20, 21 …
pub fn trial(
    order: &str,
    channels: u16,
    mut cn_db: impl FnMut(char, f64, u16) -> f64,
) -> (Vec<Take>, Vec<Take>) {
    let (mut a, mut b) = (Vec::new(), Vec::new());
    for (minute, antenna) in order.chars().enumerate() {
        let minute = minute as f64;
        let readings = (20..20 + channels)
            .map(|channel| {
                reading(
                    channel,
                    NOISE * (1.0 + ratio(cn_db(antenna, minute, channel))),
                    NOISE,
                    0.0,
                )
            })
            .collect();
        match antenna {
            'A' => a.push(take("tape loop", minute, readings)),
            'B' => b.push(take("rabbit ears", minute, readings)),
            other => panic!("no antenna {other}"),
        }
    }
    (a, b)
}
