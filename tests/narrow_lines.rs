//! Narrow lines that are no station's: told from a pilot, cut out, listed once.
//!
//! Truth: `fixtures/truth.json` for the stations (receiver +41 ppm, channel 22 vacant, noise of −36.22 dBFS in 6 MHz; OFDM of
//! −12 dBFS in channel 27); noise and lines are added here, a line of amplitude *a* having the power *a*². An 8-VSB pilot is
//! 11.3 dB under its data (ATSC A/53 Part 2).

mod program;

use std::f64::consts::TAU;

use program::{DWELL, Made, Place, RATE, channel, figure};
use rand::SeedableRng;
use rand_chacha::ChaCha8Rng;
use rand_distr::{Distribution, StandardNormal};
use serde_json::Value;

/// Noise of the recordings: −44 dBFS in 1 MHz, in steps of the converter rms on one rail.
fn noise_steps() -> f64 {
    (10f64.powf(-4.4) * RATE / 1e6 / 2.0).sqrt() * 127.5
}

/// The centre of a fixture's tuning in hertz.
fn centre_hz(made: &Made, place: usize) -> f64 {
    made.meta["captures"][place]["core:frequency"]
        .as_f64()
        .expect("a frequency")
}

/// A line at a frequency and of a power in dBFS, as a tuning shows it, in steps of the converter.
fn line(made: &Made, place: usize, (hz, dbfs): (f64, f64)) -> impl Fn(usize) -> [f64; 2] + use<> {
    let turns = (hz - centre_hz(made, place)) / RATE;
    let steps = if turns.abs() < 0.49 {
        127.5 * 10f64.powf(dbfs / 20.0)
    } else {
        0.0
    };
    move |n| {
        let (sin, cos) = (TAU * (turns * n as f64).fract()).sin_cos();
        [steps * cos, steps * sin]
    }
}

/// Fresh noise, and lines, in the place of some tunings' samples.
fn with_noise(mut made: Made, places: &[usize], lines: &[(f64, f64)], seed: u64) -> Made {
    let mut rng = ChaCha8Rng::seed_from_u64(seed);
    for &place in places {
        let lines: Vec<_> = lines.iter().map(|&at| line(&made, place, at)).collect();
        for n in 0..DWELL {
            for rail in 0..2 {
                let noise: f64 = StandardNormal.sample(&mut rng);
                let sum: f64 = lines.iter().map(|line| line(n)[rail]).sum();
                let steps = 127.5 + noise * noise_steps() + sum;
                made.data[2 * (place * DWELL + n) + rail] = steps.round().clamp(0.0, 255.0) as u8;
            }
        }
    }
    made.without_hash()
}

fn spurs(take: &Value) -> Vec<&Value> {
    let tunings = take["tunings"].as_array().expect("tunings");
    tunings
        .iter()
        .flat_map(|tuning| tuning["spurs"].as_array().expect("spurs"))
        .collect()
}

/// A take of vsb-a, its vacant channel 22 with these lines.
fn channel_22_with(lines: &[(f64, f64)]) -> Value {
    let place = Place::new();
    let tunings = [6, 7, 8];
    let from = with_noise(Made::of("vsb-a"), &tunings, lines, 1).write(&place, "lines");
    let plug = with_noise(Made::of("vsb-terminated"), &tunings, &[], 2).write(&place, "plug");
    place.json([
        "take",
        "--from",
        &from,
        "--terminated",
        &plug,
        "--antenna",
        "rod",
        "--spot",
        "bench",
        "--no-log",
    ])
}

/// Where the pilot of channel 22 would stand, seen by a receiver that is 41 ppm off.
const PLACE_HZ: f64 = (518e6 + 177e6 / 572.0) / (1.0 + 41e-6);

#[test]
fn a_line_without_a_channel_around_it_is_no_pilot_even_at_a_pilots_place() {
    // 6, 10 and 14 dB under the noise in 6 MHz: the data of a station with such a pilot would be 5 dB over it, 1 dB over it
    // and 3 dB under it. At its place, and where no offset of a station is known.
    for under_db in [6.0, 10.0, 14.0] {
        let dbfs = -36.22 - under_db;
        for hz in [PLACE_HZ, PLACE_HZ + 40e3] {
            let take = channel_22_with(&[(hz, dbfs)]);
            let vacant = channel(&take, 22);
            assert_eq!(vacant["state"], "vacant", "{vacant}");
            assert!(vacant["pilot"].is_null() && vacant["identity"].is_null());
            assert!((figure(&take, "ppm") - 41.0).abs() < 0.3);
            assert_eq!(take["ppm_pilots"], 3);
            assert_eq!(take["outlying_pilots"], serde_json::json!([]));
            let [spur] = spurs(&take)[..] else {
                panic!("{:?}", spurs(&take));
            };
            assert!((figure(spur, "hz") - hz).abs() < 300.0, "{spur}");
            // The line's skirts below the noise stay: half a decibel.
            assert!((figure(spur, "power_dbfs") - dbfs).abs() < 1.0, "{spur}");
        }
    }
}

#[test]
fn a_line_where_two_tunings_meet_is_cut_from_both_and_listed_once() {
    let take = channel_22_with(&[(520e6 + 400.0, -30.0)]);
    let vacant = channel(&take, 22);
    assert_eq!(vacant["state"], "vacant", "{vacant}");
    // Uncut, its half would be at −33 dBFS and more.
    assert!(figure(vacant, "signal_upper_dbfs") < -45.0, "{vacant}");
    assert_eq!(spurs(&take).len(), 1, "{:?}", spurs(&take));
}

#[test]
fn a_line_within_ofdm_is_cut_out_and_its_own_pilots_are_left() {
    let place = Place::new();
    let read = |made: Made, name: &str| {
        let from = made.without_hash().write(&place, name);
        place.json([
            "take",
            "--from",
            &from,
            "--plan",
            "europe",
            "--antenna",
            "rod",
            "--spot",
            "bench",
            "--no-log",
        ])
    };
    let clean = read(Made::of("ofdm-a"), "clean");
    assert!(spurs(&clean).is_empty(), "{:?}", spurs(&clean));
    let mut made = Made::of("ofdm-a");
    for tuning in 0..made.meta["captures"].as_array().expect("captures").len() {
        let line = line(&made, tuning, (521.2e6, -17.0));
        for n in 0..DWELL {
            for (rail, steps) in line(n).into_iter().enumerate() {
                let byte = &mut made.data[2 * (tuning * DWELL + n) + rail];
                *byte = (f64::from(*byte) + steps).round().clamp(0.0, 255.0) as u8;
            }
        }
    }
    let take = read(made, "line");
    let [spur] = spurs(&take)[..] else {
        panic!("{:?}", spurs(&take));
    };
    assert!((figure(spur, "hz") - 521.2e6).abs() < 300.0);
    assert!((figure(spur, "power_dbfs") + 17.0).abs() < 0.5, "{spur}");
    // −12 dBFS and −17 dBFS are −10.8 dBFS together; without the line it is as it was.
    let level = |take: &Value| figure(channel(take, 27), "signal_dbfs");
    assert!(
        (level(&take) - level(&clean)).abs() < 0.1,
        "{} for {}",
        level(&take),
        level(&clean)
    );
    assert_eq!(channel(&take, 27)["identity"]["kind"], "ofdm");
}
