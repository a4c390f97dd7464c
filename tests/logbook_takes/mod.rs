//! Takes made up for the tests and benchmarks of the logbook: no antenna, spot or channel here was ever measured.

#![allow(dead_code, reason = "each test file uses some of these")]

use gainsay::channels::{ChannelId, PathClass, Standard};
use gainsay::reading::pilot::Agreement;
use gainsay::reading::shape::{Echo, Shape, class_of};
use gainsay::reading::{
    Bearing, Estimate, Fall, FrequencyReading, GainCheck, Health, Identity, NoiseSource,
    OutlyingStation, Part, PilotReading, Position, Reading, Settings, SpurReading, State, Take,
    Trace, TuningReading,
};
use jiff::{SignedDuration, Timestamp};

/// A take with `channels` channels and all that belongs to one.
pub fn whole(number: u32, channels: u16) -> Take {
    Take {
        spectrum: Some(spectrum(2_000)),
        tunings: (0..12).map(|index| tuning(number, index)).collect(),
        gain_check: Some(gain_check(number, channels)),
        ..plain(number, channels)
    }
}

/// A plain take with `channels` channels, and what CSV keeps of it; takes with different numbers differ in every figure.
///
/// Of five channels in a row the third is 8-VSB with a pilot; the fourth is so too, or OFDM with an echo, in turn.
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
        position: Some(Position {
            x_m: 1.25 + f64::from(number),
            y_m: -0.5,
            height_m: number.is_multiple_of(2).then_some(1.1),
        }),
        bearing: number.is_multiple_of(3).then(|| Bearing {
            degrees: f64::from(number % 360) + 0.5,
            from: "the window".into(),
        }),
        scan_count: Some(30 + number),
        readings: (0..channels)
            .map(|channel| reading(number, channel))
            .collect(),
        spectrum: None,
        frequency_error: Some(FrequencyReading {
            ppm: 41.0 + 1e-3 * f64::from(number),
            low_ppm: 40.5,
            high_ppm: 41.5 + 1e-3 * f64::from(number),
            pilots: 9,
            agreement: Agreement::Majority,
            outlying: vec![OutlyingStation {
                channel: ChannelId::Number(31),
                residual_hz: 19_403.0 + f64::from(number),
                deliberate: Some("made up, \"for tests\"".into()),
            }],
        }),
        tunings: Vec::new(),
        gain_check: None,
    }
}

fn tuning(number: u32, index: u32) -> TuningReading {
    let centre_hz = 473e6 + 1.6e6 * f64::from(index);
    TuningReading {
        centre_hz,
        gain_db: Some(28.0),
        samples: 240_000 + u64::from(number),
        lsb_rms: Some(4.5 + 0.1 * f64::from(index)),
        clipped: index == 3,
        end_fraction: 1e-5 * f64::from(index),
        expected_end_fraction: 1e-9,
        rounding_share: Some(0.02),
        spike_dbfs: Some(-41.0),
        image_db: Some(38.5),
        image_is_bound: index.is_multiple_of(2),
        spurs: (0..index % 3)
            .map(|spur| SpurReading {
                hz: centre_hz + 1e4 * f64::from(spur),
                excess_db: 11.5,
                power_dbfs: -63.25,
            })
            .collect(),
    }
}

