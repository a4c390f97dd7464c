//! What is heard: levels, gains, antennas, frequencies, fading.

mod bench;

use std::time::Duration;

use bench::{Bench, SCENE, carrier_db, one, power_db, settled};
use gainsay::capture::Source;
use gainsay::capture::simulated::{Scene, Setup, SimulatedSource};
use gainsay::units::Hertz;
use rtlsdr_stand_in::interface::*;

#[test]
fn a_gain_step_lifts_the_level_by_its_name_and_its_true_error() {
    let bench = one(
        "'fast'",
        "gain_errors_db = { 207 = -0.7 }\nsensitivity_db = 1.5",
    );
    let dongle = bench.ready();
    assert_eq!(dongle.tune(500_000_000), 0);
    // A gain between two steps sets the higher one.
    let levels = [297, 207, 200, 280].map(|gain| {
        assert_eq!(dongle.gain(gain), 0);
        carrier_db(&settled(&dongle, 20), 100e3, 2.4e6)
    });
    for (level, expected) in levels.into_iter().zip([-18.5, -28.2, -28.2, -20.2]) {
        assert!((level - expected).abs() < 0.03, "{levels:?}");
    }
}

#[test]
fn at_the_highest_gain_a_strong_carrier_clips() {
    let bench = one("'fast'", "");
    let dongle = bench.ready();
    assert_eq!(dongle.tune(500_000_000), 0);
    let clipped = [297, 496].map(|gain| {
        assert_eq!(dongle.gain(gain), 0);
        let bytes = settled(&dongle, 4);
        let at_the_ends = bytes
            .iter()
            .filter(|&&byte| byte == 0 || byte == 255)
            .count();
        at_the_ends as f64 / bytes.len() as f64
    });
    // An amplitude of 0.99, and noise of 0.1 on each rail.
    assert_eq!(clipped[0], 0.0);
    assert!(clipped[1] > 0.05, "{clipped:?}");
}

#[test]
fn while_the_gain_is_automatic_levels_swing() {
    let bench = one("'fast'", "");
    let dongle = bench.ready();
    assert_eq!(dongle.tune(500_000_000), 0);
    for (manual, swing_db) in [(1, 0.0), (0, 6.0)] {
        unsafe {
            assert_eq!(rtlsdr_set_tuner_gain_mode(dongle.0, manual), 0);
            if manual == 1 {
                assert_eq!(rtlsdr_set_tuner_gain(dongle.0, 297), 0);
            }
        }
        // Two seconds, more than a swing.
        let bytes = settled(&dongle, 600);
        let levels: Vec<f64> = bytes
            .chunks(16_384)
            .map(|transfer| carrier_db(transfer, 100e3, 2.4e6))
            .collect();
        let most = levels.iter().copied().fold(f64::MIN, f64::max);
        let least = levels.iter().copied().fold(f64::MAX, f64::min);
        assert!(
            (most - least - swing_db).abs() < 0.6,
            "{manual}: {least} to {most}"
        );
    }
}

#[test]
fn signals_are_those_of_the_simulator_with_the_antenna_that_is_connected() {
    let bench = one("'fast'", "");
    let scene = Scene::read(&bench.path("scene.toml")).unwrap();
    for antenna in [None, Some("rod"), Some("loop")] {
        let line = antenna.map_or(String::new(), |name| format!("antenna = '{name}'"));
        bench.plug(&format!(
            "pace = 'fast'\n[[device]]\nfrequency_error_ppm = 0\n{line}"
        ));
        let dongle = bench.ready();
        assert_eq!(dongle.tune(509_000_000), 0);
        let played = power_db(&settled(&dongle, 60));
        let setup = Setup {
            antenna: antenna.map(str::to_owned),
            tunings: vec![Hertz::from_mhz(509.0)],
            dwell_s: 0.2,
            ..Setup::terminated("window", jiff::Timestamp::UNIX_EPOCH)
        };
        let mut source = SimulatedSource::new(&scene, setup).unwrap();
        source.next_tuning().unwrap();
        let mut bytes = vec![0; 960_000];
        assert_eq!(source.read_bytes(&mut bytes), bytes.len());
        let expected = power_db(&bytes);
        // 2.3 MHz over the 50 ms that are repeated: 0.3 %, 0.013 dB; over 200 ms 0.006 dB. Three of both.
        assert!(
            (played - expected).abs() < 0.045,
            "{antenna:?}: {played} of {expected}"
        );
    }
}

#[test]
fn an_antenna_connected_while_samples_flow_is_heard_from_then_on() {
    let with =
        |antenna| format!("pace = 'fast'\n[[device]]\nqueued_transfers = 1\nantenna = '{antenna}'");
    let bench = Bench::new(&with("rod"));
    let dongle = bench.ready();
    assert_eq!(dongle.tune(509_000_000), 0);
    let mut levels = Vec::new();
    dongle.read(15, 16_384, |index, transfer| {
        levels.push(power_db(transfer));
        match index {
            20 => {
                bench.plug(&with("loop"));
                std::thread::sleep(Duration::from_millis(60));
            }
            40 => assert_eq!(dongle.cancel(), 0),
            _ => {}
        }
    });
    assert_eq!(bench.logged("antenna"), ["loop"]);
    // The next to come was full already, and the one after it may have begun to fill.
    let mean = |levels: &[f64]| levels.iter().sum::<f64>() / levels.len() as f64;
    let rise = mean(&levels[24..]) - mean(&levels[10..=21]);
    // Signal −20.4 dBFS in this tuning, noise and rounding −39.9.
    assert!((rise - 6.0).abs() < 0.3, "{levels:?}");
}

