//! What the simulated dongle does to signals, checked from outside against the figures that its scene states.

mod iq;

use gainsay::capture::Source;
use gainsay::capture::simulated::{Scene, Setup};
use gainsay::units::{Decibels, Hertz, db_to_ratio, ratio_to_db};
use iq::{
    PILOT_HZ, SILENT, VSB, band, carrier, density, offset_of_carrier, play, scene, setup, source,
};
use num_complex::Complex;

#[test]
fn a_positive_frequency_error_lowers_carriers() {
    let dongle = format!("{SILENT}\nfrequency_error_ppm = 40");
    let played = play(&mut source(&scene(&dongle, VSB), setup(&[507.0], 0.1)));
    let expected_hz = 506e6 + PILOT_HZ - 507e6 * (1.0 + 40e-6);
    let (error_hz, _) = offset_of_carrier(&played[0].1, 2.4e6, expected_hz);
    assert!(error_hz.abs() < 1.0, "{error_hz} Hz off");
}

#[test]
fn noise_has_the_density_stated_and_the_passbands_shape() {
    let scene = scene("noise_dbfs_per_mhz = -30", "");
    let played = play(&mut source(
        &scene,
        Setup {
            antenna: None,
            ..setup(&[507.0], 0.2)
        },
    ));
    let bins = density(&played[0].1, 2400, 2.4e6);
    // 0.1 MHz for 0.2 s: 0.7 %, 0.03 dB; rounding adds 0.02 dB.
    for step in -8..8 {
        let low = f64::from(step) * 1e5;
        let level = ratio_to_db(band(&bins, low, low + 1e5) * 1e6);
        assert!((level + 30.0).abs() < 0.15, "{low}: {level}");
    }
    // At ±1.1 MHz the slope has cost 3·0.75² dB, and what folds from ∓1.3 MHz comes back at −3·1.25⁶ dB.
    let expected =
        -30.0 + ratio_to_db(db_to_ratio(-3.0103 * 0.5625) + db_to_ratio(-3.0103 * 1.25f64.powi(6)));
    for middle in [-1.1e6, 1.1e6] {
        let level = ratio_to_db(band(&bins, middle - 2e4, middle + 2e4) * 1e6);
        assert!(
            (level - expected).abs() < 0.3,
            "{middle}: {level}, expected {expected}"
        );
    }
    // Independent from sample to sample, but for the slope: no line, and both rails alike.
    let largest = bins.iter().map(|bin| bin.1).fold(0.0, f64::max);
    assert!(ratio_to_db(largest * 1e6) < -28.5);
}

#[test]
fn the_passband_is_3_db_down_at_half_the_sample_rate_and_folds_beyond() {
    let pilot_hz = 506e6 + PILOT_HZ;
    let at = |hz: f64| Hertz(pilot_hz - hz);
    // The pilot where the passband is flat, just inside half the sample rate, and beyond, where it appears 2.4 MHz lower.
    let tunings = vec![at(0.5e6), at(1.19e6), at(1.25e6)];
    let played = play(&mut source(
        &scene(SILENT, VSB),
        Setup {
            tunings,
            ..setup(&[], 0.1)
        },
    ));
    let level =
        |index: usize, hz: f64| ratio_to_db(carrier(&played[index].1, hz, 2.4e6).norm_sqr());
    let flat = level(0, 0.5e6);
    let edge = level(1, 1.19e6) - flat;
    assert!((edge + 3.0103 * 0.975f64.powi(2)).abs() < 0.1, "{edge}");
    let folded = level(2, 1.25e6 - 2.4e6) - flat;
    assert!(
        (folded + 3.0103 * 1.125f64.powi(6)).abs() < 0.15,
        "{folded}"
    );
}

