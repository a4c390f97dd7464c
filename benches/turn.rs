//! The whole `gainsay turn` out of the logbook with its plot, process start to exit: 72 bearings of 36 channels. A second
//! is what is wanted at most.

use std::path::Path;
use std::process::Command;
use std::time::Duration;

use criterion::{Criterion, criterion_group, criterion_main};
use gainsay::logbook::Logbook;
use gainsay::reading::{Bearing, Take};
use gainsay::survey::turn::{Options, pattern};

#[path = "../tests/takes/mod.rs"]
mod takes;

const BEARINGS: usize = 72;
const CHANNELS: u16 = 36;

/// A cardioid in every channel, each looking elsewhere, with half a decibel of scatter that is the same every time.
fn rotation() -> Vec<Take> {
    (0..=BEARINGS)
        .map(|n| {
            let degrees = (n % BEARINGS) as f64 * 360.0 / BEARINGS as f64;
            let readings = (14..14 + CHANNELS)
                .map(|channel| {
                    let angle = (degrees - 10.0 * f64::from(channel)).to_radians();
                    let scatter_db = (7.0 * n as f64 + 3.0 * f64::from(channel)).sin() * 0.7;
                    let level = ((1.0 + angle.cos()) / 2.0).powi(2) + 0.01;
                    let signal = takes::NOISE * takes::ratio(25.0 + scatter_db) * level;
                    takes::reading(channel, takes::NOISE + signal, takes::NOISE, 0.0)
                })
                .collect();
            let mut take = takes::take("loop", n as f64 / 3.0, readings);
            take.bearing = Some(Bearing {
                degrees,
                from: "north".into(),
            });
            take
        })
        .collect()
}

fn keep(path: &Path, takes: &[Take]) {
    let mut logbook = Logbook::open(path).expect("a logbook");
    logbook.append_all(takes).expect("kept");
}

fn turn(criterion: &mut Criterion) {
    let folder = tempfile::tempdir().expect("a folder");
    let (log, plot) = (
        folder.path().join("log.sqlite"),
        folder.path().join("a.svg"),
    );
    let takes = rotation();
    keep(&log, &takes);
    let mut group = criterion.benchmark_group("turn");
    group
        .sample_size(10)
        .measurement_time(Duration::from_secs(5));
    group.bench_function("pattern_of_72_bearings_36_channels", |bencher| {
        bencher.iter(|| {
            let rotation = pattern(&takes, &Options::default()).expect("a rotation");
            assert_eq!(rotation.channels.len(), usize::from(CHANNELS));
        });
    });
    for (name, plot) in [
        ("command_with_svg", plot.clone()),
        ("command_with_png", plot.with_extension("png")),
    ] {
        group.bench_function(name, |bencher| {
            bencher.iter(|| {
                let out = Command::new(env!("CARGO_BIN_EXE_gainsay"))
                    .args([
                        "turn",
                        "--antenna",
                        "loop",
                        "--spot",
                        "north window",
                        "--log",
                    ])
                    .arg(&log)
                    .arg("--plot")
                    .arg(&plot)
                    .output()
                    .expect("gainsay runs");
                assert!(
                    out.status.success(),
                    "{}",
                    String::from_utf8_lossy(&out.stderr)
                );
                assert!(String::from_utf8_lossy(&out.stdout).contains("at 72 bearings"));
            });
        });
    }
    group.finish();
}

criterion_group!(benches, turn);
criterion_main!(benches);
