//! Welch's estimate against `scipy.signal.welch`: six windows, four overlaps, three lengths, both scalings, noise, tones
//! and an offset.
//!
//! Source: scipy (general-purpose reference library), by `fixtures/make_welch_table.py`, which works in `f64` on the same
//! samples; see there what `fixtures/welch_table.json` holds.
//!
//! How the agreement of 1e-5 relative is met. Each bin is held to 1e-5 of *itself*, also beside a strong tone: the noise
//! floor under the tones (amplitude 0.5 over noise of ±1/16) is what keeps every bin above the transform's `f32` rounding,
//! as an 8-bit converter's does. The one exception is the bin at 0 Hz of the rectangular window with the mean removed: it
//! is zero by definition, scipy has rounding noise there (below 1e-30 of the others), and ours must be zero too.

use std::collections::HashMap;
use std::f64::consts::TAU;
use std::path::Path;

use gainsay::capture::Sample;
use gainsay::spectrum::{Scaling, Welch, WelchSettings, Window};
use serde::Deserialize;

const TOLERANCE: f64 = 1e-5;

#[derive(Deserialize)]
struct Table {
    rate_hz: f64,
    beyond: usize,
    signals: Vec<Signal>,
    kept: HashMap<usize, Vec<usize>>,
    cases: Vec<Case>,
}

#[derive(Deserialize)]
struct Signal {
    name: String,
    tone_bins: Option<f64>,
    amplitude: f64,
    noise: f64,
    offset: f64,
}

#[derive(Deserialize)]
struct Case {
    length: usize,
    signal: String,
    window: String,
    overlap: f64,
    mean_removed: bool,
    scaling: String,
    sum: f64,
    moment: f64,
    bins: Vec<f64>,
}

impl Case {
    fn settings(&self) -> WelchSettings {
        WelchSettings {
            length: self.length,
            overlap: (self.length as f64 * self.overlap) as usize,
            window: match self.window.as_str() {
                "boxcar" => Window::Rectangular,
                "hann" => Window::Hann,
                "hamming" => Window::Hamming,
                "blackman" => Window::Blackman,
                "blackmanharris" => Window::BlackmanHarris,
                "flattop" => Window::FlatTop,
                other => panic!("{other}: no such window"),
            },
            remove_mean: self.mean_removed,
            scaling: match self.scaling.as_str() {
                "density" => Scaling::Density,
                "spectrum" => Scaling::Spectrum,
                other => panic!("{other}: no such scaling"),
            },
        }
    }

    fn name(&self) -> String {
        format!(
            "{}, {} of {} samples, overlap {}, mean removed: {}, {}",
            self.signal, self.window, self.length, self.overlap, self.mean_removed, self.scaling
        )
    }
}

fn table() -> Table {
    let path = Path::new(env!("CARGO_MANIFEST_DIR")).join("fixtures/welch_table.json");
    serde_json::from_str(&std::fs::read_to_string(path).expect("the table")).expect("JSON")
}

/// The same samples as in `make_welch_table.py`.
fn samples(signal: &Signal, length: usize, beyond: usize) -> Vec<Sample> {
    let mut state: u32 = 20;
    let mut rail = || {
        state = state.wrapping_mul(1_664_525).wrapping_add(1_013_904_223);
        (f64::from(state >> 16) - 32768.0) / 32768.0 * signal.noise
    };
    let rounded = |value: f64| ((value * 1_048_576.0).round_ties_even() / 1_048_576.0) as f32;
    (0..8 * length + beyond)
        .map(|n| {
            let phase = TAU * signal.tone_bins.unwrap_or(0.0) * n as f64 / length as f64;
            let (re, im) = (rail(), rail());
            Sample::new(
                rounded(re + signal.amplitude * phase.cos() + signal.offset),
                rounded(im + signal.amplitude * phase.sin() - signal.offset / 2.0),
            )
        })
        .collect()
}

#[test]
fn every_bin_agrees_with_scipy_within_1e_5_of_itself() {
    let table = table();
    let mut worst = (0.0, String::new());
    for signal in &table.signals {
        for (&length, kept) in &table.kept {
            let input = samples(signal, length, table.beyond);
            for case in table
                .cases
                .iter()
                .filter(|case| case.length == length && case.signal == signal.name)
            {
                let mut welch = Welch::new(case.settings());
                welch.push(&input);
                let bins = welch.psd(table.rate_hz).bins;
                let of_bins = kept
                    .iter()
                    .zip(&case.bins)
                    .map(|(&bin, &expected)| (format!("bin {bin}"), bin, bins[bin], expected));
                let moment = |(i, power): (usize, &f64)| power * i as f64 / length as f64;
                let of_all = [
                    ("sum".to_owned(), length, bins.iter().sum(), case.sum),
                    (
                        "moment".to_owned(),
                        length,
                        bins.iter().enumerate().map(moment).sum(),
                        case.moment,
                    ),
                ];
                for (what, bin, got, expected) in of_bins.chain(of_all) {
                    if bin == length / 2 && case.window == "boxcar" && case.mean_removed {
                        assert!(expected < 1e-25 * case.sum, "{}", case.name());
                        assert_eq!(got, 0.0, "{}, {what}", case.name());
                        continue;
                    }
                    let off = (got / expected - 1.0).abs();
                    assert!(
                        off <= TOLERANCE,
                        "{}, {what}: got {got:e}, scipy has {expected:e}: {off:.1e} off",
                        case.name()
                    );
                    if off > worst.0 {
                        worst = (off, format!("{}, {what}", case.name()));
                    }
                }
            }
        }
    }
    println!("worst: {:.1e} at {}", worst.0, worst.1);
}

#[test]
fn the_table_has_every_combination() {
    let table = table();
    let distinct = |of: &dyn Fn(&Case) -> String| {
        table
            .cases
            .iter()
            .map(of)
            .collect::<std::collections::BTreeSet<_>>()
            .len()
    };
    assert_eq!(distinct(&|case| case.window.clone()), Window::ALL.len());
    assert_eq!(distinct(&|case| case.overlap.to_string()), 4);
    assert_eq!(distinct(&|case| case.length.to_string()), 3);
    assert_eq!(distinct(&|case| case.scaling.clone()), 2);
    assert_eq!(distinct(&|case| case.signal.clone()), 4);
    // Four signals, and the one with an offset also without its mean removed.
    assert_eq!(distinct(&Case::name), 6 * 4 * 3 * 2 * (4 + 1));
    assert_eq!(table.cases.len(), distinct(&Case::name));
}
