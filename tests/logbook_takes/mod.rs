//! Takes made up for the tests and benchmarks of the logbook: no antenna, spot or channel here was ever measured.

#![allow(dead_code, reason = "each test file uses some of these")]

use gainsay::channels::{ChannelId, Standard};
use gainsay::reading::{
    Estimate, Health, NoiseSource, Part, Reading, Settings, State, Take, Trace,
};
use jiff::{SignedDuration, Timestamp};

/// A plain take with `channels` channels; takes with different numbers differ in every figure.
pub fn plain(number: u32, channels: u16) -> Take {
    let taken_at: Timestamp = "2031-05-04T10:00:00Z".parse().expect("a time");
    Take {
        id: None,
        antenna: if number.is_multiple_of(2) {
            "tape loop"
        } else {
            "rabbit ears"
        }
        .into(),
        spot: "north window".into(),
        taken_at: taken_at + SignedDuration::from_secs(60 * i64::from(number)),
        source: format!("take-{number}.sigmf-meta"),
        terminated: Some("plug.sigmf-meta".into()),
        settings: Settings {
            plan: "us".into(),
            sample_rate_hz: 2.4e6,
            dwell_s: 0.1,
            gains_db: (0..12)
                .map(|i| (473e6 + 1.6e6 * f64::from(i), 28.0))
                .collect(),
        },
        note: String::new(),
        readings: (0..channels)
            .map(|channel| reading(number, channel))
            .collect(),
        spectrum: None,
        frequency_error: None,
        tunings: Vec::new(),
        gain_check: None,
    }
}

fn reading(number: u32, channel: u16) -> Reading {
    let low_hz = 470e6 + 6e6 * f64::from(channel);
    let high_hz = low_hz + 6e6;
    let noise = 2.5e-4 * (1.0 + 1e-3 * f64::from(number % 97));
    let state = [
        Some(State::Vacant),
        Some(State::Trace),
        Some(State::Brink),
        Some(State::Firm),
        None,
    ][usize::from(channel % 5)];
    let signal = noise * [0.0, 10.0, 45.0, 900.0, 0.0][usize::from(channel % 5)];
    let estimate = |value: f64| Estimate {
        value,
        standard_error: (noise + value) * 2e-3,
        degrees_of_freedom: 41.5 + f64::from(number % 13),
    };
    Reading {
        channel: ChannelId::Number(14 + channel),
        low_hz,
        high_hz,
        covered: 1.0,
        parts: vec![Part { low_hz, high_hz }],
        power: Some(estimate(noise + signal)),
        noise: Some(Estimate {
            degrees_of_freedom: f64::INFINITY,
            ..estimate(noise)
        }),
        noise_source: Some(NoiseSource::Terminated),
        signal: Some(estimate(signal)),
        noise_type_b: noise * 0.01,
        found: signal > 0.0,
        signal_upper: (signal <= 0.0).then_some(noise * 0.006),
        pilot: None,
        identity: None,
        shape: None,
        echo: None,
        path: None,
        standard: Some(Standard::Vsb8),
        threshold_db: Some(15.2),
        state,
        // As in takes without a terminated one: a remark on each channel.
        health: if channel.is_multiple_of(3) {
            vec![Health::NoiseEstimated]
        } else {
            Vec::new()
        },
    }
}

/// A spectrum with a gap, on the grid in which it is kept.
pub fn spectrum(bins: usize) -> Trace {
    let level = |i: usize| (i % 11 != 3).then(|| -((6000 + (i * 37) % 2500) as f32) / 100.0);
    Trace {
        first_hz: 470e6,
        step_hz: 25e3,
        dbfs_per_mhz: (0..bins).map(level).collect(),
    }
}

/// Any take: weird text, nothing measured, infinite degrees of freedom, every remark.
pub mod any {
    use proptest::collection::vec;
    use proptest::option;
    use proptest::prelude::*;

    use super::*;

    prop_compose! {
        /// Any take that can be kept.
        pub fn take()(
            antenna in name(),
            spot in name(),
            seconds in -2_000_000_000i64..200_000_000_000,
            nanoseconds in prop_oneof![Just(0), 0..1_000_000_000i32],
            source in text(),
            // An empty text and none are the same in CSV; "no file" is none.
            terminated in option::of(name()),
            settings in settings(),
            note in text(),
            readings in vec(reading(), 0..5),
            spectrum in option::of(trace()),
        ) -> Take {
            let taken_at = Timestamp::new(seconds, 0).expect("in range") + SignedDuration::from_nanos(nanoseconds.into());
            Take { id: None, antenna, spot, taken_at, source, terminated, settings, note, readings, spectrum }
        }
    }

