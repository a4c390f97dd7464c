//! What tests of samples need: a small scene, playing a source, reading a fixture, a periodogram of their own.

#![allow(dead_code, reason = "each test binary uses its part")]

use std::f64::consts::TAU;

use gainsay::capture::simulated::{Scene, Setup, SimulatedSource};
use gainsay::capture::{Sample, Source, Tuning};
use gainsay::units::Hertz;
use num_complex::Complex;
use rustfft::FftPlanner;

/// Source: handbook §2, row R: (6 MHz − S/2)/2.
pub const PILOT_HZ: f64 = 177e6 / 572.0;
pub const CHANNEL_20: (Hertz, Hertz) = (Hertz(506e6), Hertz(512e6));

pub const VSB: &str = r#"
[[transmitter]]
name = "Station"
channel = 20
low_mhz = 506
width_mhz = 6
standard = "8vsb"
power_dbfs = -10
bearing_deg = 0
"#;

pub const OFDM: &str = r#"
[[transmitter]]
name = "Station"
channel = 27
low_mhz = 518
width_mhz = 8
standard = "ofdm-8k"
guard = "1/8"
power_dbfs = -10
bearing_deg = 0
"#;

/// A scene with one spot, one antenna of 0 dB, and these lines for the dongle and after it.
pub fn scene(dongle: &str, rest: &str) -> Scene {
    let text = format!(
        "title = \"Test bench\"\ninvented = true\nplan = \"us\"\nseed = 11\n[dongle]\n{dongle}\n\
         [[antenna]]\nname = \"rod\"\n[[spot]]\nname = \"bench\"\n{rest}"
    );
    Scene::parse("test.toml", &text).unwrap()
}

/// Nothing but rounding to 8 bits: 66 dB under full scale in 1 MHz would be hidden by it.
pub const SILENT: &str = "noise_dbfs_per_mhz = -90";

pub fn setup(tunings: &[f64], dwell_s: f64) -> Setup {
    Setup {
        antenna: Some("rod".to_owned()),
        tunings: tunings.iter().map(|&mhz| Hertz::from_mhz(mhz)).collect(),
        dwell_s,
        ..Setup::terminated("bench", "2026-05-09T10:00:00Z".parse().unwrap())
    }
}

pub fn source(scene: &Scene, setup: Setup) -> SimulatedSource {
    SimulatedSource::new(scene, setup).unwrap()
}

/// All tunings of a source with their samples.
pub fn play(source: &mut dyn Source) -> Vec<(Tuning, Vec<Sample>)> {
    let mut played = Vec::new();
    while let Some(tuning) = source.next_tuning().unwrap() {
        let mut samples = Vec::new();
        let mut buffer = vec![Sample::default(); 10_000];
        loop {
            let count = source.read(&mut buffer).unwrap();
            if count == 0 {
                break;
            }
            samples.extend_from_slice(&buffer[..count]);
        }
        played.push((tuning, samples));
    }
    played
}

/// The first tunings of a recording in `fixtures/`, each `length` samples long.
pub fn recorded(name: &str, tunings: usize, length: usize) -> Vec<Vec<Sample>> {
    let path = format!("{}/fixtures/{name}.sigmf-data", env!("CARGO_MANIFEST_DIR"));
    let bytes = std::fs::read(&path).unwrap_or_else(|error| panic!("{path}: {error}"));
    let rail = |byte: u8| (f32::from(byte) - 127.5) / 127.5;
    let samples: Vec<Sample> = bytes
        .chunks_exact(2)
        .map(|pair| Sample::new(rail(pair[0]), rail(pair[1])))
        .collect();
    samples
        .chunks_exact(length)
        .take(tunings)
        .map(<[Sample]>::to_vec)
        .collect()
}

/// Power density in 1/Hz at ascending frequencies from −rate/2: Hann windows of `length` samples, half overlapping,
/// averaged; the mean square of the window taken out.
pub fn density(samples: &[Sample], length: usize, rate_hz: f64) -> Vec<(f64, f64)> {
    let window: Vec<f64> = (0..length)
        .map(|n| 0.5 - 0.5 * (TAU * n as f64 / length as f64).cos())
        .collect();
    let scale = rate_hz * window.iter().map(|w| w * w).sum::<f64>();
    let transform = FftPlanner::new().plan_fft_forward(length);
    let mut sums = vec![0.0; length];
    let mut blocks = 0;
    for start in (0..=samples.len() - length).step_by(length / 2) {
        let mut block: Vec<Complex<f64>> = samples[start..start + length]
            .iter()
            .zip(&window)
            .map(|(x, w)| Complex::new(f64::from(x.re), f64::from(x.im)) * w)
            .collect();
        transform.process(&mut block);
        for (sum, bin) in sums.iter_mut().zip(&block) {
            *sum += bin.norm_sqr();
        }
        blocks += 1;
    }
    let half = length / 2;
    (0..length)
        .map(|n| {
            let f = (n as f64 - half as f64) * rate_hz / length as f64;
            (
                f,
                sums[(n + length - half) % length] / scale / f64::from(blocks),
            )
        })
        .collect()
}

/// Mean density from `low_hz` up to, not including, `high_hz`.
pub fn band(bins: &[(f64, f64)], low_hz: f64, high_hz: f64) -> f64 {
    let inside: Vec<f64> = bins
        .iter()
        .filter(|(f, _)| (low_hz..high_hz).contains(f))
        .map(|bin| bin.1)
        .collect();
    inside.iter().sum::<f64>() / inside.len() as f64
}

/// By how many hertz the carrier near `expected_hz` (within 100 Hz) is off, and how far its phase strays from a straight
/// line at most, in radians; from the phases of means over 5 ms.
pub fn offset_of_carrier(samples: &[Sample], rate_hz: f64, expected_hz: f64) -> (f64, f64) {
    let length = (rate_hz * 0.005) as usize;
    let means: Vec<Complex<f64>> = samples
        .chunks_exact(length)
        .enumerate()
        .map(|(block, chunk)| {
            chunk
                .iter()
                .enumerate()
                .map(|(n, x)| {
                    let turns = expected_hz * (block * length + n) as f64 / rate_hz;
                    Complex::new(f64::from(x.re), f64::from(x.im))
                        * Complex::cis(-TAU * turns.fract())
                })
                .sum()
        })
        .collect();
    let mut phase = 0.0;
    let mut phases = vec![0.0];
    for pair in means.windows(2) {
        phase += (pair[1] * pair[0].conj()).arg();
        phases.push(phase);
    }
    // Least squares over the block's number.
    let count = phases.len() as f64;
    let middle = (count - 1.0) / 2.0;
    let mean = phases.iter().sum::<f64>() / count;
    let (mut up, mut down) = (0.0, 0.0);
    for (n, phase) in phases.iter().enumerate() {
        up += (n as f64 - middle) * (phase - mean);
        down += (n as f64 - middle).powi(2);
    }
    let slope = up / down;
    let unrest = phases
        .iter()
        .enumerate()
        .map(|(n, phase)| (phase - mean - slope * (n as f64 - middle)).abs());
    (slope / TAU / 0.005, unrest.fold(0.0, f64::max))
}

/// Complex amplitude of the carrier at `hz`.
pub fn carrier(samples: &[Sample], hz: f64, rate_hz: f64) -> Complex<f64> {
    let sum: Complex<f64> = samples
        .iter()
        .enumerate()
        .map(|(n, x)| {
            Complex::new(f64::from(x.re), f64::from(x.im))
                * Complex::cis(-TAU * (hz * n as f64 / rate_hz).fract())
        })
        .sum();
    sum / samples.len() as f64
}