fn gain_check(number: u32, channels: u16) -> GainCheck {
    GainCheck {
        step_db: 6.0 + 1e-3 * f64::from(number),
        step_measured: true,
        channels: (0..channels)
            .step_by(5)
            .map(|channel| Fall {
                channel: ChannelId::Number(14 + channel),
                fell_db: 6.1,
                at_least: false,
                standard_uncertainty_db: 0.05,
                linear: true,
            })
            .collect(),
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
    let ofdm = channel % 10 == 8;
    let vsb8 = signal > 20.0 * noise && !ofdm;
    let varied = f64::from(channel) + 1e-3 * f64::from(number % 1009);
    let shape = (ofdm || vsb8).then(|| shape(0.1 * varied));
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
        pilot: vsb8.then(|| PilotReading {
            offset_hz: -21_000.0 - varied,
            offset_standard_error_hz: 0.5,
            power: estimate(signal / 14.0),
            snr_db: Some(40.0 + varied),
            enbw_hz: 732.421_875,
            found: state == Some(State::Firm),
        }),
        identity: if vsb8 {
            Some(Identity::Vsb8)
        } else if ofdm {
            Some(Identity::Ofdm {
                system: "ATSC 3.0 8k".into(),
                guard: Some("GI5_1024".into()),
                standards: vec![Standard::Atsc3],
            })
        } else {
            None
        },
        shape,
        echo: ofdm.then_some(Echo {
            delay_s: 1e-6 * (1.0 + varied),
            delay_standard_error_s: 1e-8,
            level_db: -9.5,
            false_alarm: 1e-5,
        }),
        path: Some(shape.map_or(PathClass::Gaussian, |shape| shape.class)),
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

fn shape(sigma_sp_db: f64) -> Shape {
    Shape {
        sigma_sp_db,
        sigma_sp_standard_error_db: 0.04,
        class: class_of(sigma_sp_db),
        tilt_db: -0.7 * sigma_sp_db,
        tilt_standard_error_db: 0.1,
        ripple_db: 0.8 * sigma_sp_db,
        notch_db: -3.0 * sigma_sp_db,
        notch_hz: 2.5e6,
        low_hz: 0.34e6,
        high_hz: 5.66e6,
        resolution_hz: 30e3,
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
            (frequency_error, tunings, gain_check) in
                (option::of(frequency_error()), vec(tuning(), 0..3), option::of(gain_check())),
            (position, bearing, scan_count) in
                (option::of(position()), option::of(bearing()), option::of(any::<u32>())),
        ) -> Take {
            let taken_at = Timestamp::new(seconds, 0).expect("in range") + SignedDuration::from_nanos(nanoseconds.into());
            Take {
                id: None,
                antenna,
                spot,
                taken_at,
                source,
                terminated,
                settings,
                note,
                position,
                bearing,
                scan_count,
                readings,
                spectrum,
                frequency_error,
                tunings,
                gain_check,
            }
        }
    }

    prop_compose! {
        fn position()(
            x_m in -1e3..1e3f64,
            y_m in -1e3..1e3f64,
            height_m in option::of(-10.0..100.0f64),
        ) -> Position {
            Position { x_m, y_m, height_m }
        }
    }

    prop_compose! {
        fn bearing()(degrees in 0.0..360.0f64, from in name()) -> Bearing {
            Bearing { degrees, from }
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
            (number(), number())
                .prop_map(|(tuning_mhz, share)| Health::RoundingLimited { tuning_mhz, share }),
            (number(), number())
                .prop_map(|(tuning_mhz, share)| Health::Image { tuning_mhz, share }),
            (number(), number()).prop_map(|(fell_db, step_db)| Health::Overloaded {
                fell_db,
                at_least: fell_db > step_db,
                step_db
            }),
            Just(Health::NoiseEstimated),
            Just(Health::NoiseUnknown),
        ]
    }

    /// Above zero.
    fn positive() -> impl Strategy<Value = f64> {
        number().prop_map(|value| if value == 0.0 { 1.5 } else { value.abs() })
    }

    fn not_negative() -> impl Strategy<Value = f64> {
        number().prop_map(f64::abs)
    }

    fn share() -> impl Strategy<Value = f64> {
        prop_oneof![Just(0.0), Just(1.0), 0.0..1.0f64]
    }

    fn path() -> impl Strategy<Value = PathClass> {
        use PathClass::{Gaussian, Rayleigh, Ricean};
        proptest::sample::select(vec![Gaussian, Ricean, Rayleigh])
    }

    prop_compose! {
        fn pilot()(
            offset_hz in number(),
            offset_standard_error_hz in not_negative(),
            power in estimate(),
            snr_db in option::of(number()),
            enbw_hz in positive(),
            found in any::<bool>(),
        ) -> PilotReading {
            PilotReading { offset_hz, offset_standard_error_hz, power, snr_db, enbw_hz, found }
        }
    }

    fn identity() -> impl Strategy<Value = Identity> {
        prop_oneof![
            Just(Identity::Vsb8),
            Just(Identity::Unidentified),
            (name(), option::of(name()), vec(standard(), 0..3)).prop_map(
                |(system, guard, standards)| Identity::Ofdm {
                    system,
                    guard,
                    standards,
                }
            ),
        ]
    }

    prop_compose! {
        fn any_shape()(
            (sigma_sp_db, sigma_sp_standard_error_db) in (not_negative(), not_negative()),
            class in path(),
            (tilt_db, tilt_standard_error_db, ripple_db) in (number(), not_negative(), not_negative()),
            (depth_db, notch_hz) in (positive(), number()),
            (low_hz, width_hz) in (-1e7..1e7f64, 1.0..1e7f64),
            resolution_hz in positive(),
        ) -> Shape {
            Shape {
                sigma_sp_db,
                sigma_sp_standard_error_db,
                class,
                tilt_db,
                tilt_standard_error_db,
                ripple_db,
                notch_db: -depth_db,
                notch_hz,
                low_hz,
                high_hz: low_hz + width_hz,
                resolution_hz,
            }
        }
    }

    prop_compose! {
        fn echo()(
            delay_s in positive(),
            delay_standard_error_s in not_negative(),
            under_db in positive(),
            false_alarm in share(),
        ) -> Echo {
            Echo { delay_s, delay_standard_error_s, level_db: -under_db, false_alarm }
        }
    }

    prop_compose! {
        fn frequency_error()(
            ppm in number(),
            (one_end, other_end) in (number(), number()),
            pilots in 1usize..1000,
            agreement in proptest::sample::select(vec![Agreement::Single, Agreement::Majority, Agreement::Contested]),
            outlying in vec(
                (channel(), number(), option::of(text())).prop_map(|(channel, residual_hz, deliberate)| {
                    OutlyingStation { channel, residual_hz, deliberate }
                }),
                0..3,
            ),
        ) -> FrequencyReading {
            let (low_ppm, high_ppm) = (one_end.min(other_end), one_end.max(other_end));
            FrequencyReading { ppm, low_ppm, high_ppm, pilots, agreement, outlying }
        }
    }

    fn spur() -> impl Strategy<Value = SpurReading> {
        (number(), number(), number()).prop_map(|(hz, excess_db, power_dbfs)| SpurReading {
            hz,
            excess_db,
            power_dbfs,
        })
    }

    prop_compose! {
        fn tuning()(
            centre_hz in number(),
            gain_db in option::of(number()),
            samples in any::<u64>(),
            lsb_rms in option::of(not_negative()),
            (clipped, image_is_bound) in any::<(bool, bool)>(),
            (end_fraction, expected_end_fraction) in (share(), share()),
            rounding_share in option::of(not_negative()),
            (spike_dbfs, image_db) in (option::of(number()), option::of(number())),
            spurs in vec(spur(), 0..3),
        ) -> TuningReading {
            TuningReading {
                centre_hz,
                gain_db,
                samples,
                lsb_rms,
                clipped,
                end_fraction,
                expected_end_fraction,
                rounding_share,
                spike_dbfs,
                image_db,
                image_is_bound,
                spurs,
            }
        }
    }

    fn gain_check() -> impl Strategy<Value = GainCheck> {
        let fall = (channel(), number(), not_negative(), any::<bool>()).prop_map(
            |(channel, fell_db, standard_uncertainty_db, linear)| Fall {
                channel,
                fell_db,
                at_least: false,
                standard_uncertainty_db,
                linear,
            },
        );
        (number(), any::<bool>(), vec(fall, 0..3)).prop_map(|(step_db, step_measured, channels)| {
            GainCheck {
                step_db,
                step_measured,
                channels,
            }
        })
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
        use NoiseSource::{QuietestStretch, Terminated, TerminatedElsewhere, VacantChannels};
        proptest::sample::select(vec![
            Terminated,
            TerminatedElsewhere,
            VacantChannels,
            QuietestStretch,
        ])
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
            (pilot, identity, shape, echo, path) in (
                option::of(pilot()),
                option::of(identity()),
                option::of(any_shape()),
                option::of(echo()),
                option::of(path()),
            ),
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
                pilot,
                identity,
                shape,
                echo,
                path,
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