    fn text() -> impl Strategy<Value = String> {
        prop_oneof![
            Just(String::new()),
            Just("\"quoted\", =1+1; it's\r\n\ttwo lines\r".to_owned()),
            Just("\u{feff}\0 null ' -- Fenster «Süd» 北窗 \u{202e}".to_owned()),
            "[ -~]{0,12}",
            any::<String>(),
        ]
    }

    fn name() -> impl Strategy<Value = String> {
        text().prop_map(|text| {
            if text.trim().is_empty() {
                format!("{text}loop")
            } else {
                text
            }
        })
    }

    /// Any finite number but −0, which is kept as 0.
    fn number() -> impl Strategy<Value = f64> {
        prop_oneof![
            Just(0.0),
            Just(f64::MIN_POSITIVE / 1024.0),
            Just(f64::MAX),
            Just(0.1 + 0.2),
            any::<f64>(),
            1e-12..1.0f64,
        ]
        .prop_map(|value| {
            if value.is_finite() {
                value + 0.0
            } else {
                -1.5e-300
            }
        })
    }

    fn estimate() -> impl Strategy<Value = Estimate> {
        let freedom = prop_oneof![Just(f64::INFINITY), Just(0.0), 1.0..1e4f64];
        (number(), number(), freedom).prop_map(|(value, error, degrees_of_freedom)| Estimate {
            value,
            standard_error: error.abs(),
            degrees_of_freedom,
        })
    }

    fn part() -> impl Strategy<Value = Part> {
        (number(), number()).prop_map(|(low_hz, high_hz)| Part { low_hz, high_hz })
    }

    fn health() -> impl Strategy<Value = Health> {
        prop_oneof![
            number().prop_map(|covered| Health::Partial { covered }),
            (number(), number()).prop_map(|(tuning_mhz, fraction)| Health::Clipped {
                tuning_mhz,
                fraction
            }),
            (number(), number()).prop_map(|(tuning_mhz, lsb_rms)| Health::WeakDrive {
                tuning_mhz,
                lsb_rms
            }),
            Just(Health::NoiseEstimated),
        ]
    }

    fn settings() -> impl Strategy<Value = Settings> {
        (text(), number(), number(), vec((number(), number()), 0..4)).prop_map(
            |(plan, sample_rate_hz, dwell_s, gains_db)| Settings {
                plan,
                sample_rate_hz,
                dwell_s,
                gains_db,
            },
        )
    }

    fn channel() -> impl Strategy<Value = ChannelId> {
        // A plan's file makes a number of what is one.
        prop_oneof![
            any::<u16>().prop_map(ChannelId::Number),
            "[0-9]{1,2}[A-Z]".prop_map(ChannelId::Name),
            Just(ChannelId::Name("ä \"9\",\n".into())),
        ]
    }

    fn standard() -> impl Strategy<Value = Standard> {
        use Standard::{Atsc3, DvbT, DvbT2, IsdbT, Vsb8};
        proptest::sample::select(vec![Vsb8, Atsc3, DvbT, DvbT2, IsdbT])
    }

    fn noise_source() -> impl Strategy<Value = NoiseSource> {
        use NoiseSource::{Terminated, TerminatedElsewhere, VacantChannels};
        proptest::sample::select(vec![Terminated, TerminatedElsewhere, VacantChannels])
    }

    prop_compose! {
        fn reading()(
            channel in channel(),
            (low_hz, width_hz) in (0.0..1e10f64, 1.0..1e8f64),
            covered in prop_oneof![Just(0.0), Just(1.0), 0.0..1.0f64],
            parts in option::of(vec(part(), 0..3)),
            (power, noise, signal) in (option::of(estimate()), option::of(estimate()), option::of(estimate())),
            noise_source in option::of(noise_source()),
            noise_type_b in number(),
            found in any::<bool>(),
            signal_upper in option::of(number()),
            standard in option::of(standard()),
            threshold_db in option::of(number()),
            state in option::of(proptest::sample::select(State::ALL.to_vec())),
            health in vec(health(), 0..3),
        ) -> Reading {
            let high_hz = low_hz + width_hz;
            Reading {
                channel,
                low_hz,
                high_hz,
                covered,
                parts: parts.unwrap_or_else(|| vec![Part { low_hz, high_hz }]),
                power,
                noise,
                noise_source,
                signal,
                noise_type_b,
                found,
                signal_upper,
                standard,
                threshold_db,
                state,
                health,
            }
        }
    }

    /// Levels on the grid in which they are kept: hundredths of a dB within ±327.67.
    fn trace() -> impl Strategy<Value = Trace> {
        let level =
            (-32767..=32767i32).prop_map(|hundredths| (f64::from(hundredths) / 100.0) as f32);
        (number(), number(), vec(option::of(level), 0..20)).prop_map(
            |(first_hz, step_hz, dbfs_per_mhz)| Trace {
                first_hz,
                step_hz,
                dbfs_per_mhz,
            },
        )
    }
}
