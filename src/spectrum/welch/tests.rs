//! The estimate against its definition, and that it doesn't matter in which blocks samples come.

use std::f64::consts::TAU;

use num_complex::Complex;
use rand::{RngExt, SeedableRng};
use rand_chacha::ChaCha8Rng;
use rand_distr::StandardNormal;

use super::*;

/// White Gaussian noise with a mean square of 2·`rms`².
fn noise(count: usize, rms: f32, seed: u64) -> Vec<Sample> {
    let mut random = ChaCha8Rng::seed_from_u64(seed);
    (0..count)
        .map(|_| {
            let (re, im): (f32, f32) =
                (random.sample(StandardNormal), random.sample(StandardNormal));
            Sample::new(re * rms, im * rms)
        })
        .collect()
}

/// Every window, overlap and treatment of the mean, for segments of 64 samples.
fn every_setting() -> impl Iterator<Item = WelchSettings> {
    Window::ALL.into_iter().flat_map(|window| {
        [0, 16, 21, 32, 48, 63]
            .into_iter()
            .flat_map(move |overlap| {
                [true, false].map(|remove_mean| WelchSettings {
                    overlap,
                    window,
                    remove_mean,
                    ..WelchSettings::of_length(64)
                })
            })
    })
}

/// The estimate by its definition, in `f64`: each segment less its mean, windowed in time, transformed sum by sum.
fn by_definition(samples: &[Sample], settings: &WelchSettings, rate_hz: f64) -> Vec<f64> {
    let length = settings.length;
    let window = settings.window.points(length);
    let mut bins = vec![0.0; length];
    let mut segments = 0.0;
    let mut start = 0;
    while start + length <= samples.len() {
        let segment: Vec<Complex<f64>> = samples[start..start + length]
            .iter()
            .map(|x| Complex::new(f64::from(x.re), f64::from(x.im)))
            .collect();
        let mean = match settings.remove_mean {
            true => segment.iter().sum::<Complex<f64>>() / length as f64,
            false => Complex::default(),
        };
        for (bin, power) in bins.iter_mut().enumerate() {
            let cycles = bin as f64 - (length / 2) as f64;
            let sum: Complex<f64> = segment
                .iter()
                .zip(&window)
                .enumerate()
                .map(|(n, (x, w))| {
                    (x - mean) * Complex::from_polar(*w, -TAU * cycles * n as f64 / length as f64)
                })
                .sum();
            *power += sum.norm_sqr();
        }
        segments += 1.0;
        start += length - settings.overlap;
    }
    let divisor = match settings.scaling {
        Scaling::Density => rate_hz * window.iter().map(|w| w * w).sum::<f64>(),
        Scaling::Spectrum => window.iter().sum::<f64>().powi(2),
    };
    bins.iter()
        .map(|power| power / divisor / segments)
        .collect()
}

#[test]
fn windowing_after_the_transform_is_windowing_in_time() {
    let mut samples = noise(64 * 9 + 5, 0.05, 1);
    for (n, x) in samples.iter_mut().enumerate() {
        let tone = Complex::from_polar(0.4, TAU * 0.137 * n as f64);
        *x += Sample::new(tone.re as f32 + 0.1, tone.im as f32 - 0.05);
    }
    for settings in every_setting() {
        for scaling in [Scaling::Density, Scaling::Spectrum] {
            let settings = WelchSettings {
                scaling,
                ..settings
            };
            let mut welch = Welch::new(settings);
            welch.push(&samples);
            let got = welch.psd(2.4e6).bins;
            let expected = by_definition(&samples, &settings, 2.4e6);
            let largest = expected.iter().copied().fold(0.0, f64::max);
            for (bin, (got, expected)) in got.iter().zip(&expected).enumerate() {
                // A bin that is nothing by definition (0 Hz, rectangular window, mean removed) is nothing here too.
                assert!(
                    (got - expected).abs() <= 1e-5 * expected + 1e-20 * largest,
                    "{settings:?}, bin {bin}: {got:e} for {expected:e}"
                );
            }
        }
    }
}

#[test]
fn blocks_of_any_size_give_the_same_to_the_last_bit() {
    let samples = noise(64 * 30 + 17, 0.3, 2);
    let mut random = ChaCha8Rng::seed_from_u64(3);
    for settings in every_setting() {
        let mut whole = Welch::new(settings);
        whole.push(&samples);
        let whole = whole.psd(1.0);
        assert_eq!(
            whole.segments,
            ((samples.len() - 64) / (64 - settings.overlap) + 1) as u64,
            "{settings:?}"
        );
        let even_sizes = [1, 7, 63, 64, 65, 129].map(|size| vec![size; samples.len() / size + 1]);
        let odd_sizes: Vec<usize> = (0..samples.len())
            .map(|_| random.random_range(0..200))
            .collect();
        for sizes in even_sizes.into_iter().chain([odd_sizes]) {
            let mut welch = Welch::new(settings);
            let mut rest = samples.as_slice();
            for &size in &sizes {
                let (block, after) = rest.split_at(size.min(rest.len()));
                welch.push(block);
                rest = after;
            }
            assert!(rest.is_empty());
            assert_eq!(
                welch.psd(1.0),
                whole,
                "{settings:?}, blocks of {}",
                sizes[0]
            );
        }
    }
}