#[test]
fn what_exceeds_8_bits_is_clipped_and_a_lower_gain_mends_it() {
    let scene = scene(SILENT, &VSB.replace("-10", "6"));
    let at = |gain| Setup {
        gains: Some(vec![Decibels(gain)]),
        ..setup(&[509.0], 0.02)
    };
    let ends = |gain| {
        let mut source = source(&scene, at(gain));
        source.next_tuning().unwrap();
        let mut bytes = vec![0u8; 96_000];
        assert_eq!(source.read_bytes(&mut bytes), 96_000);
        bytes
            .iter()
            .filter(|&&byte| byte == 0 || byte == 255)
            .count()
    };
    // 1.2 dBFS in the slice: each rail has rms 0.81, so |rail| > 1 in some 22 % of cases.
    assert!((15_000..30_000).contains(&ends(0.0)), "{}", ends(0.0));
    assert_eq!(ends(-20.0), 0);
}

#[test]
fn spike_image_and_spurs_are_where_the_dongle_makes_them() {
    let dongle = "noise_dbfs_per_mhz = -44\nfrequency_error_ppm = 40\nimage_rejection_db = 30\n\
                  centre_spike = [0.02, -0.03]\nspur = [{ frequency_mhz = 507.4, level_dbfs = -20 }]";
    // A terminator silences stations, not the dongle itself.
    let terminated = Setup {
        antenna: None,
        ..setup(&[507.0], 0.1)
    };
    let played = play(&mut source(&scene(dongle, VSB), terminated));
    let level = |hz: f64| carrier(&played[0].1, hz, 2.4e6);
    // The spur moves with the crystal, so it stands at its nominal place, and its image 30 dB under it.
    assert!((ratio_to_db(level(0.4e6).norm_sqr()) + 20.0).abs() < 0.1);
    assert!((ratio_to_db(level(-0.4e6).norm_sqr()) + 50.0).abs() < 0.5);
    assert!(
        (level(0.0) - Complex::new(0.02, -0.03)).norm() < 5e-4,
        "{}",
        level(0.0)
    );
}

#[test]
fn two_dongles_at_once_hear_the_same_fading_and_drift_is_linear() {
    let lines = format!("{VSB}fading = {{ sigma_db = 2.0, correlation_s = 10 }}\n");
    let dongle = format!("{SILENT}\ngain_drift_db_per_minute = 3");
    let scene = scene(&dongle, &lines);
    let level = |seconds: i64, take_seed, scene: &Scene| {
        let starts_at = "2026-05-09T10:00:00Z".parse::<jiff::Timestamp>().unwrap();
        let base = setup(&[509.0], 0.05);
        let starts_at = starts_at + jiff::SignedDuration::from_secs(seconds);
        let played = play(&mut source(
            scene,
            Setup {
                starts_at,
                take_seed,
                ..base
            },
        ));
        ratio_to_db(band(&density(&played[0].1, 2400, 2.4e6), -0.75e6, 0.75e6))
    };
    let steady = Scene::parse(
        "steady",
        "title='s'\ninvented=true\nplan='us'\nseed=11\n[dongle]\nnoise_dbfs_per_mhz=-90",
    )
    .map(|mut steady| {
        steady.transmitters = scene.transmitters.clone();
        steady.transmitters[0].fading = None;
        steady.antennas = scene.antennas.clone();
        steady.spots = scene.spots.clone();
        steady.dongle = scene.dongle.clone();
        steady
    })
    .unwrap();
    let mut spread = Vec::new();
    for seconds in [0, 20, 40, 60] {
        // The same waveform, so even its statistics are the same: only rounding differs.
        let (one, other) = (level(seconds, 1, &scene), level(seconds, 2, &scene));
        assert!(
            (one - other).abs() < 0.005,
            "{seconds} s: {one} and {other}"
        );
        spread.push(one - level(seconds, 1, &steady));
    }
    let range = spread.iter().fold(f64::MIN, |a, b| a.max(*b))
        - spread.iter().fold(f64::MAX, |a, b| a.min(*b));
    assert!(range > 0.5 && range < 12.0, "{spread:?}");
    // 1.5 MHz for 50 ms: 0.016 dB a reading.
    let drift = level(60, 1, &steady) - level(0, 1, &steady);
    assert!((drift - 3.0).abs() < 0.1, "{drift}");
}
