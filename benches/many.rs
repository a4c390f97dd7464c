//! The whole `gainsay compare` of 50 antennas out of a logbook, process start to exit: 36 channels, four takes each, against
//! one and all against all (1225 pairs).

#[path = "../tests/takes/mod.rs"]
mod takes;

use std::path::{Path, PathBuf};
use std::process::Command;
use std::time::Duration;

use criterion::{Criterion, criterion_group, criterion_main};
use gainsay::logbook::Logbook;
use gainsay::reading::Take;
use rand::SeedableRng;
use rand_chacha::ChaCha8Rng;
use takes::world::normal;
use takes::{NOISE, RELATIVE_ERROR, pilot, ratio, reading, take};

const ANTENNAS: usize = 50;
const ROUNDS: usize = 4;

/// C/N by channel: 14 strong, 6 middling, 6 weak, 10 with nothing at all.
fn class_db(channel: u16) -> f64 {
    match channel {
        20..34 => 25.0,
        34..40 => 8.0,
        40..43 => 0.0,
        43..46 => -8.0,
        _ => -60.0,
    }
}

/// Rounds forth and back, so that any two antennas make blocks.
fn takes() -> Vec<Take> {
    let mut rng = ChaCha8Rng::seed_from_u64(1);
    let mut made = Vec::new();
    let gains: Vec<f64> = (0..ANTENNAS).map(|_| 1.5 * normal(&mut rng)).collect();
    for round in 0..ROUNDS {
        for place in 0..ANTENNAS {
            let antenna = if round % 2 == 0 {
                place
            } else {
                ANTENNAS - 1 - place
            };
            let readings = (20..56)
                .map(|channel| {
                    let cn_db = class_db(channel) + gains[antenna] + 0.2 * normal(&mut rng);
                    let statistics = 1.0 + RELATIVE_ERROR * normal(&mut rng);
                    let power = NOISE * (1.0 + ratio(cn_db)) * statistics;
                    let mut reading = reading(channel, power, NOISE, 0.005 * NOISE);
                    if cn_db > -30.0 {
                        reading.pilot = Some(pilot(cn_db + 0.3 * normal(&mut rng), 0.02));
                    }
                    reading
                })
                .collect();
            let minute = 2.0 * made.len() as f64;
            made.push(take(&format!("antenna {antenna:02}"), minute, readings));
        }
    }
    made
}

fn logbook(folder: &Path) -> PathBuf {
    let path = folder.join("logbook.sqlite");
    let mut logbook = Logbook::open(&path).expect("a logbook");
    for take in takes() {
        logbook.append(&take).expect("kept");
    }
    path
}

fn compare(criterion: &mut Criterion) {
    let folder = tempfile::tempdir().expect("a folder");
    let logbook = logbook(folder.path());
    let mut group = criterion.benchmark_group("many");
    group
        .sample_size(10)
        .measurement_time(Duration::from_secs(10));
    for (name, more) in [
        ("50_antennas_against_one", None),
        ("50_antennas_all_pairs", Some("--all-pairs")),
    ] {
        group.bench_function(name, |bencher| {
            bencher.iter(|| {
                let out = Command::new(env!("CARGO_BIN_EXE_gainsay"))
                    .arg("compare")
                    .args((0..ANTENNAS).map(|antenna| format!("antenna {antenna:02}")))
                    .args(more)
                    .arg("--log")
                    .arg(&logbook)
                    .output()
                    .expect("gainsay runs");
                let error = String::from_utf8_lossy(&out.stderr);
                assert!(out.status.success() && error.is_empty(), "{error}");
                let text = String::from_utf8_lossy(&out.stdout);
                assert!(text.contains("50 antennas at north window"), "{text}");
            });
        });
    }
    group.finish();
}

criterion_group!(benches, compare);
criterion_main!(benches);
