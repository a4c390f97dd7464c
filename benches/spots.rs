//! 300 spots × 36 channels, five takes each: ranking alone, its map, its figure, and the whole command with the logbook read
//! and the plot written (under a second is wanted).

use std::hint::black_box;
use std::process::Command;

use criterion::{Criterion, criterion_group, criterion_main};
use gainsay::logbook::Logbook;
use gainsay::reading::Take;
use gainsay::survey::map::{Area, Map, Point};
use gainsay::survey::spots::{Options, rank};

#[path = "../tests/spots_support/mod.rs"]
mod spots_support;
#[path = "../tests/takes/mod.rs"]
mod takes;

const SPOTS: usize = 300;
const CHANNELS: usize = 36;
const EACH: usize = 5;

/// A hall of 20 by 15 m, a spot every metre, better to one side; the same each time.
fn hall() -> Vec<Take> {
    let strewn = |n: usize| (n as f64 * 0.618_034).fract() - 0.5;
    let mut all = Vec::new();
    for spot in 0..SPOTS {
        let (x, y) = ((spot % 20) as f64, (spot / 20) as f64);
        let takes =
            spots_support::several(&format!("spot {spot}"), 10.0 * spot as f64, EACH, |take| {
                let margin = |channel: usize| {
                    let number = (spot * EACH + take) * CHANNELS + channel;
                    Some(x + 0.5 * y - 4.0 + 0.3 * channel as f64 + 4.0 * strewn(number))
                };
                (0..CHANNELS).map(margin).collect()
            });
        all.extend(spots_support::placed(takes, x, y));
    }
    all
}

fn large_survey(c: &mut Criterion) {
    let takes = hall();
    let folder = tempfile::tempdir().expect("a folder");
    let log = folder.path().join("large.sqlite");
    Logbook::open(&log)
        .and_then(|mut logbook| logbook.append_all(&takes))
        .expect("a logbook");
    let ranking = rank(&takes, None, &Options::default()).expect("a ranking");
    let points: Vec<Point> = ranking
        .spots
        .iter()
        .map(|spot| {
            let (at, weakest) = (
                spot.position.expect("a position"),
                spot.weakest.as_ref().expect("a weakest channel"),
            );
            Point {
                x_m: at.x_m,
                y_m: at.y_m,
                value_db: weakest.margin_db,
                standard_uncertainty_db: 0.8,
            }
        })
        .collect();

    let mut group = c.benchmark_group("300 spots × 36 channels × 5 takes");
    group.sample_size(10);
    group.bench_function("rank", |b| {
        b.iter(|| black_box(rank(&takes, None, &Options::default()).expect("a ranking")));
    });
    group.bench_function("map", |b| {
        let (places, _) = Area {
            ends_m: [0.0, 0.0, 19.0, 14.0],
            outlines: Vec::new(),
        }
        .cells(1800);
        b.iter(|| black_box(Map::fit(&points).expect("a map").at(&places)));
    });
    for plot in ["spots.svg", "spots.png"] {
        group.bench_function(format!("the whole command, drawing {plot}"), |b| {
            b.iter(|| {
                let done = Command::new(env!("CARGO_BIN_EXE_gainsay"))
                    .arg("spots")
                    .arg("--log")
                    .arg(&log)
                    .arg("--plot")
                    .arg(folder.path().join(plot))
                    .output()
                    .expect("it runs");
                assert!(done.status.success(), "{done:?}");
            });
        });
    }
    group.finish();
}

criterion_group!(benches, large_survey);
criterion_main!(benches);