#[test]
fn the_crystals_error_shifts_the_pilot_and_a_correction_shifts_it_back() {
    let bench = Bench::new("pace = 'fast'\n[[device]]\nantenna = 'rod'\nfrequency_error_ppm = 40");
    let dongle = bench.ready();
    let pilot_hz = 506e6 + 177e6 / 572.0 - 507e6;
    let mut levels = Vec::new();
    for correction in [None, Some(40)] {
        if let Some(ppm) = correction {
            assert_eq!(unsafe { rtlsdr_set_freq_correction(dongle.0, ppm) }, 0);
        }
        assert_eq!(dongle.tune(507_000_000), 0);
        // 0.4 s are eight laps: a bin of 2.4 Hz holds the pilot only if it runs on from one to the next.
        let bytes = settled(&dongle, 120);
        let shifted_hz = (506e6 + 177e6 / 572.0) / (1.0 + 40e-6) - 507e6;
        levels.push([pilot_hz, shifted_hz].map(|f_hz| carrier_db(&bytes, f_hz, 2.4e6)));
    }
    // −16 dBFS less 10·log((21.0192 + 1.5625)/1.5625), A/53: −27.6 dBFS.
    let expected_db = -16.0 - 11.6;
    println!("{levels:?}");
    assert!((levels[0][1] - expected_db).abs() < 0.2, "{levels:?}");
    assert!((levels[1][0] - expected_db).abs() < 0.2, "{levels:?}");
    assert!(levels[0][0] < -50.0 && levels[1][1] < -50.0, "{levels:?}");
}

#[test]
fn fading_and_drift_follow_the_time_since_the_epoch() {
    let bench = one("'fast'", "antenna = 'rod'");
    // Slow enough to stand still over 50 ms, the length of a lap, and deep enough to show.
    let scene = format!("{SCENE}\n")
        .replace(
            "bearing_deg = 0",
            "bearing_deg = 0\nfading = { sigma_db = 2, correlation_s = 2 }",
        )
        .replace(
            "gain_db = 29.7",
            "gain_db = 29.7\ngain_drift_db_per_minute = 2",
        );
    std::fs::write(bench.path("scene.toml"), scene).unwrap();
    let text = std::fs::read_to_string(bench.path("plugged.toml")).unwrap();
    let epoch = jiff::Timestamp::now() - jiff::SignedDuration::from_secs(60);
    std::fs::write(
        bench.path("plugged.toml"),
        format!("epoch = '{epoch}'\n{text}"),
    )
    .unwrap();

    let dongle = bench.ready();
    assert_eq!(dongle.tune(509_000_000), 0);
    let mut laps = Vec::new();
    let mut lap = Vec::new();
    // 50 ms of 2.4 MS/s are 240 000 bytes.
    dongle.read(15, 48_128, |index, transfer| {
        lap.extend_from_slice(transfer);
        if lap.len() >= 240_000 {
            let rest = lap.split_off(240_000);
            laps.push(power_db(&lap));
            lap = rest;
        }
        if index == 1500 {
            dongle.cancel();
        }
    });
    let begun_s: f64 = bench.logged_at("start")[0];
    // The process's time began at some moment between the epoch's 60 s and now: the first call is what counts from.
    let scene = Scene::read(&bench.path("scene.toml")).unwrap();
    let setup = Setup {
        antenna: Some("rod".to_owned()),
        ..Setup::terminated("window", jiff::Timestamp::UNIX_EPOCH)
    };
    let source = SimulatedSource::new(&scene, setup).unwrap();
    let offset_s = rtlsdr_stand_in::clock::began_after_s(epoch);
    assert!((0.0..=60.0).contains(&offset_s));
    let expected: Vec<f64> = (0..laps.len())
        .map(|lap| offset_s + begun_s + 0.05 * (lap as f64 + 0.5))
        .map(|time_s| source.fading(0, time_s).0 + 2.0 / 60.0 * time_s)
        .collect();
    // The level in this tuning, one figure for all laps; noise 20 dB below takes part in it.
    let differences: Vec<f64> = laps
        .iter()
        .zip(&expected)
        .skip(1)
        .map(|(a, b)| a - b)
        .collect();
    let mean = differences.iter().sum::<f64>() / differences.len() as f64;
    let worst = differences
        .iter()
        .map(|d| (d - mean).abs())
        .fold(0.0, f64::max);
    let swing = expected.iter().copied().fold(f64::MIN, f64::max)
        - expected.iter().copied().fold(f64::MAX, f64::min);
    assert!(swing > 4.0, "{swing}");
    // Half a lap of the fading is up to 0.1 dB; the noise's share, up to 0.1 dB, changes with the level.
    assert!(worst < 0.15, "{worst} of {swing}");
}

#[test]
fn two_dongles_stream_at_once_with_noise_of_their_own() {
    let bench = Bench::new("pace = 4\n[[device]]\nserial = '1'\n[[device]]\nserial = '2'");
    let dongles = [0, 1].map(|index| {
        let dongle = bench.open(index).unwrap();
        unsafe {
            assert_eq!(rtlsdr_set_sample_rate(dongle.0, 2_400_000), 0);
            assert_eq!(rtlsdr_set_tuner_gain_mode(dongle.0, 1), 0);
        }
        assert_eq!(dongle.gain(297), 0);
        assert_eq!(dongle.tune(600_000_000), 0);
        dongle
    });
    let [a, b] = std::thread::scope(|scope| {
        dongles
            .each_ref()
            .map(|dongle| scope.spawn(|| settled(dongle, 120)))
            .map(|thread| thread.join().unwrap())
    });
    assert!((power_db(&a) + 39.9).abs() < 0.3 && (power_db(&b) + 39.9).abs() < 0.3);
    // They overlap in time; the same noise would show as the same bytes.
    let middle = &a[a.len() / 2..][..16];
    assert!(!b.windows(16).step_by(2).any(|bytes| bytes == middle));
}
