//! Clipping and drive on real waveforms: the recordings, and the same driven harder into an 8-bit converter.
//!
//! The recordings in `fixtures/` were made without clipping, with a centre spike of 0.004 − 0.003j of full scale and
//! noise of −44 dBFS in 1 MHz; 8-VSB and OFDM come from other hands than this project's.

use std::path::PathBuf;

use rand::{Rng, SeedableRng};
use rand_chacha::ChaCha8Rng;

use gainsay::capture::Sample;
use gainsay::reading::amplitude::AmplitudeStats;

const TUNING: usize = 48_000;

/// The samples of a recording, tuning after tuning (20 ms each).
fn tunings(name: &str) -> Vec<Vec<Sample>> {
    let path = PathBuf::from(env!("CARGO_MANIFEST_DIR"))
        .join("fixtures")
        .join(format!("{name}.sigmf-data"));
    let scaled = |byte: u8| (f32::from(byte) - 127.5) / 127.5;
    let data = std::fs::read(path).unwrap();
    let samples: Vec<Sample> = data
        .chunks_exact(2)
        .map(|b| Sample::new(scaled(b[0]), scaled(b[1])))
        .collect();
    samples.chunks(TUNING).map(<[Sample]>::to_vec).collect()
}

fn stats(samples: &[Sample]) -> AmplitudeStats {
    let mut stats = AmplitudeStats::new(Some(1.0 / 127.5));
    stats.push(samples);
    stats
}

/// The samples with what rounding took put back as noise: without, driving few codes harder would leave gaps.
fn undone(samples: &[Sample]) -> Vec<Sample> {
    let mut rng = ChaCha8Rng::seed_from_u64(8);
    let mut within_a_step =
        || ((f64::from(rng.next_u32()) / f64::from(u32::MAX) - 0.5) / 127.5) as f32;
    samples
        .iter()
        .map(|x| Sample::new(x.re + within_a_step(), x.im + within_a_step()))
        .collect()
}

/// The samples times `gain` through an 8-bit converter.
fn driven(samples: &[Sample], gain: f32) -> Vec<Sample> {
    let convert = |x: f32| ((x * gain * 127.5 + 127.5).round().clamp(0.0, 255.0) - 127.5) / 127.5;
    samples
        .iter()
        .map(|x| Sample::new(convert(x.re), convert(x.im)))
        .collect()
}

/// The gain at which this share of the samples has a rail beyond full scale.
fn gain_for(samples: &[Sample], share: f64) -> f32 {
    let mut peaks: Vec<f32> = samples.iter().map(|x| x.re.abs().max(x.im.abs())).collect();
    peaks.sort_by(f32::total_cmp);
    let within = ((1.0 - share) * (peaks.len() - 1) as f64) as usize;
    1.0 / peaks[within]
}

#[test]
fn the_recordings_are_not_clipped_and_show_their_centre_spike() {
    for name in ["vsb-a", "vsb-b", "vsb-terminated", "ofdm-a"] {
        for (n, tuning) in tunings(name).iter().enumerate() {
            let stats = stats(tuning);
            let clipping = stats.clipping();
            assert!(
                !clipping.clipped && clipping.fraction < 1e-4,
                "{name} {n}: {clipping:?}"
            );
            if name == "vsb-terminated" {
                // Noise of 0.9 steps on a rail: 2.4 MHz of it are −40.2 dBFS (a little less, by the passband's slope),
                // and rounding adds a sixth of a step squared. Mean of 48 000: good to 0.6 % of the rms.
                let drive = stats.drive_lsb_rms().unwrap();
                assert!((0.80..1.0).contains(&drive), "{drive}");
                assert_eq!(stats.rounding_limited(), Some(true));
                let [i, q] = stats.mean().unwrap();
                assert!(
                    (i - 0.004).abs() < 2e-4 && (q + 0.003).abs() < 2e-4,
                    "{i} {q}"
                );
            }
        }
    }
}

#[test]
fn eight_vsb_and_ofdm_driven_to_full_scale_but_not_beyond_are_clean() {
    for name in ["vsb-a", "vsb-b", "ofdm-a"] {
        for (n, tuning) in tunings(name).iter().enumerate() {
            let tuning = &undone(tuning);
            for share in [0.0, 2e-5, 1e-4] {
                let clipping = stats(&driven(tuning, 0.998 * gain_for(tuning, share))).clipping();
                assert!(!clipping.clipped, "{name} {n}, {share}: {clipping:?}");
            }
        }
    }
}

#[test]
fn eight_vsb_and_ofdm_driven_into_the_ends_are_clipped_from_a_thousandth_to_a_third() {
    for (name, n) in ["vsb-a", "vsb-b", "ofdm-a"]
        .into_iter()
        .flat_map(|name| (0..12).map(move |n| (name, n)))
    {
        let tuning = &undone(&tunings(name)[n]);
        for share in [0.001, 0.003, 0.01, 0.03, 0.1, 0.3] {
            let clipping = stats(&driven(tuning, gain_for(tuning, share))).clipping();
            assert!(clipping.clipped, "{name} {n}, {share}: {clipping:?}");
            // The end's code holds half a step more than what lies beyond.
            assert!(
                clipping.fraction >= share && clipping.fraction < 1.5 * share,
                "{name} {n}, {share}: {clipping:?}"
            );
        }
    }
}