#[test]
fn nothing_is_left_of_what_was_pushed_before_a_reset() {
    let samples = noise(64 * 11 + 40, 0.1, 4);
    let loud = noise(64 * 7 + 50, 1e6, 5);
    for settings in every_setting() {
        let mut fresh = Welch::new(settings);
        fresh.push(&samples);
        let mut used = Welch::new(settings);
        // Whole segments and the start of one; once read out in between, once not.
        for read_out in [false, true] {
            used.push(&loud);
            if read_out {
                used.psd(1.0);
            }
            used.reset();
            assert_eq!(used.psd(1.0).segments, 0, "{settings:?}");
            used.push(&samples);
            assert_eq!(used.psd(1.0), fresh.psd(1.0), "{settings:?}");
            used.reset();
        }
    }
}

#[test]
fn reading_out_in_between_doesnt_change_the_rest() {
    let samples = noise(64 * 40, 0.1, 6);
    let settings = WelchSettings::of_length(64);
    let mut whole = Welch::new(settings);
    whole.push(&samples);
    let whole = whole.psd(1.0);
    let mut welch = Welch::new(settings);
    for block in samples.chunks(150) {
        welch.push(block);
        welch.psd(1.0);
    }
    let bins = welch.psd(1.0).bins;
    assert_eq!(welch.psd(1.0).segments, whole.segments);
    for (got, expected) in bins.iter().zip(&whole.bins) {
        // Sums in another order: equal but for rounding in f32.
        assert!(
            (got / expected - 1.0).abs() < 1e-6,
            "{got:e} for {expected:e}"
        );
    }
}

#[test]
fn fewer_samples_than_a_segment_are_no_estimate() {
    let mut welch = Welch::new(WelchSettings::of_length(64));
    welch.push(&noise(63, 0.1, 7));
    let psd = welch.psd(1.0);
    assert_eq!((psd.segments, psd.bins.len()), (0, 0));
    assert!(psd.sub_dwells.powers(-0.5, 0.5).is_empty());
}

/// The spread of the power in a band of white noise over sub-dwells is 1/√(B·T) of it (radiometer equation; Bendat and
/// Piersol, "Random Data", normalised random error of a mean square). With a Hann window at half overlap the weight of a
/// sample, w² summed over segments, runs from 1 to 2: its mean square over its squared mean is 19/18, so that the spread
/// is 1.027 of that.
#[test]
fn sub_dwells_of_white_noise_spread_as_bandwidth_times_time_says() {
    const LENGTH: usize = 480;
    // 20 sub-dwells of 16 segments.
    const SEGMENTS: usize = 20 * 16;
    let mut welch = Welch::new(WelchSettings::of_length(LENGTH));
    for (low, high) in [(-0.5, 0.5), (-0.25, 0.25), (0.125, 0.25)] {
        let (mut squares, mut count) = (0.0, 0.0);
        for seed in 0..25 {
            welch.reset();
            welch.push(&noise((SEGMENTS + 1) * LENGTH / 2, 0.1, 100 + seed));
            let sub_dwells = welch.psd(1.0).sub_dwells;
            let powers = sub_dwells.powers(low, high);
            assert_eq!((powers.len(), sub_dwells.segments_each()), (20, 16));
            let mean = powers.iter().sum::<f64>() / powers.len() as f64;
            squares += powers
                .iter()
                .map(|power| (power / mean - 1.0).powi(2))
                .sum::<f64>();
            count += powers.len() as f64 - 1.0;
        }
        let spread = (squares / count).sqrt();
        let samples = (16 * LENGTH / 2) as f64;
        let expected = (19.0_f64 / 18.0 / ((high - low) * samples)).sqrt();
        // 475 degrees of freedom: the spread of the spread is 3.2 %.
        assert!(
            (spread / expected - 1.0).abs() < 0.1,
            "{low} to {high}: {spread:.5} for {expected:.5}"
        );
    }
}

#[test]
fn sub_dwells_add_up_to_the_estimate() {
    const LENGTH: usize = 96;
    let samples = noise(LENGTH / 2 * 33, 0.2, 8);
    let mut welch = Welch::new(WelchSettings::of_length(LENGTH));
    welch.push(&samples);
    let psd = welch.psd(1.0);
    assert_eq!(psd.segments, 32);
    let window_energy: f64 = Window::Hann.points(LENGTH).iter().map(|w| w * w).sum();
    for (low, high) in [(-0.5, 0.5), (-0.25, 0.0), (0.25, 0.5)] {
        let powers = psd.sub_dwells.powers(low, high);
        let mean = powers.iter().sum::<f64>() / powers.len() as f64;
        let (from, to) = ((low + 0.5) * LENGTH as f64, (high + 0.5) * LENGTH as f64);
        let expected: f64 =
            psd.bins[from as usize..to as usize].iter().sum::<f64>() * window_energy;
        assert!(
            (mean / expected - 1.0).abs() < 1e-5,
            "{low} to {high}: {mean} for {expected}"
        );
    }
}
